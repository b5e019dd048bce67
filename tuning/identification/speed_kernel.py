"""Drive, brake and resistance along a recorded drive, compiled: the vehicle's own equations, driving forwards.

Commands act as in `kernels`, those of drive and brake each on its own. What a steered or banked body loses besides is
not here.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from tracks.one_source import array_loop, equation
from tuning.identification.kernels import LONGEST_STEP, SAME_TIME, Drives, goes_on
from tuning.vehicle.drive import (
    brake_position_demand,
    demands,
    drive_derivative,
    integral_derivative,
    pedal_after,
    throttle_demand,
    thrust,
)
from tuning.vehicle.resistance import GRAVITY, along, resistance
from tuning.vehicle.state import Inputs, State, Surroundings

__all__ = ["DRIVING_ON", "ROWS", "Commanded", "position_demands", "speed_answer"]

DRIVING_ON: Final = -1.0  # in `Commanded.anew` where the simulation goes on

ROWS: Final = 5  # of an answer

# s. Away from standstill the lags are the fastest: a step of a quarter of them leaves RK4 an error of 1e-5. Few steps
# to choose among: where the number of steps changes with a lag, its derivative by differences is wrong.
_STEPS: Final = (2.0 * LONGEST_STEP, 4.0 * LONGEST_STEP, 8.0 * LONGEST_STEP)
_QUICKEST: Final = 4.0  # steps in a lag
_ROLLING_ON: Final = (
    1.0  # m/s, above which brake and rolling resistance are far from fading out at standstill
)


class Commanded(NamedTuple):
    """What the recordings ask of drive and brake, arrays of shape (n,).

    Attributes:
        loop: 1.0 the vehicle's speed loop is closed; 0.0 the demands are what positions ask for.
        speed: speed command, m/s; above 0 with an open loop: its sign is the gear.
        drive, brake: feed-forward of the loop, or demands, m/s².
        grade: of the road, rad, + uphill.
        anew: a speed (m/s) from which the simulation starts anew at a sample, or `DRIVING_ON`.
        following: the next sample of the recording with another command, or n; integers.
        sensor_lag: first-order lag of the speed sensor, s; 0.0 without.
    """

    loop: float
    speed: np.ndarray
    drive: np.ndarray
    brake: np.ndarray
    grade: np.ndarray
    anew: np.ndarray
    following: np.ndarray
    sensor_lag: float


class _Moving(NamedTuple):
    """What the simulation integrates."""

    speed: float  # m/s
    drive: float  # m/s²
    brake: float  # m/s²
    integral: float  # m/s²
    pedal: float


@array_loop
def position_demands(p, throttle, brake):
    """Give what positions of throttle and brake (0 to 1, shape (n,)) ask for, two arrays of shape (n,), m/s²."""
    asked, braked = np.empty_like(throttle), np.empty_like(throttle)
    for i in range(throttle.size):
        asked[i] = throttle_demand(p, throttle[i])
        braked[i] = brake_position_demand(p, brake[i])
    return asked, braked


@equation
def _state(moving: _Moving):
    return State(
        0.0, 0.0, 0.0, moving.speed, 0.0, 0.0, 0.0, 0.0, moving.drive, moving.brake, 0.0, 0.0,
        moving.integral, 0.0, moving.pedal,
    )  # fmt: skip


@equation
def _inputs(commanded: Commanded, at, late):
    """Give the inputs where the command of sample `at` acts at the drive and that of `late` at the brake."""
    return Inputs(
        0.0,
        commanded.speed[at],
        commanded.drive[at],
        commanded.speed[late],
        commanded.brake[late],
        commanded.loop,
        1.0,
    )


@equation
def _speed_dot(p, moving: _Moving, inputs, around):
    drive, brake = thrust(p, _state(moving), inputs, around)
    return along(p, around, moving.speed, drive, brake)


@equation
def _slope(p, moving: _Moving, inputs, around):
    state = _state(moving)
    asked, braked = demands(p, state, inputs)
    drive_dot, brake_dot = drive_derivative(p, asked, braked, moving.drive, moving.brake)
    # Without them the integral stays 0, and the pedal in charge does not matter.
    rising = integral_derivative(p, state, inputs) if p.speed_integral_gain > 0.0 else 0.0
    return _Moving(_speed_dot(p, moving, inputs, around), drive_dot, brake_dot, rising, 0.0)


@equation
def _moved(moving: _Moving, slope: _Moving, h):
    return _Moving(
        moving.speed + h * slope.speed,
        moving.drive + h * slope.drive,
        moving.brake + h * slope.brake,
        moving.integral + h * slope.integral,
        moving.pedal,
    )


@equation
def _step(p, moving: _Moving, inputs, around, h):
    """Give what moves after a step of h (s) by RK4, commands held over it."""
    total, point = moving, moving
    for stage in range(4):
        slope = _slope(p, point, inputs, around)
        total = _moved(total, slope, h / 6.0 if stage == 0 or stage == 3 else h / 3.0)
        point = _moved(moving, slope, h if stage == 2 else 0.5 * h)
    pedal = pedal_after(p, _state(total), inputs) if p.hand_over > 0.0 else 0.0
    return _Moving(total.speed, total.drive, total.brake, total.integral, pedal)


@equation
def _longest(p, speed):
    """Give the longest step (s) from a speed (m/s) on."""
    lag = min(p.drive_lag, p.brake_lag)
    longest = LONGEST_STEP
    for step in _STEPS:
        longest = step if speed > _ROLLING_ON and lag >= _QUICKEST * step else longest
    return longest


@equation
def _started(p, commanded: Commanded, speed, i):
    """Give what moves at the start of a recording: steady drive and brake, those that hold the speed or are asked for."""
    around = Surroundings(1.0, commanded.grade[i], 0.0, 0.0)
    pull = resistance(p, around, speed)
    integral = -pull if p.speed_integral_gain > 0.0 else 0.0
    drive, brake = max(-pull, 0.0), min(-pull, 0.0)
    if commanded.loop == 0.0:
        resting = _Moving(speed, 0.0, 0.0, 0.0, 0.0)
        drive, brake = demands(p, _state(resting), _inputs(commanded, i, i))
        drive, brake = p.drive_gain * drive, p.brake_gain * brake
    return _Moving(speed, drive, brake, integral, 0.0)


@equation
def _seen(seen, before, after, span, lag):
    """Give what a first-order sensor shows after a span (s) over which the speed goes from `before` to `after`."""
    if lag <= 0.0:
        return after
    ramp = (after - before) / span
    return after - ramp * lag + (seen - before + ramp * lag) * np.exp(-span / lag)


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
        answer[3, k] = _seen(answer[3, k - 1], answer[0, k - 1], answer[0, k], step, lag)
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
    moving, seen = _Moving(0.0, 0.0, 0.0, 0.0, 0.0), 0.0
    at = late = i = 0
    while i < n:
        around = Surroundings(1.0, commanded.grade[i], 0.0, 0.0)
        if drives.first[i] == i:
            at = late = i
            first = drives.speed[i] if commanded.anew[i] == DRIVING_ON else commanded.anew[i]
            moving = _started(p, commanded, first, i)
            seen = moving.speed
        elif commanded.anew[i] != DRIVING_ON:
            seen += commanded.anew[i] - moving.speed
            moving = _Moving(commanded.anew[i], moving.drive, moving.brake, moving.integral, moving.pedal)
        inputs = _inputs(commanded, at, late)
        slope = _speed_dot(p, moving, inputs, around)
        answer[1, i], answer[2, i] = demands(p, _state(moving), inputs)
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
        longest = _longest(p, before)
        j = _reached(drives, commanded, i, min(moment + longest, effect))
        end = drives.time[j]
        while moment < end - SAME_TIME:
            at = _newest(drives, commanded.following, at, dead_drive, moment)
            late = _newest(drives, commanded.following, late, dead_brake, moment)
            until = min(end, _effect(drives, commanded.following, at, dead_drive))
            until = min(until, _effect(drives, commanded.following, late, dead_brake))
            inputs = _inputs(commanded, at, late)
            count = int(np.ceil((until - moment) / longest - 1e-6))
            for _ in range(count):
                moving = _step(p, moving, inputs, around, (until - moment) / count)
            moment = until
        if j > i + 1:
            arriving = _speed_dot(p, moving, inputs, around)
            _between(answer, drives, commanded.sensor_lag, i, j, slope, moving.speed, arriving)
        step = end - drives.time[j - 1]
        seen = _seen(answer[3, j - 1], answer[0, j - 1], moving.speed, step, commanded.sensor_lag)
        i = j
    return answer
