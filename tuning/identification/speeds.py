"""Where the speed comes from, and below which one a drive tells nothing about steering."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.logs.log import Log

__all__ = ["DIFFERENCE_WINDOW", "SLOW_SHARE", "check_moving", "moving_threshold", "say", "with_speed"]

SLOW_SHARE = 0.1  # of the 95th percentile of the speed: slower samples do not count
_LEAST_THRESHOLD = 0.02  # m/s; below it a wheel sensor tells nothing
DIFFERENCE_WINDOW = 0.03  # s either side over which headings and positions are turned into rates

Array = NDArray[np.float64]


def say(findings: list[str], text: str) -> None:
    """Add a finding unless it stands there already."""
    if text not in findings:
        findings.append(text)


def with_speed(log: Log, findings: list[str]) -> Log:
    """Give the log with a `speed`: measured, or the mean of its wheels, or from its positions along its heading.

    Raises:
        InputError: the log has none of these.
    """
    if log.has("speed"):
        return log
    for axle in ("rear", "front"):  # the rear wheels' mean is the speed of the reference point
        wheels = (f"wheel_speed_{axle}_left", f"wheel_speed_{axle}_right")
        if log.has(*wheels):
            speed = 0.5 * (log[wheels[0]] + log[wheels[1]])
            read = log.read_at(wheels[0]) & log.read_at(wheels[1])
            say(findings, f"the speed was taken as the mean of the {axle} wheels'")
            break
    else:
        if not log.has("x", "y", "heading"):
            raise InputError(
                f"log {log.name!r} has no speed",
                "speed, both rear wheel speeds, or x, y and heading",
                "add a [speed] table to the channel file",
            )
        speed, read = _speed_from_positions(log)
        say(findings, "the speed was taken from the positions, along the heading")
    if not read.any():
        read = np.ones(len(log), dtype=bool)  # wheels that are never read together: held, they still tell it
    fresh = dict(log.fresh) if read.all() else {**log.fresh, "speed": read}
    return Log(log.name, {**log.data, "speed": speed}, log.steering_unit, log.start, log.findings, fresh)


def _speed_from_positions(log: Log) -> tuple[Array, NDArray[np.bool_]]:
    """Give the speed (m/s) and at which samples the positions that tell it were read."""
    time, heading = log["time"], log["heading"]
    speed = np.zeros(len(log))
    read = log.read_at("x") & log.read_at("y")
    for segment in log.segments:
        piece = np.flatnonzero(read[segment]) + segment.start
        t = time[piece]
        half = max(round(DIFFERENCE_WINDOW / float(np.median(np.diff(t)))), 1) if t.size > 1 else 1
        index = np.arange(t.size)
        back, ahead = np.maximum(index - half, 0), np.minimum(index + half, t.size - 1)
        span = np.maximum(t[ahead] - t[back], 1e-9)
        east = (log["x"][piece][ahead] - log["x"][piece][back]) / span
        north = (log["y"][piece][ahead] - log["y"][piece][back]) / span
        if t.size:
            along = east * np.cos(heading[piece]) + north * np.sin(heading[piece])
            speed[segment] = np.interp(time[segment], t, along)
    return speed, read


def check_moving(logs: Sequence[Log]) -> None:
    """Raise `InputError` where none of the logs ever moves forward."""
    fastest = max(float(np.max(log["speed"])) for log in logs)
    if fastest < _LEAST_THRESHOLD:
        raise InputError(
            f"the speed never exceeds {fastest:.3g} m/s",
            "a drive in motion, forward",
            "check the column, unit and sign of the speed in the channel file",
        )


def moving_threshold(logs: Sequence[Log]) -> float:
    """Give the speed (m/s) below which samples do not count: 10 % of the 95th percentile of all speeds."""
    fast = float(np.percentile(np.concatenate([log["speed"] for log in logs]), 95.0))
    return max(SLOW_SHARE * fast, _LEAST_THRESHOLD)
