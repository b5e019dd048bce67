"""Lateral dynamics of a vehicle, linearised about straight driving, from the same equations that are simulated."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tracks.errors import InputError
from tracks.one_source import traced
from tuning.vehicle.model import lateral, motion
from tuning.vehicle.parameters import PlantParameters
from tuning.vehicle.steering import steering_derivative

if TYPE_CHECKING:
    import control

    from tuning.vehicle.vehicle import Vehicle

__all__ = ["characteristic_speed", "lateral_system"]

_OUTPUTS = ("yaw_rate", "rear_lateral_velocity", "lateral_acceleration")


def characteristic_speed(wheelbase: float, understeer_gradient: float) -> float:
    """Give the speed (m/s) at which an understeering vehicle needs twice the neutral steering angle: √(L/K)."""
    if understeer_gradient <= 0.0:
        raise InputError(
            f"the understeer gradient is {understeer_gradient:g} rad/(m/s²)",
            "a value above 0: only an understeering vehicle has a characteristic speed",
            "take its critical speed, √(−L/K), where it is below 0",
        )
    return float(np.sqrt(wheelbase / understeer_gradient))


def lateral_system(vehicle: Vehicle, speed: float, steering: bool = False) -> control.StateSpace:
    """Linearise the lateral dynamics at a constant speed (m/s), driving straight ahead.

    States `lateral_velocity` (m/s, of the centre of gravity) and `yaw_rate` (rad/s), input `steering_angle` (rad),
    outputs `yaw_rate`, `rear_lateral_velocity` (m/s) and `lateral_acceleration` (m/s², of the centre of gravity).
    With `steering`, the states `steering_angle` (rad) and `steering_rate` (rad/s) come first and the input is
    `steering_target` (rad): rate limit, stops, offset and dead time are left out, being no linear things.
    """
    import control

    if not speed >= 0.0:
        raise InputError(f"speed is {speed:g} m/s", "a speed of 0 m/s or more", "linearise driving ahead")
    a, b, c, d = _body(vehicle.model_code, vehicle.plant, float(speed))
    states, inputs = ["lateral_velocity", "yaw_rate"], ["steering_angle"]
    if steering:
        a_s, b_s = _steering(vehicle.plant)
        a = np.block([[a_s, np.zeros((2, 2))], [b, np.zeros((2, 1)), a]])
        c = np.hstack([d, np.zeros((3, 1)), c])
        b, d = np.vstack([b_s, np.zeros((2, 1))]), np.zeros((3, 1))
        states, inputs = ["steering_angle", "steering_rate", *states], ["steering_target"]
    return control.StateSpace(a, b, c, d, states=states, inputs=inputs, outputs=list(_OUTPUTS))


def _body(model: int, plant: PlantParameters, speed: float) -> tuple[np.ndarray, ...]:
    import casadi

    state = casadi.SX.sym("state", 2)
    angle = casadi.SX.sym("angle")
    velocity_dot, yaw_dot = traced(lateral)(model, plant, speed, state[0], state[1], angle)
    yaw_rate, rear_velocity = traced(motion)(model, plant, speed, state[0], state[1], angle)
    outputs = casadi.vertcat(yaw_rate, rear_velocity, velocity_dot + speed * yaw_rate)
    slope = casadi.vertcat(velocity_dot, yaw_dot)
    return _jacobians(slope, outputs, state, angle)


def _steering(plant: PlantParameters) -> tuple[np.ndarray, ...]:
    import casadi

    state = casadi.SX.sym("state", 2)
    target = casadi.SX.sym("target")
    slope = casadi.vertcat(*traced(steering_derivative)(plant, target, state[0], state[1]))
    return _jacobians(slope, casadi.SX(0, 1), state, target)[:2]


def _jacobians(slope: Any, outputs: Any, state: Any, signal: Any) -> tuple[np.ndarray, ...]:
    """Give A, B, C, D at the origin."""
    import casadi

    pairs = [(slope, state), (slope, signal), (outputs, state), (outputs, signal)]
    matrices = casadi.Function("jacobians", [state, signal], [casadi.jacobian(f, v) for f, v in pairs])
    return tuple(np.asarray(matrix.full(), dtype=float) for matrix in matrices([0.0, 0.0], 0.0))
