"""The steady turn of the single-track with linear axles, in closed form.

Notation as in `single_track.py`, κ curvature of the rear axle's path, L = a + b. The balance of forces and moments,

    F_f cos δ = m b u r/L    F_r = m a u r/L    r = u κ,

gives both slips, and with them the lateral velocity and the road-wheel angle (Rajamani, Vehicle Dynamics and Control,
ch. 3: from memory). Within the hand-over the angle and the slip are mixed by the share of the dynamic form.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.motion.single_track import KINEMATIC_BELOW, dynamic_share
from tracks.one_source import equation, select

__all__ = ["SteadyTurn", "steady_lateral"]

_REFINEMENTS = 3  # of cos δ, which enters the front axle's force alone: each gains two digits at 0.1 rad


class SteadyTurn(NamedTuple):
    """A steady turn, everything + left.

    Attributes:
        angle: of the road wheels, rad.
        slip: by how much the vehicle points into the curve of the rear axle's path, rad.
        lateral_velocity: of the centre of gravity, m/s.
        yaw_rate: rad/s.
    """

    angle: float
    slip: float
    lateral_velocity: float
    yaw_rate: float


@equation
def steady_lateral(p, speed, curvature):
    """Give the `SteadyTurn` at a speed (m/s, not below 0) on a path curvature of the rear axle (1/m).

    Without tyres (`stiffness_front` or `stiffness_rear` 0.0) it is that of the kinematic form, without slip.
    """
    u = np.maximum(speed, KINEMATIC_BELOW)
    known = p.stiffness_front * p.stiffness_rear > 0.0
    share = select(known, dynamic_share(speed), 0.0)
    yaw_rate = u * curvature
    needed = select(known, p.mass * u * yaw_rate / p.wheelbase, 0.0)
    slip_rear = needed * p.front_axle_distance / select(known, p.stiffness_rear, 1.0)
    slip_front = needed * p.rear_axle_distance / select(known, p.stiffness_front, 1.0)
    kinematic = np.arctan(curvature * (p.wheelbase + p.understeer_gradient * speed * speed))
    heading = np.arctan(p.wheelbase * curvature - slip_rear)
    angle = kinematic
    for _ in range(_REFINEMENTS):
        angle = heading + np.arctan(slip_front / np.cos(angle))
    rate = speed * curvature
    return SteadyTurn(
        kinematic + share * (angle - kinematic),
        np.arctan(share * slip_rear),
        p.rear_axle_distance * rate - share * speed * slip_rear,
        rate,
    )
