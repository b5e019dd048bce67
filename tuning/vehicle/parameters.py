"""The numbers a vehicle model is evaluated with, as tuples of floats that compiled code and CasADi accept."""

from __future__ import annotations

from typing import Final, NamedTuple

__all__ = ["KINEMATIC", "SINGLE_TRACK", "DeadTimes", "PlantParameters"]

# An integer inside the compiled code chooses the model: numba caches on disk only kernels that are not
# handed functions.
KINEMATIC: Final = 0
SINGLE_TRACK: Final = 1


class PlantParameters(NamedTuple):
    """Every constant of the equations of motion, SI units and radians, axles taken as one wheel each.

    Stiffnesses are those of an axle (both tyres). Angles are road-wheel angles, + left. A kinematic vehicle
    leaves mass, inertia and stiffnesses at 0.0.
    """

    wheelbase: float  # m
    mass: float  # kg
    yaw_inertia: float  # kg m², about the centre of gravity
    front_axle_distance: float  # m, centre of gravity to front axle
    rear_axle_distance: float  # m, centre of gravity to rear axle
    stiffness_front: float  # N/rad
    stiffness_rear: float  # N/rad
    understeer_gradient: float  # rad/(m/s²), of the kinematic form
    natural_frequency: float  # rad/s, of the steering
    damping: float  # of the steering, 1 is critical
    steering_lag: float  # s, of a first-order steering; 0.0 where it is of second order
    rate_limit: float  # rad/s
    angle_limit: float  # rad
    gain: float  # achieved over commanded road-wheel angle
    offset: float  # rad, road-wheel angle when 0 is asked
    drive_lag: float  # s
    brake_lag: float  # s
    speed_gain: float  # 1/s
    acceleration_limit: float  # m/s²
    deceleration_limit: float  # m/s², positive


class DeadTimes(NamedTuple):
    """Time between a command and the first sign of an answer, s."""

    steering: float
    drive: float
    brake: float
