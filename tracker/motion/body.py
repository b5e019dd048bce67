"""The constants of a body's lateral motion, as a law knows them from the vehicle's `Response`."""

from __future__ import annotations

from typing import NamedTuple

from tracker.response import Response

__all__ = ["BodyParameters", "body_of"]


class BodyParameters(NamedTuple):
    """What the equations of this room ask of their parameters `p`; any tuple with these fields will do.

    Attributes:
        wheelbase: m.
        mass: kg.
        yaw_inertia: about the centre of gravity, kg m².
        front_axle_distance, rear_axle_distance: from the centre of gravity, m.
        stiffness_front, stiffness_rear: cornering stiffness of an axle, N/rad; 0.0 where the tyres are not known.
        understeer_gradient: of the kinematic form, rad/(m/s²).
    """

    wheelbase: float
    mass: float
    yaw_inertia: float
    front_axle_distance: float
    rear_axle_distance: float
    stiffness_front: float
    stiffness_rear: float
    understeer_gradient: float


def body_of(response: Response) -> BodyParameters:
    """Give a body's constants; stiffnesses, mass and inertia are 0.0 unless all that tyres need is known.

    The yaw inertia, where it is not known, is m a b: published cars lie at 0.75 to 1.05 times that.
    """
    r = response.values
    front = r.front_axle_distance or 0.5 * r.wheelbase
    rear = r.wheelbase - front
    known = r.mass * r.front_axle_distance * r.cornering_stiffness_front * r.cornering_stiffness_rear > 0.0
    return BodyParameters(
        wheelbase=r.wheelbase,
        mass=r.mass if known else 0.0,
        yaw_inertia=(r.yaw_inertia or r.mass * front * rear) if known else 0.0,
        front_axle_distance=front,
        rear_axle_distance=rear,
        stiffness_front=r.cornering_stiffness_front if known else 0.0,
        stiffness_rear=r.cornering_stiffness_rear if known else 0.0,
        understeer_gradient=r.understeer_gradient,
    )
