"""Clocks: the stamps of a table in order, each once, and which row belongs to which stamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracks.errors import FileError
from tuning.logs.stamps import seconds_of
from tuning.logs.table import Table

__all__ = ["Clock", "read_clock"]

Array = NDArray[np.float64]

# s. Steering answers within tenths of a second; a clock this slow is one in another unit than its label says.
_SLOWEST_STEP = 1.0
# s. No drive log has 5000 rows a second; a clock this fast is one in seconds said to be milliseconds.
_FASTEST_STEP = 2e-4

_REGULAR_SHARE = 0.9  # of the steps below twice the median one

# Messages that came late are few and a little late, and fall between their neighbours when sorted; after a clock was
# set back, whole stretches overlap, and stamps of two times lie side by side (common practice, no source).
_LATE_SHARE = 0.1
_LATEST = 1.0  # s
_CLOSE = 0.75  # of the 5th percentile of the steps


@dataclass(frozen=True, eq=False)
class Clock:
    """The time stamps of a table.

    Attributes:
        origin: what the stamps are counted from, ns.
        stamps: s from origin, increasing strictly, shape (n,).
        order: rows in the order of time, shape (rows,).
        at: stamp of each row in that order, shape (rows,).
    """

    origin: int
    stamps: Array
    order: NDArray[np.int64]
    at: NDArray[np.int64]

    @property
    def step(self) -> float:
        """Median step, s; infinite for a single stamp."""
        return float(np.median(np.diff(self.stamps))) if self.stamps.size > 1 else np.inf

    def placed(self, values: Array) -> Array:
        """Give the values of the rows by stamp, shape (n,): of equal stamps the last reading, NaN without one."""
        values = values[self.order]
        if self.stamps.size == values.size:
            return values
        known = ~np.isnan(values)
        placed = np.full(self.stamps.size, np.nan)
        placed[self.at[known]] = values[known]  # the last of several stays
        return placed


def read_clock(
    table: Table, column: str, factor: float | None, scale: float, offset: float, findings: list[str]
) -> Clock:
    """Read the clock of a table.

    Args:
        table, column: where its stamps stand.
        factor, scale: as for `seconds_of`.
        offset: s to add.
        findings: gets what was sorted, merged or continued.

    Raises:
        FileError: a stamp is missing or no time, the clock runs backwards, or it cannot be in its unit.
    """
    origin, time = seconds_of(table, column, factor, scale, findings)
    order = _order(table, column, time, findings)
    time = time[order]
    new = np.append(True, np.diff(time) > 0.0) if time.size else np.zeros(0, dtype=bool)
    repeated = int(time.size - np.count_nonzero(new))
    if repeated:
        findings.append(
            f"{repeated} of {time.size} rows repeat a time stamp and were merged (the last row of each stamp kept)"
        )
    clock = Clock(origin, time[new] + offset, order, np.cumsum(new) - 1)
    _check_step(table, column, clock, repeated)
    return clock


def _order(table: Table, column: str, time: Array, findings: list[str]) -> NDArray[np.int64]:
    """Give the rows in the order of time; a few late ones are sorted in, a clock that was set back is refused."""
    step = np.diff(time)
    back = np.flatnonzero(step < 0.0)
    if not back.size:
        return np.arange(time.size)
    lateness = np.maximum.accumulate(time) - time
    late = lateness > 0.0
    order = np.argsort(time, kind="stable")
    moved, sorted_step = late[order], np.diff(time[order])
    least = np.minimum(np.append(np.inf, sorted_step), np.append(sorted_step, np.inf))[moved].min()
    usual = float(np.percentile(step[step > 0.0], 5.0)) if np.any(step > 0.0) else 0.0
    if late.mean() <= _LATE_SHARE and lateness.max() <= _LATEST and least >= _CLOSE * usual > 0.0:
        findings.append(
            f"{np.count_nonzero(late)} of {time.size} time stamps were out of order by up to {lateness.max():.3g} s "
            "and were sorted"
        )
        return order
    row = int(back[0]) + 1
    raise FileError(
        table.file,
        table.place(column, row),
        f"time runs backwards, from {time[row - 1]:.9g} to {time[row]:.9g} s",
        "rows in the order of time",
        "sort the rows, or split the file where the clock was reset",
    )


def _check_step(table: Table, column: str, clock: Clock, repeated: int) -> None:
    """Raise `FileError` where the clock cannot be in the unit that it is said to be in."""
    step = clock.step
    place = table.place(column)
    if repeated > clock.stamps.size and 0.99 <= step <= 1.01:
        raise FileError(
            table.file,
            place,
            f"has stamps in whole seconds: {repeated} rows repeat one",
            "fractions of a second",
            "export the clock with its fractions",
        )
    # What comes only when it changes has no rate that could be wrong.
    regular = clock.stamps.size > 1 and np.mean(np.diff(clock.stamps) <= 2.0 * step) >= _REGULAR_SHARE
    if regular and not _FASTEST_STEP <= step <= _SLOWEST_STEP:
        bound = f"below {_SLOWEST_STEP:g} s" if step > _SLOWEST_STEP else f"above {_FASTEST_STEP:g} s"
        raise FileError(
            table.file,
            place,
            f"the median step of time is {step:.4g} s",
            bound,
            "correct the unit of [time] in the channel file, as ms or s, or check the rate of the recording",
        )
