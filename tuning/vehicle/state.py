"""The state that every vehicle model shares, and the inputs that move it."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["Inputs", "State"]


class State(NamedTuple):
    """State of a vehicle in a level ground frame, axes of ISO 8855, reference point the rear-axle middle.

    Models that do not need a state carry it along at its kinematic value, so that one kernel runs them all.
    """

    x: float  # m, of the rear-axle middle
    y: float  # m, of the rear-axle middle
    heading: float  # rad, unwrapped, + anticlockwise
    speed: float  # m/s, along the vehicle's x axis, never below 0
    lateral_velocity: float  # m/s, of the centre of gravity along the vehicle's y axis, + left
    yaw_rate: float  # rad/s, + anticlockwise
    steering_angle: float  # rad, road wheel, + left
    steering_rate: float  # rad/s
    drive_acceleration: float  # m/s², ≥ 0, what the drive gives
    brake_acceleration: float  # m/s², ≤ 0, what the brake gives


class Inputs(NamedTuple):
    """What the by-wire layer receives, each after its own dead time and held over an integration step."""

    target: float  # rad, road-wheel angle asked for, + left, from `steering_target`
    drive_speed: float  # m/s, speed command as the drive has it
    drive_feed_forward: float  # m/s², acceleration command as the drive has it
    brake_speed: float  # m/s, speed command as the brake has it
    brake_feed_forward: float  # m/s², acceleration command as the brake has it
