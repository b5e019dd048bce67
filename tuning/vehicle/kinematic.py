"""Kinematic single-track body: the equations of `tracker.motion.kinematic` under drive, brake, road and wind."""

from __future__ import annotations

from tracker.motion.kinematic import FOLLOWING_TIME, kinematic_lateral, kinematic_motion
from tracks.one_source import equation
from tuning.vehicle.resistance import along, side_pull
from tuning.vehicle.state import Motion

__all__ = ["kinematic_body"]


@equation
def kinematic_body(p, state, angle, drive, brake, around):
    """Give the `Motion` in a state; arguments as for every body (`tuning.vehicle.model.body`)."""
    pull, _ = side_pull(p, around, state.speed, state.lateral_velocity)
    yaw_rate, rear_velocity = kinematic_motion(
        p, state.speed, state.lateral_velocity, state.yaw_rate, angle, pull
    )
    lateral_dot, yaw_dot = kinematic_lateral(
        p, state.speed, state.lateral_velocity, state.yaw_rate, angle, pull
    )
    return Motion(
        yaw_rate,
        rear_velocity,
        along(p, around, state.speed, drive, brake),
        lateral_dot,
        yaw_dot,
        -state.slip_front / FOLLOWING_TIME,
        -state.slip_rear / FOLLOWING_TIME,
        angle,
    )
