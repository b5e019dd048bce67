"""Dynamics of a vehicle, linearised about a steady turn, from the same equations that are simulated."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tracks.errors import InputError
from tracks.one_source import traced
from tuning.vehicle.model import body, derivative
from tuning.vehicle.parameters import KINEMATIC, SINGLE_TRACK, SINGLE_TRACK_BRUSH, PlantParameters
from tuning.vehicle.state import Inputs, Motion, State, Surroundings
from tuning.vehicle.steady import steady_turn

if TYPE_CHECKING:
    import control

    from tuning.vehicle.vehicle import Vehicle

__all__ = ["characteristic_speed", "linearise"]

_LEVEL = Surroundings(1.0, 0.0, 0.0, 0.0)

# What each body has of its own; the other fields of a state follow or stand still.
_STATES = {
    KINEMATIC: (),
    SINGLE_TRACK: ("lateral_velocity", "yaw_rate"),
    SINGLE_TRACK_BRUSH: ("lateral_velocity", "yaw_rate", "slip_front", "slip_rear"),
}
_OUTPUTS = ("yaw_rate", "rear_lateral_velocity", "lateral_acceleration")
_NO_LIMIT = 1e9
_STILL = 1e-6  # m/s² and rad/s², beyond which a state is not steady


def characteristic_speed(wheelbase: float, understeer_gradient: float) -> float:
    """Give the speed (m/s) at which an understeering vehicle needs twice the neutral steering angle: √(L/K)."""
    if understeer_gradient <= 0.0:
        raise InputError(
            f"the understeer gradient is {understeer_gradient:g} rad/(m/s²)",
            "a value above 0: only an understeering vehicle has a characteristic speed",
            "take its critical speed, √(−L/K), where it is below 0",
        )
    return float(np.sqrt(wheelbase / understeer_gradient))


def linearise(
    vehicle: Vehicle,
    speed: float,
    curvature: float = 0.0,
    surroundings: Surroundings = _LEVEL,
    *,
    steering: bool = False,
    longitudinal: bool = False,
) -> control.StateSpace:
    """Linearise a vehicle of any model about the steady turn at a speed and on a curvature of the rear axle's path.

    States, inputs and outputs are deviations from that turn, named as in `State`:

    - states: `lateral_velocity` (m/s, of the centre of gravity) and `yaw_rate` (rad/s), with brush tyres also
      `slip_front` and `slip_rear` (tan of the slip angle built up). A kinematic body has no state of its own.
    - input: `steering_angle` (rad, of the steering actuator as a road-wheel angle).
    - outputs: `yaw_rate` (rad/s), `rear_lateral_velocity` (m/s, of the rear-axle middle), `lateral_acceleration`
      (m/s², of the centre of gravity; of the rear axle with a kinematic body).
    - `steering`: the states `steering_angle` (rad) and `steering_rate` (rad/s; not of a first-order steering) come
      first, and the input is `steering_target` (rad).
    - `longitudinal`: the state `speed` (m/s) comes last, with the input `thrust` (m/s², what drive or brake give,
      whichever of them holds the speed) and the output `speed`.

    Stops, limits of rate and acceleration, play, dead band and steps of the steering are left out, being no linear
    things; dead times and the speed loop are not of the body.

    Args:
        vehicle: the vehicle.
        speed: m/s, below 0 in reverse.
        curvature: 1/m, + left.
        surroundings: road and wind.
        steering: with the by-wire steering.
        longitudinal: with the speed as a state.

    Raises:
        InputError: speed or curvature is no finite number, or the grip does not allow the turn.
    """
    import control

    if not (np.isfinite(speed) and np.isfinite(curvature)):
        raise InputError(
            f"speed is {speed:g} m/s and curvature {curvature:g} 1/m", "finite numbers", "correct them"
        )
    plant = vehicle.plant._replace(
        play=0.0, dead_band=0.0, resolution=0.0, angle_limit=_NO_LIMIT, steering_acceleration_limit=_NO_LIMIT
    )
    around = Surroundings(*(float(value) for value in surroundings))
    point = steady_turn(vehicle.model_code, plant, speed, curvature, around)
    _check(vehicle.model_code, plant, point, speed, curvature, around)
    states = list(_STATES[vehicle.model_code])
    inputs, outputs = ["steering_angle"], list(_OUTPUTS)
    if steering:
        first_order = plant.steering_lag > 0.0
        states = ["steering_angle", *([] if first_order else ["steering_rate"]), *states]
        inputs = ["steering_target"]
    if longitudinal:
        states, inputs, outputs = [*states, "speed"], [*inputs, "thrust"], [*outputs, "speed"]
    matrices = _matrices(vehicle.model_code, plant, point, around, states, inputs)
    return control.StateSpace(*matrices, states=states, inputs=inputs, outputs=outputs)


def _check(
    model: int, plant: PlantParameters, point: State, speed: float, curvature: float, around: Surroundings
) -> None:
    """Refuse a turn that is not the one asked for, or not steady."""
    moves = body(model, plant, point, point.steering_angle, *_pedals(point), around)
    reached = moves.yaw_rate / speed if speed else curvature
    still = max(abs(moves.lateral_dot), abs(moves.yaw_dot)) < _STILL
    if not still or abs(reached - curvature) * abs(speed) > _STILL:
        raise InputError(
            f"a curvature of {curvature:g} 1/m at {speed:g} m/s is asked for",
            f"a turn that the grip allows, here up to {reached:.4g} 1/m" if still else "a turn that the grip allows",
            "lower the speed or the curvature, or give more friction",
        )  # fmt: skip


def _pedals(point: State) -> tuple[float, float]:
    """Give what drive and brake give along the vehicle's x axis, m/s²; both are held in the direction of motion."""
    sign = -1.0 if point.speed < 0.0 else 1.0
    return sign * point.drive_acceleration, sign * point.brake_acceleration


