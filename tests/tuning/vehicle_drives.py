"""Cars and drives that the tests of the vehicle models share."""

from __future__ import annotations

import numpy as np

from tuning.vehicle import Inputs, State, Surroundings, Vehicle, body, rk4

STEP = 0.005  # s, the step of the bench
GRAVITY = 9.80665  # m/s², standard gravity (ISO 80000-3)
LEVEL = Surroundings()

# Example car of Rajamani, Vehicle Dynamics and Control, ch. 2 and 3, as quoted by others (secondary source):
# 80 000 N/rad a tyre, so 160 000 an axle.
EXAMPLE = Vehicle.model_validate(
    {
        "body": {"wheelbase": 2.68, "mass": 1573.0, "yaw_inertia": 2873.0, "front_axle_distance": 1.1},
        "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
        "drive": {"speed_gain": 0.0},
    }
)


def with_model(vehicle: Vehicle, model: str) -> Vehicle:
    """Give a single-track car under another model, with the same understeer gradient."""
    gradient = vehicle.plant.understeer_gradient
    return vehicle.replace(**{"body.model": model, "tyres.understeer_gradient": gradient})


def straight(speed: float, angle: float = 0.0) -> State:
    """Driving straight at a speed, the road wheels at an angle."""
    return State(0.0, 0.0, 0.0, speed, 0.0, 0.0, angle, 0.0, 0.0, 0.0)


def coasting(state: State, target: float) -> Inputs:
    """Ask for the speed that the vehicle has."""
    return Inputs(target, state.speed, 0.0, state.speed, 0.0)


def moves(vehicle: Vehicle, state: State, around: Surroundings = LEVEL):
    """Give what the body does in a state under its drive and brake, which act in the direction of the motion."""
    sign = -1.0 if state.speed < 0.0 else 1.0
    drive, brake = sign * state.drive_acceleration, sign * state.brake_acceleration
    return body(vehicle.model_code, vehicle.plant, state, state.steering_angle, drive, brake, around)


def drive(
    vehicle: Vehicle, state: State, target: float, seconds: float, step: float = STEP,
    around: Surroundings = LEVEL, hold: bool = False,
) -> State:  # fmt: skip
    """Hold a road-wheel target without drive or brake, or with the speed held against whatever acts on it."""
    speed = state.speed
    for _ in range(round(seconds / step)):
        state = rk4(vehicle.model_code, vehicle.plant, state, coasting(state, target), around, step)
        state = state._replace(speed=speed) if hold else state
    return state


def steepening(vehicle: Vehicle, lateral_acceleration: float, grip: float = GRAVITY) -> float:
    """Give slip over the slip of a linear tyre at a lateral acceleration (m/s²): 1, or the brush law turned round.

    With q = a_y/(μ g), the same for both axles without load transfer, 1 − q = (1 − z)³ gives z, and z over its limit
    q/3 for small q the ratio: derived by hand from Fiala's law. `grip` is g, or what stands for it on a bank.
    """
    if vehicle.model_name != "single-track-brush" or lateral_acceleration == 0.0:
        return 1.0
    q = abs(lateral_acceleration) / (vehicle.tyres.friction * grip)
    return float(3.0 * -np.expm1(np.log1p(-q) / 3.0) / q)
