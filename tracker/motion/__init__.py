"""Equations of motion that both a predicting law and the bench's vehicles use, written once."""

from tracker.motion.body import BodyParameters, body_of
from tracker.motion.kinematic import kinematic_lateral, kinematic_motion, kinematic_yaw_rate
from tracker.motion.single_track import (
    axle_forces,
    dynamic_share,
    single_track_lateral,
    single_track_motion,
)
from tracker.motion.steady import SteadyTurn, steady_lateral

__all__ = [
    "BodyParameters",
    "SteadyTurn",
    "axle_forces",
    "body_of",
    "dynamic_share",
    "kinematic_lateral",
    "kinematic_motion",
    "kinematic_yaw_rate",
    "single_track_lateral",
    "single_track_motion",
    "steady_lateral",
]
