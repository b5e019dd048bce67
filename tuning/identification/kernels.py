"""Simulation along a recorded drive, compiled: the vehicle's own equations, fed with what was commanded and measured.

A command is held from its sample to the next one. After a dead time τ that is any real number, what acts over an
integration step [t, t+h] is the mean of the held command over [t−τ, t+h−τ], taken from its running integral:
exact for the step as a whole, and continuous in τ, so that τ can be fitted by its derivative.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation
from tuning.vehicle.drive import acceleration_demand, drive_derivative, speed_derivative
from tuning.vehicle.kinematic import kinematic_yaw_rate
from tuning.vehicle.model import lateral, motion
from tuning.vehicle.steering import steering_derivative, steering_target

__all__ = ["CODES", "Drives", "commanded_angles", "running_integral", "speed_answer", "steering_answer"]

CODES = {"curvature": 0, "angle": 1, "number": 2}


class Drives(NamedTuple):
    """Uninterrupted recordings one after the other, arrays of shape (n,) over all their samples.

    Attributes:
        time: s, increasing within a recording.
        first: index of the first sample of the recording that a sample belongs to.
        substeps: integration steps from a sample to the next one, 0 at the end of a recording.
        speed: measured, m/s.
    """

    time: np.ndarray
    first: np.ndarray
    substeps: np.ndarray
    speed: np.ndarray


class Acting(NamedTuple):
    """Commands that act over one step, after their dead times: speeds (m/s) and accelerations (m/s²)."""

    drive_speed: float
    drive_acceleration: float
    brake_speed: float
    brake_acceleration: float


@equation
def commanded_angles(p, interface, command, map_command, map_angle):
    """Give the road-wheel angle asked for at each sample, shape (n,), rad: `steering_target` for each interface.

    Args:
        p: PlantParameters.
        interface: a value of `CODES`.
        command: shape (n,): curvature 1/m, angle rad, or a number.
        map_command, map_angle: the static map of a number, rad, shape (k,).
    """
    angles = np.empty_like(command)
    numbers = np.interp(command, map_command, map_angle)
    for i in range(command.size):
        if interface == 0:
            angles[i] = steering_target(p, command[i])
        elif interface == 1:
            angles[i] = steering_target(p, np.tan(command[i]) / p.wheelbase)
        else:
            angles[i] = steering_target(p, np.tan(numbers[i]) / p.wheelbase)
    return angles


@equation
def running_integral(drives: Drives, held):
    """Give the integral of a held signal from the start of its recording to each sample, shape (n,)."""
    integral = np.zeros_like(held)
    for i in range(1, held.size):
        if drives.first[i] != i:
            integral[i] = integral[i - 1] + held[i - 1] * (drives.time[i] - drives.time[i - 1])
    return integral


@equation
def _sample_before(drives: Drives, at, last, moment):
    """Move `at` on to the last sample, up to `last`, whose time is not after `moment`."""
    while at < last and drives.time[at + 1] <= moment:
        at += 1
    return at


@equation
def _lateral_slope(model, p, target, speed, angle, rate, velocity, yaw):
    angle_dot, rate_dot = steering_derivative(p, target, angle, rate)
    velocity_dot, yaw_dot = lateral(model, p, speed, velocity, yaw, angle)
    return angle_dot, rate_dot, velocity_dot, yaw_dot


@equation
def _lateral_step(model, p, target, v0, v1, angle, rate, velocity, yaw, h):
    """Advance steering angle, its rate, lateral velocity and yaw rate by RK4, speed linear over the step."""
    vm = 0.5 * (v0 + v1)
    g = 0.5 * h
    a1, b1, c1, d1 = _lateral_slope(model, p, target, v0, angle, rate, velocity, yaw)
    a2, b2, c2, d2 = _lateral_slope(
        model, p, target, vm, angle + g * a1, rate + g * b1, velocity + g * c1, yaw + g * d1
    )
    a3, b3, c3, d3 = _lateral_slope(
        model, p, target, vm, angle + g * a2, rate + g * b2, velocity + g * c2, yaw + g * d2
    )
    a4, b4, c4, d4 = _lateral_slope(
        model, p, target, v1, angle + h * a3, rate + h * b3, velocity + h * c3, yaw + h * d3
    )
    s = h / 6.0
    return (
        angle + s * (a1 + 2.0 * (a2 + a3) + a4),
        rate + s * (b1 + 2.0 * (b2 + b3) + b4),
        velocity + s * (c1 + 2.0 * (c2 + c3) + c4),
        yaw + s * (d1 + 2.0 * (d2 + d3) + d4),
    )


@equation
def _steering_step(p, target, angle, rate, h):
    """Advance steering angle and its rate by RK4, target held over the step."""
    g = 0.5 * h
    a1, b1 = steering_derivative(p, target, angle, rate)
    a2, b2 = steering_derivative(p, target, angle + g * a1, rate + g * b1)
    a3, b3 = steering_derivative(p, target, angle + g * a2, rate + g * b2)
    a4, b4 = steering_derivative(p, target, angle + h * a3, rate + h * b3)
    s = h / 6.0
    return angle + s * (a1 + 2.0 * (a2 + a3) + a4), rate + s * (b1 + 2.0 * (b2 + b3) + b4)


@equation
def steering_answer(model, p, dead_time, drives: Drives, target, integral, body):
    """Simulate steering and body along the measured speed, each recording from the steady state of its first command.

    Args:
        model: a value of `tuning.vehicle.model.MODELS`.
        p: PlantParameters.
        dead_time: of the steering, s.
        drives: the recordings.
        target, integral: road-wheel angle asked for (rad) and its `running_integral`, shape (n,).
        body: whether to integrate the body's states too. The kinematic yaw rate does not need them, only its
            lateral acceleration does, and without them the simulation takes a third of the time.

    Returns:
        Array of shape (5, n): steering angle (rad), its rate (rad/s), yaw rate (rad/s), heading from the start of the
        recording (rad), lateral acceleration of the centre of gravity (m/s²).
    """
    n = target.size
    answer = np.empty((5, n))
    angle = rate = velocity = yaw = heading = turning = before = 0.0
    at = 0
    for i in range(n):
        v = drives.speed[i]
        if drives.first[i] == i:
            at = i
            angle, rate, heading = target[i], 0.0, 0.0
            yaw = kinematic_yaw_rate(p, v, angle)
            velocity = p.rear_axle_distance * yaw
            before = integral[i] - target[i] * dead_time
            turning, _ = motion(model, p, v, velocity, yaw, angle)
        answer[0, i], answer[1, i], answer[2, i] = angle, rate, turning
        answer[3, i], answer[4, i] = heading, v * turning
        if body:
            slide, _ = lateral(model, p, v, velocity, yaw, angle)
            answer[4, i] += slide
        count = drives.substeps[i]
        if count > 0:
            h = (drives.time[i + 1] - drives.time[i]) / count
            ramp = (drives.speed[i + 1] - v) / count
            for j in range(count):
                moment = drives.time[i] + (j + 1) * h - dead_time
                at = _sample_before(drives, at, i, moment)
                after = integral[at] + target[at] * (moment - drives.time[at])
                acting = (after - before) / h
                v0, v1 = v + j * ramp, v + (j + 1) * ramp
                if body:
                    angle, rate, velocity, yaw = _lateral_step(
                        model, p, acting, v0, v1, angle, rate, velocity, yaw, h
                    )
                else:
                    angle, rate = _steering_step(p, acting, angle, rate, h)
                turned, _ = motion(model, p, v1, velocity, yaw, angle)
                heading += 0.5 * h * (turning + turned)
                turning, before = turned, after
    return answer


@equation
def _drive_slope(p, acting: Acting, v, drive, brake):
    asked_drive = acceleration_demand(p, acting.drive_speed, acting.drive_acceleration, v)
    asked_brake = acceleration_demand(p, acting.brake_speed, acting.brake_acceleration, v)
    drive_dot, brake_dot = drive_derivative(
        p, np.maximum(asked_drive, 0.0), np.minimum(asked_brake, 0.0), drive, brake
    )
    return speed_derivative(v, drive, brake), drive_dot, brake_dot


@equation
def _drive_step(p, acting: Acting, v, drive, brake, h):
    """Advance speed, drive and brake acceleration by RK4, commands held over the step."""
    g = 0.5 * h
    a1, b1, c1 = _drive_slope(p, acting, v, drive, brake)
    a2, b2, c2 = _drive_slope(p, acting, v + g * a1, drive + g * b1, brake + g * c1)
    a3, b3, c3 = _drive_slope(p, acting, v + g * a2, drive + g * b2, brake + g * c2)
    a4, b4, c4 = _drive_slope(p, acting, v + h * a3, drive + h * b3, brake + h * c3)
    s = h / 6.0
    return (
        v + s * (a1 + 2.0 * (a2 + a3) + a4),
        drive + s * (b1 + 2.0 * (b2 + b3) + b4),
        brake + s * (c1 + 2.0 * (c2 + c3) + c4),
    )


@equation
def _integrals_at(drives: Drives, signals, at, moment):
    """Give the running integrals of speed and acceleration command at a moment not before sample `at`'s recording."""
    lead = moment - drives.time[at]
    return signals[1, at] + signals[0, at] * lead, signals[3, at] + signals[2, at] * lead


