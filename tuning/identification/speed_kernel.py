"""Drive, brake and resistance along a recorded drive, compiled; commands act as in `kernels`, each pedal's on its own.

What a steered or banked body loses besides is not here.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from tracks.one_source import array_loop, equation
from tuning.identification.kernels import SAME_TIME, Drives, goes_on
from tuning.identification.speed_motion import (
    Commanded,
    Moving,
    inputs_at,
    longest_step,
    shown,
    speed_dot,
    started,
    state_of,
    step_on,
)
from tuning.vehicle.drive import brake_position_demand, demands, throttle_demand
from tuning.vehicle.resistance import GRAVITY
from tuning.vehicle.state import Surroundings

__all__ = ["DRIVING_ON", "ROWS", "Commanded", "position_demands", "speed_answer"]

DRIVING_ON: Final = -1.0  # in `Commanded.anew` where the simulation goes on

ROWS: Final = 5  # of an answer


@array_loop
def position_demands(p, throttle, brake):
    """Give what positions of throttle and brake (0 to 1, shape (n,)) ask for, two arrays of shape (n,), m/s²."""
    asked, braked = np.empty_like(throttle), np.empty_like(throttle)
    for i in range(throttle.size):
        asked[i] = throttle_demand(p, throttle[i])
        braked[i] = brake_position_demand(p, brake[i])
    return asked, braked


@equation
def _newest(drives: Drives, following, at, dead_time, moment):
    """Move `at` on to the sample whose command acts at `moment`; `following` is the next one with another command."""
    while following[at] < drives.time.size and drives.time[following[at]] + dead_time <= moment + SAME_TIME:
        at = following[at]
    return at


@equation
def _effect(drives: Drives, following, at, dead_time):
    """Give the moment (s) at which another command comes into effect; infinite where none does."""
    return drives.time[following[at]] + dead_time if following[at] < drives.time.size else np.inf


@equation
def _reached(drives: Drives, commanded: Commanded, i, until):
    """Give the last sample that a single step from sample i may reach, at least the next one."""
    j = i + 1
    while goes_on(drives, j) and commanded.anew[j] == DRIVING_ON and drives.time[j + 1] <= until + SAME_TIME:
        j += 1
    return j


@equation
def _between(answer, drives: Drives, lag, i, j, slope, arrived, arriving):
    """Fill the samples between i and j, over which one step led, by the cubic of both ends' speeds and slopes."""
    span = drives.time[j] - drives.time[i]
    before = answer[0, i]
    for k in range(i + 1, j):
        u = (drives.time[k] - drives.time[i]) / span
        rise = arrived - before
        answer[0, k] = (
            before
            + u * u * (3.0 - 2.0 * u) * rise
            + span * u * (1.0 - u) * ((1.0 - u) * slope - u * arriving)
        )
        answer[1, k], answer[2, k] = answer[1, i], answer[2, i]
        step = drives.time[k] - drives.time[k - 1]
        answer[3, k] = shown(answer[3, k - 1], answer[0, k - 1], answer[0, k], step, lag)
        answer[4, k] = answer[4, i] + u * (arriving - slope)


@array_loop
def speed_answer(p, dead_drive, dead_brake, drives: Drives, commanded: Commanded):
    """Simulate drive, brake and speed, each recording from its measured speed.

    Args:
        p: PlantParameters.
        dead_drive, dead_brake: s; below 0, by no more than the time between two samples, where the log stamps a
            command later than it was sent.
        drives: the recordings.
        commanded: what they ask for.

    Returns:
        Array of shape (ROWS, n): speed (m/s), what is asked of the drive (m/s², ≥ 0) and of the brake (≤ 0), the
        speed as its sensor shows it (m/s), and what an accelerometer along the vehicle's x axis shows (m/s²).
    """
    n = drives.time.size
    answer = np.empty((ROWS, n))
    moving, seen = Moving(0.0, 0.0, 0.0, 0.0, 0.0), 0.0
    at = late = i = 0
    while i < n:
        around = Surroundings(1.0, commanded.grade[i], 0.0, 0.0)
        if drives.first[i] == i:
            at = late = i
            first = drives.speed[i] if commanded.anew[i] == DRIVING_ON else commanded.anew[i]
            moving = started(p, commanded, first, i)
            seen = moving.speed
        elif commanded.anew[i] != DRIVING_ON:
            seen += commanded.anew[i] - moving.speed
            moving = Moving(commanded.anew[i], moving.drive, moving.brake, moving.integral, moving.pedal)
        inputs = inputs_at(commanded, at, late)
        slope = speed_dot(p, moving, inputs, around)
        answer[1, i], answer[2, i] = demands(p, state_of(moving), inputs)
        answer[0, i], answer[3, i] = moving.speed, seen
        # The sensor's mass feels the grade too.
        answer[4, i] = slope + GRAVITY * np.sin(around.grade)
        if not goes_on(drives, i):
            i += 1
            continue
        moment, before = drives.time[i], moving.speed
        at = _newest(drives, commanded.following, at, dead_drive, moment)
        late = _newest(drives, commanded.following, late, dead_brake, moment)
        effect = min(
            _effect(drives, commanded.following, at, dead_drive),
            _effect(drives, commanded.following, late, dead_brake),
        )
        longest = longest_step(p, before)
        j = _reached(drives, commanded, i, min(moment + longest, effect))
        end = drives.time[j]
        while moment < end - SAME_TIME:
            at = _newest(drives, commanded.following, at, dead_drive, moment)
            late = _newest(drives, commanded.following, late, dead_brake, moment)
            until = min(end, _effect(drives, commanded.following, at, dead_drive))
            until = min(until, _effect(drives, commanded.following, late, dead_brake))
            inputs = inputs_at(commanded, at, late)
            count = int(np.ceil((until - moment) / longest - 1e-6))
            for _ in range(count):
                moving = step_on(p, moving, inputs, around, (until - moment) / count)
            moment = until
        if j > i + 1:
            arriving = speed_dot(p, moving, inputs, around)
            _between(answer, drives, commanded.sensor_lag, i, j, slope, moving.speed, arriving)
        step = end - drives.time[j - 1]
        seen = shown(answer[3, j - 1], answer[0, j - 1], moving.speed, step, commanded.sensor_lag)
        i = j
    return answer
