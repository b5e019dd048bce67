"""Steering and body along a recorded drive, compiled: the vehicle's own equations, fed with command and measured speed.

A command is held from its sample to the next one and acts after the dead time τ. Integration steps are cut where a
command comes into effect, so the answer is exact to RK4 for any real τ, and differentiable in τ, which can then be
fitted by its derivative. (The mean of the command over whole steps was tried first: under a limit it is a staircase
in τ, on which a fit stops at the next tread.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.motion.kinematic import kinematic_yaw_rate
from tracks.one_source import array_loop, equation
from tuning.vehicle.model import lateral, motion
from tuning.vehicle.steering import steering_derivative, steering_target, wheel_angle

__all__ = [
    "CODES",
    "LONGEST_STEP",
    "SAME_TIME",
    "Drives",
    "acting",
    "commanded_angles",
    "goes_on",
    "steering_answer",
    "steps_of",
    "until_next",
]

CODES = {"curvature": 0, "angle": 1, "number": 2}

LONGEST_STEP = 0.005  # s; the vehicle file keeps every pole of its equations within reach of this step

SAME_TIME = 1e-12  # s: two instants closer than this are one


class Drives(NamedTuple):
    """Uninterrupted recordings one after the other, arrays of shape (n,) over all their samples.

    Attributes:
        time: s, increasing within a recording.
        first: index of the first sample of the recording that a sample belongs to.
        speed: measured, m/s.
    """

    time: np.ndarray
    first: np.ndarray
    speed: np.ndarray


@array_loop
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
def acting(drives: Drives, at, last, dead_time, moment):
    """Move `at` on to the last sample, up to `last`, whose command acts at `moment`."""
    while at < last and drives.time[at + 1] + dead_time <= moment + SAME_TIME:
        at += 1
    return at


@equation
def until_next(drives: Drives, at, last, dead_time, end):
    """Give the moment, not after `end`, at which the command after sample `at` comes into effect."""
    if at < last:
        return min(drives.time[at + 1] + dead_time, end)
    return end


@equation
def steps_of(span):
    """Give the number of equal steps that a span of time (s) takes."""
    return int(np.ceil(span / LONGEST_STEP - 1e-6))


@equation
def goes_on(drives: Drives, i):
    """Say whether sample i has another one after it in its recording."""
    return i + 1 < drives.time.size and drives.first[i + 1] == drives.first[i]


@equation
def _lateral_slope(model, p, target, speed, angle, rate, held, velocity, yaw, pull):
    angle_dot, rate_dot = steering_derivative(p, target, angle, rate)
    velocity_dot, yaw_dot = lateral(model, p, speed, velocity, yaw, wheel_angle(p, angle, held), pull)
    return angle_dot, rate_dot, velocity_dot, yaw_dot


@equation
def _lateral_step(model, p, target, v0, v1, angle, rate, held, velocity, yaw, pull, h):
    """Advance steering angle, its rate, lateral velocity and yaw rate by RK4, speed linear over the step."""
    vm = 0.5 * (v0 + v1)
    g = 0.5 * h
    a1, b1, c1, d1 = _lateral_slope(model, p, target, v0, angle, rate, held, velocity, yaw, pull)
    a2, b2, c2, d2 = _lateral_slope(
        model, p, target, vm, angle + g * a1, rate + g * b1, held, velocity + g * c1, yaw + g * d1, pull
    )
    a3, b3, c3, d3 = _lateral_slope(
        model, p, target, vm, angle + g * a2, rate + g * b2, held, velocity + g * c2, yaw + g * d2, pull
    )
    a4, b4, c4, d4 = _lateral_slope(
        model, p, target, v1, angle + h * a3, rate + h * b3, held, velocity + h * c3, yaw + h * d3, pull
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


@array_loop
def steering_answer(model, p, dead_time, drives: Drives, target, pull, body):
    """Simulate steering and body along the measured speed, each recording from the steady state of its first command.

    Args:
        model: a value of `tuning.vehicle.model.MODELS`.
        p: PlantParameters.
        dead_time: of the steering, s.
        drives: the recordings.
        target: road-wheel angle asked for, shape (n,), rad.
        pull: of a banked road, shape (n,), m/s², + left.
        body: whether to integrate the body's states too. The kinematic yaw rate does not need them, and without
            them the simulation takes a third of the time.

    Returns:
        Array of shape (5, n): angle of the steering before its play (rad), its rate (rad/s), yaw rate (rad/s), heading
        from the start of the recording (rad), acceleration of the centre of gravity along the road across the
        vehicle (m/s²; without `body` that of the rear-axle middle).
    """
    n = target.size
    answer = np.empty((5, n))
    angle = rate = held = velocity = yaw = heading = turning = 0.0
    at = 0
    for i in range(n):
        v = drives.speed[i]
        if drives.first[i] == i:
            at = i
            angle, rate, held, heading = target[i], 0.0, target[i], 0.0
            yaw = kinematic_yaw_rate(p, v, angle, pull[i])
            velocity = p.rear_axle_distance * yaw
            turning, _ = motion(model, p, v, velocity, yaw, angle, pull[i])
        answer[0, i], answer[1, i], answer[2, i] = angle, rate, turning
        answer[3, i], answer[4, i] = heading, v * turning
        if body:
            slide, _ = lateral(model, p, v, velocity, yaw, held, pull[i])
            answer[4, i] += slide
        if goes_on(drives, i):
            moment, end = drives.time[i], drives.time[i + 1]
            ramp = (drives.speed[i + 1] - v) / (end - moment)
            while moment < end - SAME_TIME:
                at = acting(drives, at, i, dead_time, moment)
                until = until_next(drives, at, i, dead_time, end)
                count = steps_of(until - moment)
                h = (until - moment) / count
                for j in range(count):
                    v0 = v + ramp * (moment + j * h - drives.time[i])
                    v1 = v0 + ramp * h
                    if body:
                        angle, rate, velocity, yaw = _lateral_step(
                            model, p, target[at], v0, v1, angle, rate, held, velocity, yaw, pull[i], h
                        )
                    else:
                        angle, rate = _steering_step(p, target[at], angle, rate, h)
                    held = wheel_angle(p, angle, held)
                    turned, _ = motion(model, p, v1, velocity, yaw, held, pull[i])
                    heading += 0.5 * h * (turning + turned)
                    turning = turned
                moment = until
    return answer
