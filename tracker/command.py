"""What goes in and out of a tracker: the measurement of a vehicle and the command to it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Command", "Measurement"]


@dataclass(frozen=True, slots=True)
class Command:
    """What the by-wire vehicle is asked to do, the same for every law.

    Attributes:
        curvature: asked of the vehicle's steering interface, 1/m, + left.
        speed: m/s.
        acceleration: feed-forward along the path, m/s².
    """

    curvature: float
    speed: float
    acceleration: float


@dataclass(frozen=True, slots=True)
class Measurement:
    """What the vehicle and its localisation report at one instant (ISO 8855 axes).

    Attributes:
        time: s, increasing.
        x, y: middle of the rear axle, m.
        heading: rad, anticlockwise from x; any multiple of 2π may be added.
        speed: m/s, forward.
        yaw_rate: rad/s, anticlockwise. Needed where the vehicle's tyres are known: the curvature that it drives now is
            then taken from it.
        steering_angle: road-wheel angle, rad, + left. Needed for the same where they are not.
        pose_age: how long ago x, y and heading were true, s, at least 0: the localisation's latency, and more where
            it has nothing new and repeats its last pose. Speed, yaw rate and steering angle are those of `time`.
    """

    time: float
    x: float
    y: float
    heading: float
    speed: float
    yaw_rate: float = 0.0
    steering_angle: float = 0.0
    pose_age: float = 0.0
