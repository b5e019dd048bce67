"""Logs on an even clock and evenly smoothed, so that channels of any rate can be laid beside each other.

Every channel gets the same symmetrical smoothing, which shifts nothing in time and leaves linear relations between
channels as they are. A channel that is sampled and held is joined by straight lines between its fresh readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tuning.logs.log import Log

__all__ = ["Stretch", "evenly", "fresh_readings", "heading_period", "joined_by_lines", "moving", "usual_step"]

Array = NDArray[np.float64]

# Judgements, no source.
_LEAST_STEP = 0.02  # s: quicker logs are thinned out, which costs nothing below some 5 Hz
_SMOOTHING = 0.15  # s, standard deviation of the Gaussian window; longer where a channel is fresh more rarely
_SHORTEST = 3.0  # s: shorter stretches between gaps are left out
_HELD_SHARE = 0.67  # of samples that change; fewer changes mean a signal that is sampled and held
_LONGEST_HOLD = (
    3.0  # times the usual time between changes: until then a value that stays is held, not constant
)
_EARTH = 6371008.8  # m, mean radius of the Earth (IUGG 1980)


@dataclass(frozen=True)
class Stretch:
    """An uninterrupted stretch of a log on an even clock, every array of shape (m,), SI.

    Attributes:
        log: the number of its log among those given.
        start: time of its first sample on the log's clock, s. step: between samples, s, the same for all stretches.
        values: smoothed channels by quantity; heading unwrapped.
        rates: smoothed derivatives with respect to time of speed, yaw rate, heading, x and y.
        bends: smoothed second derivatives of x and y, m/s².
        speed: along the vehicle, m/s; taken from wheels or positions where the log holds none, else zeros.
    """

    log: int
    start: float
    step: float
    values: dict[str, Array]
    rates: dict[str, Array]
    bends: dict[str, Array]
    speed: Array

    def has(self, *quantities: str) -> bool:
        """Say whether the stretch holds all of these quantities."""
        return all(name in self.values for name in quantities)


def fresh_readings(values: Array, read: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Give the samples that are fresh readings: all of them, or only the changes of a signal that is held.

    Args:
        values: a channel without gaps, shape (n,).
        read: at which samples it was read, where its log knows, shape (n,).
    """
    if read is not None and not np.all(read):
        return np.flatnonzero(read)
    changed = np.append(True, np.diff(values) != 0.0)
    count = int(np.count_nonzero(changed))
    if count < 8:
        return np.arange(values.size)
    usual = float(np.median(np.diff(np.flatnonzero(changed))))
    if usual <= 1.0:
        return np.arange(values.size)
    return np.flatnonzero(changed)


def usual_step(log: Log) -> float:
    """Give the median time between readings of the quantity that is read most often, s.

    Not between samples: where clocks are merged, stamps of two of them may stand as close as one likes.
    """
    time = log["time"]
    steps = [
        float(np.median(np.diff(time[read])))
        for read in map(log.read_at, log.data)
        if np.count_nonzero(read) > 1
    ]
    return min(steps)


def joined_by_lines(time: Array, values: Array, read: NDArray[np.bool_] | None = None) -> Array:
    """Give a signal that is sampled and held as straight lines between its fresh readings, shape (n,)."""
    fresh = fresh_readings(values, read)
    if fresh.size == values.size or fresh.size < 3:
        return values
    if read is not None and not np.all(read):
        return np.interp(time, time[fresh], values[fresh])
    longest = _LONGEST_HOLD * float(np.median(np.diff(time[fresh])))
    # A long hold keeps its value until shortly before the next reading.
    late = fresh[1:][np.diff(time[fresh]) > longest] - 1
    knots = np.union1d(fresh, late)
    return np.interp(time, time[knots], values[knots])


def heading_period(heading: Array) -> float:
    """Give what a full turn counts in a heading: 2π, or 360 where it jumps by that although labelled rad."""
    jumps = np.abs(np.diff(heading))
    return 360.0 if np.any((jumps > 300.0) & (jumps < 420.0)) else 2.0 * np.pi