@equation
def speed_answer(p, dead_drive, dead_brake, drives: Drives, signals):
    """Simulate the speed loop, each recording from its first measured speed at rest of drive and brake.

    Args:
        p: PlantParameters.
        dead_drive, dead_brake: dead times, s.
        drives: the recordings.
        signals: speed command, its running integral, acceleration command, its running integral, shape (4, n).

    Returns:
        Array of shape (3, n): speed (m/s), and what the loop asked of the drive and of the brake (m/s²).
    """
    n = drives.time.size
    answer = np.empty((3, n))
    v = drive = brake = v_drive = a_drive = v_brake = a_brake = 0.0
    at_drive = at_brake = 0
    for i in range(n):
        if drives.first[i] == i:
            v, drive, brake = drives.speed[i], 0.0, 0.0
            at_drive = at_brake = i
            v_drive, a_drive = _integrals_at(drives, signals, i, drives.time[i] - dead_drive)
            v_brake, a_brake = _integrals_at(drives, signals, i, drives.time[i] - dead_brake)
        answer[0, i], answer[1, i], answer[2, i] = v, 0.0, 0.0
        count = drives.substeps[i]
        if count > 0:
            h = (drives.time[i + 1] - drives.time[i]) / count
            for j in range(count):
                end = drives.time[i] + (j + 1) * h
                at_drive = _sample_before(drives, at_drive, i, end - dead_drive)
                at_brake = _sample_before(drives, at_brake, i, end - dead_brake)
                v_next, a_next = _integrals_at(drives, signals, at_drive, end - dead_drive)
                v_late, a_late = _integrals_at(drives, signals, at_brake, end - dead_brake)
                acting = Acting(
                    (v_next - v_drive) / h,
                    (a_next - a_drive) / h,
                    (v_late - v_brake) / h,
                    (a_late - a_brake) / h,
                )
                v_drive, a_drive, v_brake, a_brake = v_next, a_next, v_late, a_late
                answer[1, i] = acceleration_demand(p, acting.drive_speed, acting.drive_acceleration, v)
                answer[2, i] = acceleration_demand(p, acting.brake_speed, acting.brake_acceleration, v)
                v, drive, brake = _drive_step(p, acting, v, drive, brake, h)
    return answer
