"""Faults of a single channel: dead, stuck, dropping to zero, spiking, cut off."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tuning.logs.log import Log
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.fineness import Readings, coarse, offset_at_rest, quantum, readings_of, slow
from tuning.logs.units import si_unit

__all__ = ["faults_of"]

Array = NDArray[np.float64]

# What a vehicle's inertia keeps smooth; commands may jump.
_SMOOTH = (
    "yaw_rate", "steering_angle", "speed", "lateral_acceleration", "longitudinal_acceleration", "heading", "x", "y",
    "wheel_speed_front_left", "wheel_speed_front_right", "wheel_speed_rear_left", "wheel_speed_rear_right",
)  # fmt: skip
_CUT = ("yaw_rate", "lateral_acceleration", "longitudinal_acceleration")
# Channels that move when these do.
_COMPANIONS = {
    "yaw_rate": ("heading", "steering_angle", "lateral_acceleration"),
    "heading": ("yaw_rate",),
    "lateral_acceleration": ("yaw_rate",),
    "steering_angle": ("yaw_rate", "heading"),
}

# Judgements, no source.
_JUMP = 12.0  # times the step that 80 of 100 readings do not exceed
_HARMFUL = 0.02  # share of a signal's variance that faults may hold before the signal is not believed
_MANY = 3  # a single one may be cut out
_STUCK_FOR = 1.0  # s
_STUCK_MOVES = 0.35  # of the companion's spread, moved while a channel stood still
_STUCK_QUANTA = 6.0  # and of the channel's own counts, by its share of the companion
_CUT_RUNS = 4  # times that a reading stays at its largest value


def faults_of(logs: Sequence[Log], moves: float) -> list[Finding]:
    """Say which channels have faults that show in the channel itself or beside one that must move with it."""
    found: list[Finding] = []
    for channel in _SMOOTH:
        having = [log for log in logs if log.has(channel)]
        if not having:
            continue
        if dead := _dead(channel, having, moves):
            found += dead
            continue
        parts = [part for log in having for part in readings_of(log, channel)]
        spikes = _spikes(channel, parts)
        found += [*spikes, *_stuck(channel, parts)]
        if channel in _CUT:
            found += _cut_off(channel, parts)
        found += [*coarse(channel, parts), *slow(channel, parts)]
    return [*found, *offset_at_rest(logs)]


def _dead(channel: str, logs: Sequence[Log], moves: float) -> list[Finding]:
    """A sensor of a vehicle in motion that never changes."""
    if channel in ("x", "y", "heading") or any(np.ptp(log[channel]) > 0.0 for log in logs):
        return []
    driven = any(log.has("speed") and np.max(np.abs(log["speed"])) > moves and len(log) >= 50 for log in logs)
    if channel == "speed" or not driven or sum(len(log) for log in logs) < 50:
        return []
    value, unit = float(logs[0][channel][0]), si_unit(channel)
    text = f"{channel} is {value:.3g} {unit} in every sample: it measures nothing; check its column in the channel file"
    return [Finding("stuck", (channel,), text)]


def _spikes(channel: str, parts: Sequence[Readings]) -> list[Finding]:
    """Find readings that leap away from both neighbours and back, and those of them that leap to exactly 0."""
    steps = np.concatenate([np.zeros(0), *(np.abs(np.diff(part.values)) for part in parts)])
    if steps.size < 50:
        return []
    # Not a high percentile, which the faults themselves would set; for a channel that mostly stands, its counts.
    usual = float(np.percentile(steps, 80.0)) or quantum(np.concatenate([part.values for part in parts]))
    if usual <= 0.0:
        return []
    power, harm, zeros, leaps, largest = 0.0, 0.0, 0, 0, 0.0
    for part in parts:
        x = part.values
        power += float(np.sum((x - np.mean(x)) ** 2))
        for first, last in _excursions(x, _JUMP * usual):
            base = 0.5 * (x[first - 1] + x[last])
            harm += float(np.sum((x[first:last] - base) ** 2))
            largest = max(largest, float(np.max(np.abs(x[first:last] - base))))
            if np.all(x[first:last] == 0.0):
                zeros += 1
            else:
                leaps += 1
    total = sum(part.values.size for part in parts)
    harmful = harm > _HARMFUL * power and zeros + leaps >= _MANY
    severity = "doubt" if harmful else "finding"
    share = (
        f", {100.0 * min(harm / max(power, 1e-300), 1.0):.0f} % of what the channel varies by"
        if harmful
        else ""
    )
    unit = si_unit(channel)
    found = []
    if zeros:
        text = (
            f"{channel} drops to 0 and back {zeros} time{'s' if zeros > 1 else ''} in {total} readings{share}: messages are lost; "
            "mend the logger or its cable, or cut these moments out"
        )
        found.append(Finding("dropout", (channel,), text, severity))
    if leaps:
        text = (
            f"{channel} leaps away and back {leaps} time{'s' if leaps > 1 else ''} in {total} readings, by up to {largest:.3g} "
            f"{unit}{share}: spikes of the sensor or its bus; mend them, or cut these moments out"
        )
        found.append(Finding("spike", (channel,), text, severity))
    return found


def _excursions(x: Array, least: float) -> list[tuple[int, int]]:
    """Give the runs of up to five readings that begin with a leap and end with one back, as (first, one past last)."""
    step = np.diff(x)
    runs, free = [], 0
    for at in np.flatnonzero(np.abs(step) > least):
        if at < free:
            continue
        for length in range(1, 6):
            end = at + length
            if end >= step.size:
                break
            back = step[end]
            if (
                back * step[at] < 0.0
                and abs(back) > 0.5 * least
                and abs(x[end + 1] - x[at]) < 0.35 * abs(step[at])
            ):
                runs.append((int(at) + 1, int(end) + 1))
                free = end + 1
                break
    return runs


def _stuck(channel: str, parts: Sequence[Readings]) -> list[Finding]:
    """Find where a channel stood still while one that must move with it moved."""
    for companion in _COMPANIONS.get(channel, ()):
        having = [part for part in parts if part.log.has(companion)]
        if not having:
            continue
        longest, moved, when, name = 0.0, 0.0, 0.0, ""
        mine = np.concatenate([part.log[channel] for part in having])
        other = np.concatenate([part.log[companion] for part in having])
        spread, own = float(np.std(other)), float(np.std(mine))
        if companion == "heading" or channel == "heading":
            # A rate belongs to the change of the other: take what the rate itself says.
            spread = float(
                np.std(np.concatenate([_companion(part.log, channel, companion) for part in having]))
            )
        if spread <= 0.0 or own <= 0.0:
            return []
        for log in {id(part.log): part.log for part in having}.values():
            values, time, beside = log[channel], log["time"], _companion(log, channel, companion)
            count, ends = quantum(values), (float(np.min(values)), float(np.max(values)))
            for first, last in _flat_runs(values):
                if values[first] in ends and np.count_nonzero(values == values[first]) > 1.5 * (
                    last - first + 1
                ):
                    continue  # cut off rather than stuck: it comes back to its limit again and again
                if time[last] - time[first] < _STUCK_FOR:
                    continue
                swing = float(np.ptp(np.percentile(beside[first : last + 1], [10.0, 90.0])))
                if swing < _STUCK_MOVES * spread or own / spread * swing < _STUCK_QUANTA * count:
                    continue
                if time[last] - time[first] > longest:
                    longest, moved, when, name = (
                        float(time[last] - time[first]),
                        swing,
                        float(time[first]),
                        log.name,
                    )
        if longest:
            unit = si_unit(companion) if companion != "heading" else "rad/s"
            return [
                Finding(
                    "stuck",
                    (channel,),
                    f"{channel} stands still for {longest:.1f} s (log {name}, from {when:.1f} s) while {companion} moves by "
                    f"{moved:.3g} {unit}: stuck; mend the sensor or its messages, or cut this out",
                )
            ]
        return []
    return []


def _companion(log: Log, channel: str, companion: str) -> Array:
    values = log[companion]
    if companion == "heading":
        return np.gradient(np.unwrap(values), log["time"])
    if channel == "heading":
        # A heading that stands still belongs to a yaw rate of 0.
        return values * max(float(np.median(np.diff(log["time"]))), 1e-9) * 50.0
    return values


def _flat_runs(values: Array) -> list[tuple[int, int]]:
    """Give first and last sample of every run of equal values of ten samples and more."""
    edges = np.flatnonzero(np.concatenate(([True], np.diff(values) != 0.0, [True])))
    return [(int(a), int(b) - 1) for a, b in pairwise(edges) if b - a >= 10]


def _cut_off(channel: str, parts: Sequence[Readings]) -> list[Finding]:
    """Find a largest reading at which the channel stays again and again, though it hardly ever repeats elsewhere."""
    values = np.concatenate([np.zeros(0), *(part.values for part in parts)])
    if values.size < 200:
        return []
    within = (values > np.min(values)) & (values < np.max(values))
    repeats = float(np.mean(np.diff(values[within]) == 0.0)) if np.count_nonzero(within) > 20 else 1.0
    if repeats > 0.3:
        return []
    for side, limit in (("above", float(np.max(values))), ("below", float(np.min(values)))):
        at = (values == limit).astype(int)
        edges = np.diff(np.concatenate(([0], at, [0])))
        lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
        runs = int(np.count_nonzero(lengths >= 3))
        share = float(np.mean(at))
        if (
            runs >= _CUT_RUNS
            and share > max(3.0 * repeats / values.size, 0.002)
            and abs(limit) > 1.5 * np.std(values)
        ):
            text = (
                f"{channel} stays at exactly {limit:.3g} {si_unit(channel)} {runs} times ({100.0 * share:.1f} % of its readings): it "
                f"is cut off {side} by the sensor's range; use a wider range, or drive more gently"
            )
            return [Finding("saturation", (channel,), text, "doubt" if share > 0.01 else "finding")]
    return []
