"""The steady turn: the state in which a vehicle drives a circle at constant speed."""

from __future__ import annotations

import numpy as np

from tuning.vehicle.parameters import KINEMATIC, PlantParameters
from tuning.vehicle.single_track import dynamic_share
from tuning.vehicle.state import State

__all__ = ["steady_turn"]

_FIXED_POINT_STEPS = 30  # the steering angle enters only through cos δ: each step gains over a digit


def steady_turn(model: int, p: PlantParameters, speed: float, curvature: float) -> State:
    """Give the steady state at a speed [m/s] on a path curvature of the rear axle [1/m, + left].

    Pose is that of a path along the x axis: at the origin, heading turned by the slip of the rear axle.
    Balance of the single-track model: F_f cos δ = m b v r/L, F_r = m a v r/L, with F = −C tan α. Between 1 and 3 m/s,
    where it is handed over to the kinematic form, the state is a mixture too, and steady only nearly.
    """
    yaw_rate = speed * curvature
    kinematic = float(np.arctan(curvature * (p.wheelbase + p.understeer_gradient * speed * speed)))
    if model == KINEMATIC:
        return State(
            0.0, 0.0, 0.0, speed, p.rear_axle_distance * yaw_rate, yaw_rate, kinematic, 0.0, 0.0, 0.0
        )
    share = float(dynamic_share(speed))
    u = max(speed, 1e-3)
    a, b, length = p.front_axle_distance, p.rear_axle_distance, p.wheelbase
    slip_rear = -p.mass * a * speed * yaw_rate / (length * p.stiffness_rear)
    lateral = b * yaw_rate + share * u * slip_rear
    angle = kinematic
    for _ in range(_FIXED_POINT_STEPS):
        slip_front = -p.mass * b * speed * yaw_rate / (length * p.stiffness_front * np.cos(angle))
        angle = float(np.arctan((lateral + a * yaw_rate) / u) - np.arctan(slip_front))
    angle = kinematic + share * (angle - kinematic)
    heading = -float(np.arctan(share * (lateral - b * yaw_rate) / u))
    return State(0.0, 0.0, heading, speed, float(lateral), yaw_rate, angle, 0.0, 0.0, 0.0)
