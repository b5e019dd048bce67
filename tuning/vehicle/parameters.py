"""The numbers a vehicle model is evaluated with, as tuples of floats that compiled code and CasADi accept."""

from __future__ import annotations

from typing import Final, NamedTuple

__all__ = ["KINEMATIC", "SINGLE_TRACK", "SINGLE_TRACK_BRUSH", "DeadTimes", "PlantParameters"]

# An integer inside the compiled code chooses the model: numba caches on disk only kernels that are not
# handed functions.
KINEMATIC: Final = 0
SINGLE_TRACK: Final = 1
SINGLE_TRACK_BRUSH: Final = 2


class PlantParameters(NamedTuple):
    """Every constant of the equations of motion, SI units and radians, axles taken as one wheel each.

    Stiffnesses are those of an axle (both tyres). Angles are road-wheel angles, + left. A kinematic vehicle
    leaves mass, inertia and stiffnesses at 0.0. What is without a limit has one of 1e9.
    """

    wheelbase: float  # m
    mass: float  # kg
    yaw_inertia: float  # kg m², about the centre of gravity
    front_axle_distance: float  # m, centre of gravity to front axle
    rear_axle_distance: float  # m, centre of gravity to rear axle
    centre_height: float  # m, of the centre of gravity above the road
    drag_area: float  # m², air drag coefficient times frontal area
    viscous_drag: float  # 1/s, deceleration per speed by bearings, gears and oil
    side_area: float  # m², side force coefficient times side area
    pressure_centre: float  # m, where the side wind acts, ahead of the centre of gravity
    stiffness_front: float  # N/rad, with the compliance of the steering in it
    stiffness_rear: float  # N/rad
    tyre_stiffness_front: float  # N/rad, of the tyres alone
    understeer_gradient: float  # rad/(m/s²), of the kinematic form
    friction: float  # coefficient of the tyres on a dry road
    relaxation_length: float  # m
    rolling_resistance: float  # over the weight
    natural_frequency: float  # rad/s, of the steering
    damping: float  # of the steering, 1 is critical
    steering_lag: float  # s, of a first-order steering; 0.0 where it is of second order
    rate_limit: float  # rad/s
    rate_demand: (
        float  # 1.0 where the rate limit bounds what the servo asks for, 0.0 where it stops the motion
    )
    steering_acceleration_limit: float  # rad/s²
    angle_limit: float  # rad
    gain: float  # achieved over commanded road-wheel angle
    offset: float  # rad, road-wheel angle when 0 is asked
    resolution: float  # rad, step in which the steering takes its command; 0.0 without steps
    dead_band: float  # rad, error either way within which the steering rests
    play: float  # rad, half the gap between actuator and road wheels
    compliance: float  # rad/N, road-wheel angle lost by side force on the front axle
    return_rate: float  # 1/s, with which a steering without power returns to straight; 0.0 if it stays
    drive_lag: float  # s
    brake_lag: float  # s
    drive_gain: float  # achieved over demanded acceleration
    brake_gain: float  # achieved over demanded deceleration
    drive_jerk_limit: float  # m/s³
    brake_jerk_limit: float  # m/s³
    speed_gain: float  # 1/s
    speed_integral_gain: float  # 1/s²
    hand_over: float  # m/s², demand that it takes to change between drive and brake
    acceleration_limit: float  # m/s²
    deceleration_limit: float  # m/s², positive
    throttle_free: float  # throttle position up to which the drive gives nothing
    throttle_bend: float  # of the throttle's static map, 0.0 straight
    brake_free: float  # brake position up to which the brake gives nothing
    drive_fade: float  # s/m, share of the drive lost per speed: 1/no_load_speed, 0.0 without loss
    motor_drag: float  # 1/s, acceleration lost per speed while the drive pushes
    drive_front_share: float  # of the drive force at the front axle
    brake_front_share: float  # of the brake force at the front axle


class DeadTimes(NamedTuple):
    """Time between a command and the first sign of an answer, s."""

    steering: float
    drive: float
    brake: float
