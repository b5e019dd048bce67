"""The state that every vehicle model shares, and what moves it: inputs of the by-wire layer and surroundings."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["Inputs", "Motion", "State", "Surroundings"]


class State(NamedTuple):
    """State of a vehicle in a level ground frame, axes of ISO 8855, reference point the rear-axle middle.

    Models that do not need a state carry it along at its kinematic value, so that one kernel runs them all. The last
    two are no integrals: they are set anew after each step of integration, by `settle`.
    """

    x: float  # m, of the rear-axle middle
    y: float  # m, of the rear-axle middle
    heading: float  # rad, unwrapped, + anticlockwise
    speed: float  # m/s, along the vehicle's x axis, below 0 in reverse
    lateral_velocity: float  # m/s, of the centre of gravity along the vehicle's y axis, + left
    yaw_rate: float  # rad/s, + anticlockwise
    steering_angle: (
        float  # rad, of the steering actuator, as a road-wheel angle: what its sensor sees, + left
    )
    steering_rate: float  # rad/s
    drive_acceleration: float  # m/s², ≥ 0, what the drive gives, in the direction of the gear
    brake_acceleration: float  # m/s², ≤ 0, what the brake gives, against the motion
    slip_front: float = (
        0.0  # tan of the slip angle that the front tyres have built up, + for a force to the right
    )
    slip_rear: float = 0.0  # the same of the rear tyres
    speed_integral: float = 0.0  # m/s², integral part of the vehicle's own speed loop
    play_angle: float = 0.0  # rad, road wheels behind the play of the steering
    pedal: float = 0.0  # 1 the drive is in charge, −1 the brake, 0 neither


class Inputs(NamedTuple):
    """What the by-wire layer receives, each after its own dead time and held over an integration step."""

    target: float  # rad, road-wheel angle asked for, + left, from `steering_target`
    drive_speed: float  # m/s, speed command as the drive has it; its sign is the gear
    drive_feed_forward: float  # m/s², acceleration command as the drive has it
    brake_speed: float  # m/s, speed command as the brake has it
    brake_feed_forward: float  # m/s², acceleration command as the brake has it
    loop: float = 1.0  # 1 the vehicle's own speed loop is closed; 0 the feed-forwards are the demands
    power: float = 1.0  # 1 the steering actuator has power; 0 it has none


class Surroundings(NamedTuple):
    """Road and wind where the vehicle is, held over an integration step."""

    friction: float = 1.0  # of the road, as a factor of the tyres' own coefficient
    grade: float = 0.0  # rad, + uphill in the direction in which the vehicle points
    bank: float = 0.0  # rad, rotation of the road about the x axis: + where its left side is higher
    side_wind: float = 0.0  # m/s, along the vehicle's y axis, + blowing to the left


class Motion(NamedTuple):
    """What a body does in a state: its velocities, and the derivatives of its own states."""

    yaw_rate: float  # rad/s, with which the heading turns
    rear_velocity: float  # m/s, of the rear-axle middle along the vehicle's y axis
    speed_dot: float  # m/s²
    lateral_dot: float  # m/s²
    yaw_dot: float  # rad/s²
    slip_front_dot: float  # 1/s
    slip_rear_dot: float  # 1/s
    road_wheel_angle: float  # rad, after the compliance of the steering
