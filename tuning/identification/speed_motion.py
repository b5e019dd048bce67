"""What moves along a vehicle's x axis: drive, brake and resistance by the vehicle's own equations, driving forwards."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from tracks.one_source import equation
from tuning.identification.kernels import LONGEST_STEP
from tuning.vehicle.drive import demands, drive_derivative, integral_derivative, pedal_after, thrust
from tuning.vehicle.resistance import along, resistance
from tuning.vehicle.state import Inputs, State, Surroundings

__all__ = [
    "Commanded",
    "Moving",
    "inputs_at",
    "longest_step",
    "shown",
    "speed_dot",
    "started",
    "state_of",
    "step_on",
]

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


class Moving(NamedTuple):
    """What the simulation integrates."""

    speed: float  # m/s
    drive: float  # m/s²
    brake: float  # m/s²
    integral: float  # m/s²
    pedal: float


@equation
def state_of(moving: Moving):
    return State(
        0.0, 0.0, 0.0, moving.speed, 0.0, 0.0, 0.0, 0.0, moving.drive, moving.brake, 0.0, 0.0,
        moving.integral, 0.0, moving.pedal,
    )  # fmt: skip


@equation
def inputs_at(commanded: Commanded, at: int, late: int):
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
def speed_dot(p, moving: Moving, inputs, around):
    drive, brake = thrust(p, state_of(moving), inputs, around)
    return along(p, around, moving.speed, drive, brake)


@equation
def _slope(p, moving: Moving, inputs, around):
    state = state_of(moving)
    asked, braked = demands(p, state, inputs)
    drive_dot, brake_dot = drive_derivative(p, asked, braked, moving.drive, moving.brake)
    # Without them the integral stays 0, and the pedal in charge does not matter.
    rising = integral_derivative(p, state, inputs) if p.speed_integral_gain > 0.0 else 0.0
    return Moving(speed_dot(p, moving, inputs, around), drive_dot, brake_dot, rising, 0.0)


@equation
def _moved(moving: Moving, slope: Moving, h):
    return Moving(
        moving.speed + h * slope.speed,
        moving.drive + h * slope.drive,
        moving.brake + h * slope.brake,
        moving.integral + h * slope.integral,
        moving.pedal,
    )


@equation
def step_on(p, moving: Moving, inputs, around, h):
    """Give what moves after a step of h (s) by RK4, commands held over it."""
    total, point = moving, moving
    for stage in range(4):
        slope = _slope(p, point, inputs, around)
        total = _moved(total, slope, h / 6.0 if stage == 0 or stage == 3 else h / 3.0)
        point = _moved(moving, slope, h if stage == 2 else 0.5 * h)
    pedal = pedal_after(p, state_of(total), inputs) if p.hand_over > 0.0 else 0.0
    return Moving(total.speed, total.drive, total.brake, total.integral, pedal)


@equation
def longest_step(p, speed):
    """Give the longest step (s) from a speed (m/s) on."""
    lag = min(p.drive_lag, p.brake_lag)
    longest = LONGEST_STEP
    for step in _STEPS:
        longest = step if speed > _ROLLING_ON and lag >= _QUICKEST * step else longest
    return longest


@equation
def started(p, commanded: Commanded, speed, i: int):
    """Give what moves at the start of a recording: steady drive and brake, those that hold the speed or are asked for."""
    around = Surroundings(1.0, commanded.grade[i], 0.0, 0.0)
    pull = resistance(p, around, speed)
    drive, brake = max(-pull, 0.0), min(-pull, 0.0)
    integral = drive / p.drive_gain + brake / p.brake_gain if p.speed_integral_gain > 0.0 else 0.0
    if commanded.loop == 0.0:
        resting = Moving(speed, 0.0, 0.0, 0.0, 0.0)
        drive, brake = demands(p, state_of(resting), inputs_at(commanded, i, i))
        drive, brake = p.drive_gain * drive, p.brake_gain * brake
    return Moving(speed, drive, brake, integral, 0.0)


@equation
def shown(seen, before, after, span, lag):
    """Give what a first-order sensor shows after a span (s) over which the speed goes from `before` to `after`."""
    if lag <= 0.0:
        return after
    ramp = (after - before) / span
    return after - ramp * lag + (seen - before + ramp * lag) * np.exp(-span / lag)