def _matrices(
    model: int, plant: PlantParameters, point: State, around: Surroundings, states: list[str], inputs: list[str]
) -> tuple[np.ndarray, ...]:  # fmt: skip
    """Give A, B, C, D at a steady state."""
    import casadi

    x, u = casadi.SX.sym("x", len(states)), casadi.SX.sym("u", len(inputs))
    state = point._replace(**{name: x[i] for i, name in enumerate(states)})
    target: Any = u[0] if inputs[0] == "steering_target" else point.steering_angle
    angle = u[0] if inputs[0] == "steering_angle" else state.steering_angle
    drive, brake = _pedals(point)
    if "thrust" in inputs and brake != 0.0:
        brake = u[1]
    elif "thrust" in inputs:
        drive = u[1]
    moves = traced(body)(model, plant, state, angle, drive, brake, around)
    known = Inputs(target, point.speed, 0.0, point.speed, 0.0, 1.0, 1.0)
    steered = traced(derivative)(model, plant, state, known, around)
    slopes = {
        "steering_angle": steered.steering_angle,
        "steering_rate": steered.steering_rate,
        "lateral_velocity": moves.lateral_dot,
        "yaw_rate": moves.yaw_dot,
        "slip_front": moves.slip_front_dot,
        "slip_rear": moves.slip_rear_dot,
        "speed": moves.speed_dot,
    }
    f = casadi.vertcat(casadi.SX(0, 1), *(slopes[name] for name in states))
    g = _outputs(model, state, moves, "speed" in states)
    pairs = [(f, x), (f, u), (g, x), (g, u)]
    jacobians = casadi.Function("jacobians", [x, u], [casadi.jacobian(*pair) for pair in pairs])
    held = {"steering_target": point.steering_angle, "steering_angle": point.steering_angle}
    at_x = [getattr(point, name) for name in states]
    at_u = [held[inputs[0]], *([sum(_pedals(point))] if "thrust" in inputs else [])]
    shapes = [(a.numel(), b.numel()) for a, b in pairs]
    found = [np.asarray(m.full(), dtype=float) for m in jacobians(casadi.DM(at_x), casadi.DM(at_u))]
    return tuple(matrix.reshape(shape) for matrix, shape in zip(found, shapes, strict=True))


def _outputs(model: int, state: State, moves: Motion, with_speed: bool) -> Any:
    import casadi

    acceleration = state.speed * moves.yaw_rate
    if model != KINEMATIC:
        acceleration += moves.lateral_dot
    rows = [moves.yaw_rate, moves.rear_velocity, acceleration]
    return casadi.vertcat(*(casadi.SX(row) for row in rows), *([state.speed] if with_speed else []))
