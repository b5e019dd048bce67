"""Series of readings, each with time stamps of its own, on one clock without hidden delay.

The clock is the union of all stamps, so no reading is moved in time. Between its readings a quantity is held: that is
the truth of a command, and of a measurement it is no claim, since `fresh` says at which samples it was read.
Interpolating would bring the next reading in before it was taken and correlate the noise of neighbours; holding without
saying so would delay a measurement by up to its own period.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.logs.clock import Clock

__all__ = ["Series", "merged"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAME_STAMP = 1e-6  # s; stamps closer than this are one: no clock of a drive log is better, and rounding differs by file

# A quantity that comes at regular steps but for gaps: this share of its steps is below twice the median one.
_REGULAR_SHARE = 0.9
_LEAST_REGULAR = 10  # readings
_GAP = 10.0  # median steps; as for the gaps of a log's clock


@dataclass(frozen=True, eq=False)
class Series:
    """The readings of one quantity, SI.

    Attributes:
        quantity: its name.
        clock: its time stamps.
        values: shape of `clock.stamps`, NaN where there is no reading.
    """

    quantity: str
    clock: Clock
    values: Array


def merged(series: Sequence[Series], findings: list[str]) -> tuple[dict[str, Array], dict[str, Mask], int]:
    """Put series on one clock.

    Returns:
        `(data, fresh, origin)`: quantity -> values and `time` (s from origin); quantity -> at which samples it was
        read, for those that are not read at each; ns.

    Raises:
        InputError: two clocks have no time in common.
    """
    clocks = list({id(s.clock): s.clock for s in series}.values())
    origin = min(clock.origin for clock in clocks)
    time, places = _union([clock.stamps + (clock.origin - origin) * 1e-9 for clock in clocks])
    at = {id(clock): place for clock, place in zip(clocks, places, strict=True)}
    data: dict[str, Array] = {}
    fresh: dict[str, Mask] = {}
    for one in series:
        read = ~np.isnan(one.values)
        where = at[id(one.clock)][read]
        data[one.quantity] = np.full(time.size, np.nan)
        data[one.quantity][where] = one.values[read]
        fresh[one.quantity] = ~np.isnan(data[one.quantity])
    keep = np.logical_or.reduce(list(fresh.values()))
    keep &= _known(time, fresh, findings)
    for name, mask in fresh.items():
        data[name] = _held(data[name], mask)[keep]
        fresh[name] = mask[keep]
    data["time"] = time[keep]
    _say_rates(data["time"], fresh, findings)
    return data, {name: mask for name, mask in fresh.items() if not mask.all()}, origin


def _union(stamps: list[Array]) -> tuple[Array, list[NDArray[np.int64]]]:
    """Give all stamps once, in order, and the place of each clock's stamps among them."""
    if len(stamps) == 1:
        return stamps[0], [np.arange(stamps[0].size)]
    together = np.concatenate(stamps)
    order = np.argsort(together, kind="stable")
    new = np.append(True, np.diff(together[order]) > SAME_STAMP)
    place = np.empty(together.size, dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    return together[order][new], np.split(place, np.cumsum([s.size for s in stamps])[:-1])


def _held(values: Array, read: Mask) -> Array:
    """Hold each reading until the next one; before the first one, that one."""
    if read.all() or not read.any():
        return values
    last = np.maximum.accumulate(np.where(read, np.arange(values.size), 0))
    last[: int(np.argmax(read))] = int(np.argmax(read))
    return values[last]


def _regular_gaps(stamps: Array) -> list[tuple[float, float]] | None:
    """Give the gaps of a quantity that comes at regular steps; None for one that comes when it changes."""
    if stamps.size < _LEAST_REGULAR:
        return None
    step = np.diff(stamps)
    usual = float(np.median(step))
    if np.mean(step <= 2.0 * usual) < _REGULAR_SHARE:
        return None
    return [(float(stamps[i]), float(stamps[i + 1])) for i in np.flatnonzero(step > _GAP * usual)]


def _known(time: Array, fresh: dict[str, Mask], findings: list[str]) -> Mask:
    """Say at which samples the log knows what it needs: within the time of all regular quantities, and not in a gap of
    a command or of the speed, which drive the simulation; a quantity that comes when it changes holds to the end.
    """
    keep = np.ones(time.size, dtype=bool)
    first, last = {}, {}
    for name, mask in fresh.items():
        stamps = time[mask]
        first[name] = stamps[0] if stamps.size else np.inf
        gaps = _regular_gaps(stamps)
        if gaps is None:
            continue
        last[name] = stamps[-1]
        needed = name.endswith("_command") or name == "speed"
        inside = np.zeros(time.size, dtype=bool)
        for a, b in gaps:
            inside |= (time > a) & (time < b)
        if inside.any():
            longest = max(b - a for a, b in gaps)
            done = "were left out" if needed else "are not filled in"
            findings.append(f"{name} has {len(gaps)} gap(s), the longest {longest:.3g} s; they {done}")
        if needed:
            keep &= ~inside
    begin, end = max(first.values()), min(last.values(), default=time[-1])
    if begin >= end:
        late, early = max(first, key=lambda q: first[q]), min(last, key=lambda q: last[q], default="time")
        raise InputError(
            f"the clocks have no time in common: {late} begins at {begin:.9g} s, where {early} has ended at {end:.9g} s",
            "files of one drive on one clock",
            "give the channels of one file a clock_offset, in s, or name files of the same drive",
        )
    findings += _cuts(time, first, last, begin, end)
    return keep & (time >= begin) & (time <= end)


def _cuts(
    time: Array, first: dict[str, float], last: dict[str, float], begin: float, end: float
) -> list[str]:
    """Say what is left out at begin and end, for which quantity, and of a long piece how to keep it."""
    said = []
    for part, span, name in (
        ("first", begin - time[0], max(first, key=lambda q: first[q])),
        ("last", time[-1] - end, min(last, key=lambda q: last[q], default="")),
    ):
        if span > 0.0:
            hint = f"; without [{name}] in the channel file they stay" if span > 0.1 * np.ptp(time) else ""
            said.append(f"the {part} {span:.3g} s were left out: {name} has no reading there{hint}")
    return said


def _say_rates(time: Array, fresh: dict[str, Mask], findings: list[str]) -> None:
    """Say, for all quantities that are read together in one line, how often they are read."""
    together: dict[bytes, list[str]] = {}
    for name, mask in fresh.items():
        together.setdefault(mask.tobytes(), []).append(name)
    for names in together.values():
        read = fresh[names[0]]
        if read.all():
            continue
        count = int(np.count_nonzero(read))
        rate = f", every {np.median(np.diff(time[read])):.3g} s" if count > 2 else ""
        findings.append(
            f"{', '.join(names)}: read at {count} of {read.size} samples{rate}, held between them"
        )
