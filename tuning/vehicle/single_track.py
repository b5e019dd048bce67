"""Dynamic single-track body: the equations of `tracker.motion.single_track` under drive, brake, road and wind."""

from __future__ import annotations

from tracker.motion.kinematic import FOLLOWING_TIME
from tracker.motion.single_track import axle_forces, dynamic_share, single_track_lateral, single_track_motion
from tracks.one_source import equation
from tuning.vehicle.resistance import along, side_pull
from tuning.vehicle.state import Motion

__all__ = ["single_track_body"]


@equation
def single_track_body(p, state, angle, drive, brake, around):
    """Give the `Motion` in a state; arguments as for every body (`tuning.vehicle.model.body`)."""
    pull, turn = side_pull(p, around, state.speed, state.lateral_velocity)
    yaw_rate, rear_velocity = single_track_motion(
        p, state.speed, state.lateral_velocity, state.yaw_rate, angle, pull
    )
    lateral_dot, yaw_dot = single_track_lateral(
        p, state.speed, state.lateral_velocity, state.yaw_rate, angle, pull, turn
    )
    front, _ = axle_forces(p, state.speed, state.lateral_velocity, state.yaw_rate, angle)
    return Motion(
        yaw_rate,
        rear_velocity,
        along(p, around, state.speed, drive, brake),
        lateral_dot,
        yaw_dot,
        -state.slip_front / FOLLOWING_TIME,
        -state.slip_rear / FOLLOWING_TIME,
        # The stiffness of the front axle holds the compliance of the steering already.
        angle - dynamic_share(state.speed) * p.compliance * front,
    )
