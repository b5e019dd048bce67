"""How fine, how quick and how true at rest a channel is: its counts, its rate, and the offset of a gyro."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.logs.log import Log
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import fresh_readings
from tuning.logs.units import si_unit

__all__ = ["Readings", "coarse", "offset_at_rest", "quantum", "readings_of", "slow"]

Array = NDArray[np.float64]

# Judgements, no source.
_COARSE = 0.25  # of the signal's standard deviation
_OFFSET = 0.002  # rad/s
_STANDSTILL = 0.02  # m/s
_STANDSTILL_TIME = 1.0  # s
_UNRESOLVED = 0.3  # of the power of changes of fresh readings that a straight line between neighbours misses


@dataclass(frozen=True)
class Readings:
    """Fresh readings of one channel in one stretch without gaps: time (s) and values, each of shape (m,)."""

    log: Log
    piece: slice
    time: Array
    values: Array


def readings_of(log: Log, channel: str) -> Iterator[Readings]:
    for piece in log.segments:
        values, time = log[channel][piece], log["time"][piece]
        if channel == "heading":
            values = np.unwrap(values)
        fresh = fresh_readings(values, log.read_at(channel)[piece])
        if fresh.size >= 20:
            yield Readings(log, piece, time[fresh], values[fresh])


def quantum(values: Array) -> float:
    """Give the smallest step between readings, 0 where they all are equal."""
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-12 * max(float(np.max(np.abs(values))), 1e-300)]
    return float(np.min(steps)) if steps.size else 0.0


def coarse(channel: str, parts: Sequence[Readings]) -> list[Finding]:
    if channel in ("heading", "x", "y"):
        return []
    values = np.concatenate([np.zeros(0), *(part.values for part in parts)])
    if values.size < 50:
        return []
    count, spread = quantum(np.sort(values)), float(np.std(values))
    if spread <= 0.0 or count < _COARSE * spread or np.unique(values).size > 40:
        return []
    text = (
        f"{channel} is counted in steps of {count:.3g} {si_unit(channel)}, {100.0 * count / spread:.0f} % of what it varies by: log "
        "it finer, or drive so that it moves more"
    )
    return [Finding("resolution", (channel,), text, "finding")]


def slow(channel: str, parts: Sequence[Readings]) -> list[Finding]:
    """Find channels that change so much between fresh readings that what happened in between is unknown."""
    if channel not in ("yaw_rate", "steering_angle"):
        return []
    missed, changed, apart = 0.0, 0.0, []
    for part in parts:
        x = part.values
        if x.size < 50:
            continue
        middle = x[1:-1] - 0.5 * (x[2:] + x[:-2])
        # White noise of the sensor would be missed as well: only what is large beside it counts.
        noise = float(np.median(np.abs(middle))) / 0.6745
        if np.std(x) < 4.0 * noise:
            continue
        missed += float(np.sum(np.maximum(middle**2 - 3.0 * noise**2, 0.0)))
        changed += float(np.sum((x - np.mean(x)) ** 2))
        apart.append(float(np.median(np.diff(part.time))))
    if not apart or changed <= 0.0 or missed < _UNRESOLVED * changed or max(apart) < 0.04:
        return []
    text = (
        f"{channel} is fresh every {max(apart):.2g} s only, and {100.0 * missed / changed:.0f} % of what it varies by happens between "
        "neighbouring readings: log it faster, or delays and damping cannot be told apart"
    )
    return [Finding("rate", (channel,), text, "finding")]


def offset_at_rest(logs: Sequence[Log]) -> list[Finding]:
    """Give what the gyro shows at standstill."""
    worst, name = 0.0, ""
    for log in logs:
        if not log.has("yaw_rate", "speed"):
            continue
        still = np.abs(log["speed"]) < _STANDSTILL
        seconds = float(np.sum(np.diff(log["time"], append=log["time"][-1])[still]))
        if seconds < _STANDSTILL_TIME or np.count_nonzero(still) < 20:
            continue
        offset = float(np.median(log["yaw_rate"][still]))
        if abs(offset) > max(_OFFSET, abs(worst)):
            worst, name = offset, log.name
    if not worst:
        return []
    text = (
        f"yaw_rate is {worst:+.2g} rad/s ({np.degrees(worst):+.2g} deg/s) at standstill (log {name}): an offset of the gyro; "
        "identification takes it off, other uses must"
    )
    return [Finding("offset", ("yaw_rate",), text, "finding")]
