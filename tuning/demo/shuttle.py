"""The demo's true vehicle: an invented 12-seat electric campus shuttle, richer than any model fitted to it.

Its equations share nothing with `tuning.vehicle`, so that a fit is judged against something it cannot be exact for:
tyres that saturate, build up force over a relaxation length and soften as load shifts; a body that rolls; steering
with a servo of its own structure, a dead band, play and compliance; a drive with limited power, resistance and grade.

Notation: a, b centre of gravity to front and rear axle, u and v velocity of the centre of gravity along and across
the vehicle, r yaw rate, δ road-wheel angle, F lateral axle force. Axes of ISO 8855, everything + to the left.
All values are invented; those that shape the answer are of the size that references on light buses give (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import clip, equation, select

__all__ = ["HISTORY", "SHUTTLE", "ShuttleParameters", "ShuttleState", "shuttle_advance", "shuttle_derivative"]

_GRAVITY = 9.81  # m/s²


class ShuttleParameters(NamedTuple):
    """Everything the shuttle is made of, SI units and radians; stiffnesses are those of an axle."""

    wheelbase: float = 3.40
    front_axle_distance: float = 1.87  # centre of gravity to front axle
    mass: float = 3600.0  # with half its passengers' seats taken by sandbags
    yaw_inertia: float = 9800.0
    # Tyres: the force is grip · load · tanh(stiffness · slip / (grip · load)).
    stiffness_front: float = 130e3
    stiffness_rear: float = 165e3
    grip: float = 0.85
    relaxation_length: float = 0.45
    carcass_time: float = 0.05  # s, damping of the carcass: keeps the force from ringing at walking pace
    load_sensitivity: float = 0.010  # loss of stiffness per (m/s²)² of lateral acceleration, after the roll
    # Roll about the suspension, as the lateral acceleration drives it.
    roll_gain: float = 0.005  # rad/(m/s²)
    roll_frequency: float = 9.0
    roll_damping: float = 0.35
    # Steering: the unit's calibration, its servo, then play and compliance between servo and road wheels.
    steering_gain: float = 0.965
    steering_offset: float = 0.006
    steering_frequency: float = 11.0
    steering_damping: float = 0.75
    steering_rate: float = 0.42
    steering_stop: float = 0.60
    steering_dead_band: float = 0.0008  # the servo rests while its error is within it
    steering_play: float = 0.0020  # half the gap
    steering_stiffness: float = 30e3  # N m/rad
    trail: float = 0.05  # m, pneumatic and caster
    # Speed loop of the vehicle's own unit, drive and brake.
    speed_gain: float = 0.9
    acceleration_limit: float = 1.6
    deceleration_limit: float = 3.5
    drive_lag: float = 0.45
    drive_power: float = 45e3  # W at the wheels
    brake_lag: float = 0.16
    brake_gain: float = 0.96
    rolling_resistance: float = 0.118  # m/s²
    air_resistance: float = 0.00067  # 1/m
    resistance_known: float = 0.10  # m/s², what the unit adds to make up for resistance
    grade: float = 0.006  # amplitude of a gently rolling yard
    # Sensors answer late by a first-order lag, s.
    imu_lag: float = 0.015
    speed_sensor_lag: float = 0.020


class ShuttleState(NamedTuple):
    """State of the shuttle; x, y are of the rear-axle middle."""

    x: float = 0.0  # m
    y: float = 0.0  # m
    heading: float = 0.0  # rad, unwrapped
    speed: float = 0.0  # u, m/s
    lateral_velocity: float = 0.0  # v, m/s
    yaw_rate: float = 0.0  # rad/s
    slip_front: float = 0.0  # tan of the slip angle after the relaxation length
    slip_rear: float = 0.0
    roll: float = 0.0  # rad, outward in a left turn
    roll_rate: float = 0.0  # rad/s
    servo_angle: float = 0.0  # rad, what the steering-angle sensor sees
    servo_rate: float = 0.0  # rad/s
    wheel_angle: float = 0.0  # rad, after the play
    drive: float = 0.0  # m/s², ≥ 0
    brake: float = 0.0  # m/s², ≤ 0
    seen_speed: float = 0.0  # m/s, as the sensors give it
    seen_yaw_rate: float = 0.0  # rad/s
    seen_lateral: float = 0.0  # m/s², with the part of gravity that roll turns into it
    seen_longitudinal: float = 0.0  # m/s²


SHUTTLE = ShuttleParameters()

# Dead times, ms. Steering in one; speed commands cross the network, and the unit's demand then waits for drive or brake.
_STEERING_DELAY = 110
_NETWORK_DELAY = 30
_DRIVE_DELAY = 150
_BRAKE_DELAY = 90
HISTORY = 256  # ms of commands and demands kept, above the longest dead time of one stage
MILLISECOND = 0.001  # s, the step of integration


@equation
def _axle_force(p, stiffness, load, slip):
    """Give the lateral force (N) of an axle that carries a load (N) at a slip (tan of an angle)."""
    most = p.grip * load
    return -most * np.tanh(stiffness * slip / most)


@equation
def _servo(p, target, s):
    """Give servo rate, servo acceleration and rate of the road wheels behind the play."""
    error = target - s.servo_angle
    error = error - clip(error, -p.steering_dead_band, p.steering_dead_band)
    # A position loop asks a speed loop for a bounded rate.
    wanted = clip(0.5 * p.steering_frequency / p.steering_damping * error, -p.steering_rate, p.steering_rate)
    acceleration = 2.0 * p.steering_damping * p.steering_frequency * (wanted - s.servo_rate)
    gap = s.servo_angle - s.wheel_angle
    # 150 1/s: the flank of the play pushes the wheels along within some 7 ms.
    wheels = 150.0 * (gap - clip(gap, -p.steering_play, p.steering_play))
    return s.servo_rate, acceleration, wheels


@equation
def _thrust(p, s):
    """Give the longitudinal acceleration (m/s²) by drive, brake, resistance and grade; 0 at rest unless driven."""
    power = p.drive_power / p.mass / select(s.speed < 1.0, 1.0, s.speed)
    push = select(s.drive > power, power, s.drive)
    resistance = p.rolling_resistance + p.air_resistance * s.speed * s.speed
    total = push + p.brake_gain * s.brake - resistance
    total = total - _GRAVITY * p.grade * np.sin(s.x / 40.0)
    return select(total < 0.0, total * clip(s.speed / 0.05, 0.0, 1.0), total)


@equation
def shuttle_derivative(p, s, target, drive_demand, brake_demand):
    """Give the time derivative of the state, each per second.

    Args:
        p: ShuttleParameters.
        s: ShuttleState.
        target: road-wheel angle the servo is asked for, rad.
        drive_demand, brake_demand: m/s², ≥ 0 and ≤ 0, after their dead times.
    """
    a, b = p.front_axle_distance, p.wheelbase - p.front_axle_distance
    load_front = p.mass * _GRAVITY * b / p.wheelbase
    load_rear = p.mass * _GRAVITY * a / p.wheelbase
    shifted = s.roll / p.roll_gain
    softened = 1.0 - p.load_sensitivity * shifted * shifted
    softened = select(softened < 0.5, 0.5, softened)
    front, rear = softened * p.stiffness_front, softened * p.stiffness_rear

    # Compliance: the aligning moment of the tyre turns the wheels back.
    delta = s.wheel_angle - p.trail / p.steering_stiffness * _axle_force(p, front, load_front, s.slip_front)
    cos, sin = np.cos(delta), np.sin(delta)
    across = s.lateral_velocity + a * s.yaw_rate
    along = s.speed * cos + across * sin
    slip_front_dot = (across * cos - s.speed * sin - along * s.slip_front) / p.relaxation_length
    slip_rear_dot = (s.lateral_velocity - b * s.yaw_rate - s.speed * s.slip_rear) / p.relaxation_length
    force_front = _axle_force(p, front, load_front, s.slip_front + p.carcass_time * slip_front_dot)
    force_rear = _axle_force(p, rear, load_rear, s.slip_rear + p.carcass_time * slip_rear_dot)

    lateral = (force_front * cos + force_rear) / p.mass
    longitudinal = _thrust(p, s) - force_front * sin / p.mass
    servo_rate, servo_acceleration, wheel_rate = _servo(p, target, s)
    rear_velocity = s.lateral_velocity - b * s.yaw_rate
    return ShuttleState(
        s.speed * np.cos(s.heading) - rear_velocity * np.sin(s.heading),
        s.speed * np.sin(s.heading) + rear_velocity * np.cos(s.heading),
        s.yaw_rate,
        longitudinal + s.lateral_velocity * s.yaw_rate,
        lateral - s.speed * s.yaw_rate,
        (a * force_front * cos - b * force_rear) / p.yaw_inertia,
        slip_front_dot,
        slip_rear_dot,
        s.roll_rate,
        p.roll_frequency**2 * (p.roll_gain * lateral - s.roll)
        - 2.0 * p.roll_damping * p.roll_frequency * s.roll_rate,
        servo_rate,
        servo_acceleration,
        wheel_rate,
        (drive_demand - s.drive) / p.drive_lag,
        (brake_demand - s.brake) / p.brake_lag,
        (s.speed - s.seen_speed) / p.speed_sensor_lag,
        (s.yaw_rate - s.seen_yaw_rate) / p.imu_lag,
        (lateral + _GRAVITY * np.sin(s.roll) - s.seen_lateral) / p.imu_lag,
        (longitudinal - s.seen_longitudinal) / p.imu_lag,
    )


@equation
def _added(s, k, h):
    return ShuttleState(
        s.x + h * k.x,
        s.y + h * k.y,
        s.heading + h * k.heading,
        s.speed + h * k.speed,
        s.lateral_velocity + h * k.lateral_velocity,
        s.yaw_rate + h * k.yaw_rate,
        s.slip_front + h * k.slip_front,
        s.slip_rear + h * k.slip_rear,
        s.roll + h * k.roll,
        s.roll_rate + h * k.roll_rate,
        s.servo_angle + h * k.servo_angle,
        s.servo_rate + h * k.servo_rate,
        s.wheel_angle + h * k.wheel_angle,
        s.drive + h * k.drive,
        s.brake + h * k.brake,
        s.seen_speed + h * k.seen_speed,
        s.seen_yaw_rate + h * k.seen_yaw_rate,
        s.seen_lateral + h * k.seen_lateral,
        s.seen_longitudinal + h * k.seen_longitudinal,
    )


@equation
def shuttle_advance(p, s, history, now, steps, curvature, speed, acceleration):
    """Give the state after a number of milliseconds with a command held.

    Args:
        p: ShuttleParameters.
        s: ShuttleState.
        history: (HISTORY, 5) ring of what is under way: steering target (rad), speed (m/s) and acceleration
            (m/s²) commanded, demand on drive and on brake (m/s²). Written.
        now: milliseconds since the start.
        steps: how many milliseconds to advance.
        curvature, speed, acceleration: the command (1/m, m/s, m/s²).
    """
    target = p.steering_gain * np.arctan(p.wheelbase * curvature) + p.steering_offset
    target = clip(target, -p.steering_stop, p.steering_stop)
    for t in range(now, now + steps):
        row = history[t % HISTORY]
        row[0], row[1], row[2] = target, speed, acceleration
        network = history[(t - _NETWORK_DELAY) % HISTORY]
        demand = clip(
            network[2] + p.speed_gain * (network[1] - s.speed),
            -p.deceleration_limit,
            p.acceleration_limit,
        )
        made_up = select(s.speed > 0.1, p.resistance_known, 0.0)
        row[3] = select(demand + made_up > 0.0, demand + made_up, 0.0)
        row[4] = select(demand + made_up < 0.0, demand + made_up, 0.0)
        steered = history[(t - _STEERING_DELAY) % HISTORY][0]
        driven = history[(t - _DRIVE_DELAY) % HISTORY][3]
        braked = history[(t - _BRAKE_DELAY) % HISTORY][4]
        h = MILLISECOND
        k1 = shuttle_derivative(p, s, steered, driven, braked)
        k2 = shuttle_derivative(p, _added(s, k1, 0.5 * h), steered, driven, braked)
        k3 = shuttle_derivative(p, _added(s, k2, 0.5 * h), steered, driven, braked)
        k4 = shuttle_derivative(p, _added(s, k3, h), steered, driven, braked)
        s = _added(_added(_added(_added(s, k1, h / 6.0), k2, h / 3.0), k3, h / 3.0), k4, h / 6.0)
    return s
