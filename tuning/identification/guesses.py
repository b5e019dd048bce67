"""First guesses from steady cornering: good enough that the fit starts near, used for nothing else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.identification.records import Recording

__all__ = ["Guess", "first_guess"]

Array = NDArray[np.float64]

_DELAYS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0)  # s, tried for the steering as a whole


@dataclass(frozen=True)
class Guess:
    """What the logs look like without a model.

    Attributes:
        delay: between command and answer, s.
        command: commands that acted at the samples with a measured motion, shape (m,).
        curvature: yaw rate over speed there (1/m), or NaN where no motion is measured, shape (m,).
        angle: measured steering angle there (rad), or NaN, shape (m,).
        speed: there, m/s, shape (m,).
    """

    delay: float
    command: Array
    curvature: Array
    angle: Array
    speed: Array


def first_guess(recording: Recording) -> Guess:
    """Find the delay that lines the command up best with the answer, and pair the two."""
    drives, measured = recording.drives, recording.measured
    angle = measured.get("steering_angle")
    turning = measured.get("yaw_rate")
    sideways = measured.get("lateral_acceleration")
    reference = turning or angle or sideways
    if reference is None:
        raise AssertionError("identifiability is checked before a guess is made")
    at = reference.at
    speed = drives.speed[at]
    if turning is not None:
        curvature = turning.values / speed
    elif sideways is not None:
        curvature = np.interp(drives.time[at], drives.time[sideways.at], sideways.values) / speed**2
        curvature = curvature - np.mean(curvature)
    else:
        curvature = np.full(at.size, np.nan)
    angles = np.full(at.size, np.nan)
    if angle is not None:
        nearest = np.clip(np.searchsorted(angle.at, at), 0, angle.at.size - 1)
        angles = angle.values[nearest]
    answer = angles if angle is not None else curvature
    best, delay, command = -np.inf, 0.0, recording.command[at]
    for trial in _DELAYS:
        acted = _delayed(recording, at, trial)
        alike = _correlation(acted, answer)
        if alike > best:
            best, delay, command = alike, trial, acted
    return Guess(delay, command, curvature, angles, speed)


def _delayed(recording: Recording, at: NDArray[np.int64], delay: float) -> Array:
    """Give the command that was held `delay` seconds before each sample, within its recording."""
    drives = recording.drives
    result = np.empty(at.size)
    for start in np.unique(drives.first):
        inside = drives.first[at] == start
        times = drives.time[drives.first == start]
        index = np.searchsorted(times, drives.time[at[inside]] - delay, side="right") - 1
        result[inside] = recording.command[start + np.maximum(index, 0)]
    return result


def _correlation(a: Array, b: Array) -> float:
    if np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return -np.inf
    return float(np.corrcoef(a, b)[0, 1])