def evenly(logs: Sequence[Log]) -> list[Stretch]:
    """Lay logs on one even clock, stretch by stretch between the gaps of their own.

    The step is the median one of the logs, at least 20 ms.
    """
    step = max(float(np.median([usual_step(log) for log in logs])), _LEAST_STEP)
    width = max(_SMOOTHING, min(_slowest(logs), 0.4), 1.5 * step) / step
    found: list[Stretch] = []
    for number, log in enumerate(logs):
        for piece in log.segments:
            time = log["time"][piece]
            if time.size >= 8 and time[-1] - time[0] >= max(_SHORTEST, 10.0 * step):
                found.append(_stretch(number, log, piece, step, width))
    return found


def _slowest(logs: Sequence[Log]) -> float:
    """Give the longest median time (s) between fresh readings of a channel that varies throughout."""
    longest = 0.0
    for log in logs:
        for name, values in log.data.items():
            if name == "time" or name.endswith("command"):
                continue
            fresh = fresh_readings(values, log.read_at(name))
            if 50 <= fresh.size < values.size:
                longest = max(longest, float(np.median(np.diff(log["time"][fresh]))))
    return longest


def _stretch(number: int, log: Log, piece: slice, step: float, width: float) -> Stretch:
    time = log["time"][piece]
    grid = np.arange(time[0], time[-1], step)
    raw: dict[str, Array] = {}
    for name, samples in log.data.items():
        if name == "time":
            continue
        values = samples[piece]
        if name == "heading":
            values = np.unwrap(values, period=heading_period(values))
        if not name.endswith("command"):
            values = joined_by_lines(time, values, log.read_at(name)[piece])
        raw[name] = np.interp(grid, time, values)
    if "latitude" in raw and "longitude" in raw and "x" not in raw:
        raw |= _on_the_plane(raw["latitude"], raw["longitude"])
    values = {name: gaussian_filter1d(x, width, mode="nearest") for name, x in raw.items()}
    rates = {
        name: gaussian_filter1d(raw[name], width, order=1, mode="nearest") / step
        for name in ("speed", "yaw_rate", "heading", "x", "y", "steering_angle")
        if name in raw
    }
    bends = {
        name: gaussian_filter1d(raw[name], width, order=2, mode="nearest") / step**2
        for name in ("x", "y")
        if name in raw
    }
    speed = _speed(values, rates, grid.size)
    if "speed" not in rates:
        rates["speed"] = np.gradient(speed, step)
    return Stretch(number, float(time[0]), step, values, rates, bends, speed)


def _on_the_plane(latitude: Array, longitude: Array) -> dict[str, Array]:
    """Give positions east and north of the first one, m: good to 1e-4 within some kilometres."""
    east = _EARTH * np.cos(latitude[0]) * (longitude - longitude[0])
    return {"x": east, "y": _EARTH * (latitude - latitude[0])}


def _speed(values: Mapping[str, Array], rates: Mapping[str, Array], size: int) -> Array:
    if "speed" in values:
        return values["speed"]
    for axle in ("rear", "front"):
        wheels = [f"wheel_speed_{axle}_{side}" for side in ("left", "right")]
        if all(wheel in values for wheel in wheels):
            return 0.5 * (values[wheels[0]] + values[wheels[1]])
    if "x" in rates and "y" in rates:
        if "heading" in values:
            return rates["x"] * np.cos(values["heading"]) + rates["y"] * np.sin(values["heading"])
        return np.hypot(rates["x"], rates["y"])
    return np.zeros(size)


def moving(stretches: Sequence[Stretch]) -> float:
    """Give the speed (m/s) above which a vehicle counts as moving: a tenth of its 95th percentile, 0.05 m/s at least."""
    if not stretches:
        return 0.05
    speeds = np.abs(np.concatenate([stretch.speed for stretch in stretches]))
    return max(0.1 * float(np.percentile(speeds, 95.0)), 0.05)
