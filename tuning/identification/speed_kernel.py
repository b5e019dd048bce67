"""The speed loop along a recorded drive, compiled; commands act as in `kernels`, those of drive and brake each on its own."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import array_loop, equation
from tuning.identification.kernels import SAME_TIME, Drives, acting, goes_on, steps_of, until_next
from tuning.vehicle.drive import acceleration_demand, drive_derivative, speed_derivative

__all__ = ["speed_answer"]


class Acting(NamedTuple):
    """Commands that act over one step, after their dead times: speeds (m/s) and accelerations (m/s²)."""

    drive_speed: float
    drive_acceleration: float
    brake_speed: float
    brake_acceleration: float


@equation
def _drive_slope(p, commands: Acting, v, drive, brake):
    asked_drive = acceleration_demand(p, commands.drive_speed, commands.drive_acceleration, v)
    asked_brake = acceleration_demand(p, commands.brake_speed, commands.brake_acceleration, v)
    drive_dot, brake_dot = drive_derivative(
        p, np.maximum(asked_drive, 0.0), np.minimum(asked_brake, 0.0), drive, brake
    )
    return speed_derivative(v, drive, brake), drive_dot, brake_dot


@equation
def _drive_step(p, commands: Acting, v, drive, brake, h):
    """Advance speed, drive and brake acceleration by RK4, commands held over the step."""
    g = 0.5 * h
    a1, b1, c1 = _drive_slope(p, commands, v, drive, brake)
    a2, b2, c2 = _drive_slope(p, commands, v + g * a1, drive + g * b1, brake + g * c1)
    a3, b3, c3 = _drive_slope(p, commands, v + g * a2, drive + g * b2, brake + g * c2)
    a4, b4, c4 = _drive_slope(p, commands, v + h * a3, drive + h * b3, brake + h * c3)
    s = h / 6.0
    return (
        v + s * (a1 + 2.0 * (a2 + a3) + a4),
        drive + s * (b1 + 2.0 * (b2 + b3) + b4),
        brake + s * (c1 + 2.0 * (c2 + c3) + c4),
    )


@array_loop
def speed_answer(p, dead_drive, dead_brake, drives: Drives, speed_command, acceleration_command):
    """Simulate the speed loop, each recording from its first measured speed at rest of drive and brake.

    Args:
        p: PlantParameters.
        dead_drive, dead_brake: dead times, s.
        drives: the recordings.
        speed_command, acceleration_command: shape (n,), m/s and m/s².

    Returns:
        Array of shape (3, n): speed (m/s), and what the loop asks of the drive and of the brake (m/s²).
    """
    n = drives.time.size
    answer = np.empty((3, n))
    v = drive = brake = 0.0
    at = late = 0
    for i in range(n):
        if drives.first[i] == i:
            v, drive, brake = drives.speed[i], 0.0, 0.0
            at = late = i
        answer[0, i] = v
        answer[1, i] = acceleration_demand(p, speed_command[at], acceleration_command[at], v)
        answer[2, i] = acceleration_demand(p, speed_command[late], acceleration_command[late], v)
        if goes_on(drives, i):
            moment, end = drives.time[i], drives.time[i + 1]
            while moment < end - SAME_TIME:
                at = acting(drives, at, i, dead_drive, moment)
                late = acting(drives, late, i, dead_brake, moment)
                until = until_next(drives, at, i, dead_drive, until_next(drives, late, i, dead_brake, end))
                commands = Acting(
                    speed_command[at],
                    acceleration_command[at],
                    speed_command[late],
                    acceleration_command[late],
                )
                count = steps_of(until - moment)
                h = (until - moment) / count
                for _ in range(count):
                    v, drive, brake = _drive_step(p, commands, v, drive, brake, h)
                moment = until
    return answer
