"""What the vehicle reports: a pose that may be old, off or missing, and odometry in steps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation, select
from tuning.simulation.script import Situation

__all__ = ["NewestFix", "Sensed", "new_fix", "quantised", "sense"]

# Slots of the newest fix.
_TRUE_AT, _X, _Y, _HEADING = range(4)

NewestFix = np.ndarray  # shape (4,): when it was true, s, and its error in x, y (m) and heading (rad)


class Sensed(NamedTuple):
    """A measurement, in the order in which the tracker takes it; units as in `tracker.Measurement`."""

    time: float
    x: float
    y: float
    heading: float
    speed: float
    yaw_rate: float
    steering_angle: float
    pose_age: float


def new_fix() -> NewestFix:
    """Give the newest fix at the start of a run: true at 0 s, without error."""
    return np.zeros(4)


@equation
def quantised(value, step):
    """Give a value as a sensor with steps of this size reports it, rounded; a step of 0 leaves it."""
    size = select(step > 0.0, step, 1.0)
    return select(step > 0.0, size * np.floor(value / size + 0.5), value)


@equation
def _between(series: np.ndarray, j, k, share):
    return series[j] + share * (series[k] - series[j])


@equation
def sense(
    time: np.ndarray, x: np.ndarray, y: np.ndarray, heading: np.ndarray, speed: np.ndarray, yaw_rate: np.ndarray,
    steering_angle: np.ndarray, i, rate, fix_time, noise: np.ndarray, row, stamped, fix: np.ndarray,
    situation: Situation, steering_step, speed_step,
):  # fmt: skip
    """Give what is `Sensed` at recording i.

    Args:
        time, x, ..., steering_angle: recordings so far.
        i: of now. rate: recordings a second.
        fix_time: when the newest pose was true, s. noise: its error is row `row` of it.
        stamped: 1.0 where the age of a pose is told.
        fix: the newest fix; written, unless the localisation is lost.
        situation: of now.
        steering_step, speed_step: of the sensors, rad and m/s; 0 without steps.
    """
    now = float(time[i])
    if situation.localisation_lost == 0.0:
        fix[_TRUE_AT] = fix_time
        fix[_X] = noise[row, 0] + situation.jump_x
        fix[_Y] = noise[row, 1] + situation.jump_y
        fix[_HEADING] = noise[row, 2] + situation.jump_heading
    age = now - fix[_TRUE_AT]
    # The pose at that time, linearly between recordings.
    at = np.maximum(float(i) - age * rate, 0.0)
    j = min(int(at), max(i - 1, 0))
    share = at - j
    k = min(j + 1, i)
    told = age if stamped > 0.0 or situation.localisation_lost > 0.0 else 0.0
    return Sensed(
        now,
        _between(x, j, k, share) + fix[_X],
        _between(y, j, k, share) + fix[_Y],
        _between(heading, j, k, share) + fix[_HEADING],
        quantised(speed[i], speed_step),
        float(yaw_rate[i]),
        quantised(steering_angle[i], steering_step),
        told,
    )
