"""The drives of the demo: what is commanded at each moment to learn how the shuttle answers.

A manoeuvre is a function of time (s) that gives curvature (1/m, + left), speed (m/s) and acceleration (m/s²).
Lateral acceleration stays within 2 m/s², what a trained driver alone aboard does in an empty, closed yard.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

__all__ = ["MANOEUVRES", "Manoeuvre"]

Command = tuple[float, float, float]


class Manoeuvre(NamedTuple):
    """One drive: its length (s), the speed at its start (m/s), and the command at each time."""

    seconds: float
    start_speed: float
    command: Callable[[float], Command]


def _held(time: float, pieces: list[tuple[float, float]]) -> float:
    """Give the value in force: pieces of (seconds, value), the last one kept."""
    for seconds, value in pieces:
        if time < seconds:
            return value
        time -= seconds
    return pieces[-1][1]


def _ramped(time: float, points: list[tuple[float, float]]) -> tuple[float, float]:
    """Give value and slope of a line through (time, value); two points at one time are a step."""
    for (t0, v0), (t1, v1) in itertools.pairwise(points):
        if time < t1:
            slope = (v1 - v0) / (t1 - t0)
            return v0 + slope * (time - t0), slope
    return points[-1][1], 0.0


def _speed_blocks(time: float) -> tuple[float, float, float]:
    """Give speed, acceleration and time in the block of three blocks of 20 s at 3, 5 and 8 m/s."""
    speed, acceleration = _ramped(
        time, [(0.0, 3.0), (20.0, 3.0), (22.5, 5.0), (40.0, 5.0), (43.75, 8.0), (62.0, 8.0)]
    )
    return speed, acceleration, time % 20.0


def steering_steps(time: float) -> Command:
    """Steps of curvature to both sides at three speeds."""
    speed, acceleration, inside = _speed_blocks(time)
    size = _held(time, [(20.0, 0.100), (20.0, 0.060), (20.0, 0.028)])
    share = _held(
        inside, [(5.0, 0.0), (3.0, 1.0), (3.0, -1.0), (2.5, 0.5), (2.0, -0.3), (2.5, -1.0), (2.0, 0.0)]
    )
    return size * share, speed, acceleration


def steering_sweep(time: float) -> Command:
    """A sine of curvature from 0.1 to 1.6 Hz at three speeds; its fast end meets the steering's rate limit."""
    speed, acceleration, inside = _speed_blocks(time)
    size = _held(time, [(20.0, 0.045), (20.0, 0.028), (20.0, 0.018)])
    swept = max(inside - 4.0, 0.0)
    phase = 2.0 * np.pi * (0.1 * swept + 1.5 / (2.0 * 15.5) * swept**2)
    return size * float(np.sin(phase)) if inside < 19.5 else 0.0, speed, acceleration


def speed_steps(time: float) -> Command:
    """Speed in steps and in ramps with feed-forward, up and down, from rest to rest, with a slight weave."""
    points = [
        *((0.0, 0.0), (2.0, 0.0), (2.0, 4.0), (10.0, 4.0), (15.0, 8.0), (22.0, 8.0), (22.0, 3.0), (29.0, 3.0)),
        *((29.0, 6.0), (36.0, 6.0), (38.5, 2.0), (43.0, 2.0), (48.0, 7.0), (53.0, 7.0), (56.5, 0.0), (62.0, 0.0)),
    ]  # fmt: skip
    speed, acceleration = _ramped(time, points)
    return 0.006 * float(np.sin(2.0 * np.pi * 0.15 * time)), speed, acceleration


def free_driving(time: float) -> Command:
    """Bends of every length at changing speed, as on the campus: for checking, not for fitting."""
    speed, acceleration = _ramped(
        time,
        [
            *((0.0, 4.0), (8.0, 4.0), (12.0, 7.0), (22.0, 7.0), (25.0, 3.5), (34.0, 3.5), (40.0, 8.0)),
            *((52.0, 8.0), (54.5, 5.0), (60.0, 5.0), (62.0, 6.0), (66.0, 6.0)),
        ],
    )
    waves = ((0.061, 0.5, 0.3), (0.137, 0.6, 1.9), (0.283, 0.45, 4.0), (0.523, 0.25, 0.8), (0.911, 0.1, 2.6))
    lateral = sum(size * np.sin(2.0 * np.pi * pitch * time + phase) for pitch, size, phase in waves)
    begun = min(time / 2.0, 1.0)  # from straight driving
    return begun * float(lateral) / max(speed, 3.5) ** 2, speed, acceleration


MANOEUVRES: dict[str, Manoeuvre] = {
    "steering_steps.csv": Manoeuvre(60.0, 3.0, steering_steps),
    "steering_sweep.csv": Manoeuvre(60.0, 3.0, steering_sweep),
    "speed_steps.parquet": Manoeuvre(60.0, 0.0, speed_steps),
    "free_driving.csv": Manoeuvre(66.0, 4.0, free_driving),
}
