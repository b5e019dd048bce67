"""What every longitudinal fit looks for, by a speed loop and by positions, with first guesses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.identification.records import Recording
from tuning.identification.speed_effects import always_tried
from tuning.identification.unknowns import Unknown

__all__ = ["NO_LIMIT", "loop_unknowns", "position_unknowns"]

Array = NDArray[np.float64]

NO_LIMIT = 50.0  # m/s², the largest that a vehicle file takes
_WINDOW = 0.5  # s over which the first guess of an acceleration is taken


def loop_unknowns() -> list[Unknown]:
    return [
        Unknown("drive.dead_time", "s", 0.0, 2.0, 0.2),
        Unknown("drive.lag", "s", 0.02, 5.0, 0.4, True),
        Unknown("drive.brake_dead_time", "s", 0.0, 2.0, 0.15),
        Unknown("drive.brake_lag", "s", 0.02, 5.0, 0.3, True),
        Unknown("drive.speed_gain", "1/s", 0.02, 10.0, 0.8, True),
    ]


def position_unknowns(recording: Recording) -> list[Unknown]:
    """Give what every vehicle by positions has, the strengths guessed from the quickest changes of speed."""
    change = _changes(recording)
    throttle, brake = recording.throttle, recording.brake
    assert throttle is not None
    assert brake is not None
    most = max(float(np.percentile(change, 99.0)), 0.1) / max(float(np.percentile(throttle, 99.0)), 0.05)
    least = max(float(-np.percentile(change, 1.0)), 0.1) / max(float(np.percentile(brake, 99.0)), 0.05)
    return [
        Unknown("drive.dead_time", "s", 0.0, 2.0, 0.1),
        Unknown("drive.lag", "s", 0.01, 5.0, 0.2, True),
        Unknown("drive.acceleration_limit", "m/s²", 0.05, NO_LIMIT, 2.0, True).at(most),
        Unknown("drive.brake_dead_time", "s", 0.0, 2.0, 0.1),
        Unknown("drive.brake_lag", "s", 0.01, 5.0, 0.2, True),
        Unknown("drive.deceleration_limit", "m/s²", 0.05, NO_LIMIT, 4.0, True).at(least),
        *(u for effect in always_tried(recording) for u in effect.unknowns),
    ]


def _changes(recording: Recording) -> Array:
    """Give the accelerations over a short window at all samples, m/s², shape (n,)."""
    drives = recording.drives
    change = np.zeros(drives.time.size)
    for begin in np.unique(drives.first):
        own = drives.first == begin
        time, speed = drives.time[own], drives.speed[own]
        ends = np.clip([time - 0.5 * _WINDOW, time + 0.5 * _WINDOW], time[0], time[-1])
        change[own] = np.diff(np.interp(ends, time, speed), axis=0)[0] / np.diff(ends, axis=0)[0]
    return change
