"""The steady turn: the state in which a vehicle drives a circle at constant speed."""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.motion.single_track import KINEMATIC_BELOW, dynamic_share
from tuning.vehicle.model import body
from tuning.vehicle.parameters import KINEMATIC, SINGLE_TRACK_BRUSH, PlantParameters
from tuning.vehicle.resistance import GRAVITY, resistance, side_pull
from tuning.vehicle.state import State, Surroundings

__all__ = ["steady_turn"]

_LEVEL = Surroundings(1.0, 0.0, 0.0, 0.0)
_FIXED_POINT_STEPS = 5  # towards a start for Newton's method: the steering angle enters only through cos δ
_NEWTON_STEPS = 12
_DIFFERENCE = 1e-7  # step of the numerical slopes: states are of order 0.01 to 10
_STILL = 1e-13  # rest of the balance over its terms, at which no step improves it
_SOLVED = 1e-9  # the same, at which a state counts as steady
_HALVINGS = 12  # of the curvature, towards the largest that the grip allows: to 0.02 %
_LARGEST_ANGLE = 1.5  # rad, beyond every steering
_GRIP_LEFT = 1e-3  # share of the grip that a start for Newton's method leaves
_LEAST_COSINE = 0.1


def steady_turn(
    model: int, p: PlantParameters, speed: float, curvature: float, around: Surroundings = _LEVEL
) -> State:
    """Give the steady state at a speed [m/s] on a path curvature of the rear axle [1/m, + left].

    The path lies along the x axis, in the direction in which the vehicle points; in reverse (speed < 0) the vehicle
    moves the other way. Pose is at the origin, the heading turned by the slip of the rear axle; yaw rate is
    speed × curvature. What drive or brake must give to hold the speed, against resistance and the drag of steered
    tyres, is in the state, however much or little the vehicle can give, and with it the speed loop's integral part.

    Newton's method on the model's own equations, from the closed form above and below the hand-over. Where the grip
    does not allow the curvature, the state is that of the largest curvature of its sign that it does allow; where no
    state is steady at all, as with side wind on a road without friction, that of the kinematic form.
    """
    speed, curvature = float(speed), float(curvature)
    around = Surroundings(*(float(value) for value in around))
    if model == KINEMATIC or abs(speed) <= KINEMATIC_BELOW:
        return _kinematic(p, speed, curvature, around)
    found = _balance(model, p, speed, curvature, around, _start(model, p, speed, curvature, around))
    if found is None:
        found = _at_the_limit(model, p, speed, curvature, around)
    if found is None:
        return _kinematic(p, speed, curvature, around)
    return _state(model, p, speed, around, found)


def _kinematic(p: PlantParameters, speed: float, curvature: float, around: Surroundings) -> State:
    yaw_rate = speed * curvature
    lateral = p.rear_axle_distance * yaw_rate
    gradient = p.understeer_gradient if speed >= 0.0 else -p.understeer_gradient
    pull, _ = side_pull(p, around, speed, lateral)
    angle = float(np.arctan(curvature * (p.wheelbase + gradient * speed * speed) - gradient * pull))
    thrust = -resistance(p, around, speed)
    return _settled(p, _pose(speed, (lateral, yaw_rate, angle, 0.0, 0.0, thrust), 0.0))


def _start(
    model: int, p: PlantParameters, speed: float, curvature: float, around: Surroundings
) -> np.ndarray:
    """Give (lateral velocity, yaw rate, angle, slip front, slip rear, thrust): the balance of side forces alone.

    F_f cos δ = (m b (v r − p) − I q)/L, F_r = (m a (v r − p) + I q)/L with side pull p and turn q.
    """
    kinematic = _kinematic(p, speed, curvature, around)
    share, u = float(dynamic_share(speed)), abs(speed)
    a, b, length = p.front_axle_distance, p.rear_axle_distance, p.wheelbase
    yaw_rate, angle, lateral = speed * curvature, kinematic.steering_angle, kinematic.lateral_velocity
    brush = model == SINGLE_TRACK_BRUSH
    stiffness_front = p.tyre_stiffness_front if brush else p.stiffness_front
    front = slip_front = slip_rear = 0.0
    for _ in range(_FIXED_POINT_STEPS):
        pull, turn = side_pull(p, around, speed, lateral)
        needed = p.mass * (speed * yaw_rate - pull)
        front = (b * needed - p.yaw_inertia * turn) / (length * max(np.cos(angle), _LEAST_COSINE))
        rear = (a * needed + p.yaw_inertia * turn) / length
        slip_front = _slip(brush, p, around, stiffness_front, b / length, front)
        slip_rear = _slip(brush, p, around, p.stiffness_rear, a / length, rear)
        lateral = b * yaw_rate + share * u * slip_rear
        turned = float(np.arctan((lateral + a * yaw_rate) / u) - np.arctan(slip_front))
        angle = turned if speed > 0.0 else -turned
    angle += p.compliance * front if brush else 0.0
    angle = kinematic.steering_angle + share * (angle - kinematic.steering_angle)
    if not brush:
        return np.array([lateral, yaw_rate, angle])
    thrust = front * np.sin(angle) / p.mass - lateral * yaw_rate - resistance(p, around, speed)
    return np.array([lateral, yaw_rate, angle, share * slip_front, share * slip_rear, thrust])


def _slip(
    brush: bool, p: PlantParameters, around: Surroundings, stiffness: float, load_share: float, force: float
) -> float:
    """Give the slip with which an axle of static load gives a side force (N), just within its grip."""
    if not brush:
        return -force / stiffness
    grip = p.friction * around.friction * p.mass * GRAVITY * load_share
    used = min(abs(force) / max(grip, 1e-9), 1.0 - _GRIP_LEFT)
    slip = 3.0 * grip / stiffness * (1.0 - np.cbrt(1.0 - used))
    return float(-np.sign(force) * slip)


def _balance(
    model: int, p: PlantParameters, speed: float, curvature: float, around: Surroundings, start: np.ndarray
) -> np.ndarray | None:
    """Give the unknowns, as `_start` does, at which the model's equations are still; None where none is found."""
    scale = 1.0 + abs(speed * speed * curvature) + abs(speed)
    unknown, best = start, None
    rest = _rest(model, p, speed, curvature, around, unknown)
    smallest = float(np.max(np.abs(rest)))
    for _ in range(_NEWTON_STEPS):
        slopes = np.empty((rest.size, unknown.size))
        for i in range(unknown.size):
            moved = unknown.copy()
            moved[i] += _DIFFERENCE
            slopes[:, i] = (_rest(model, p, speed, curvature, around, moved) - rest) / _DIFFERENCE
        try:
            step = np.linalg.solve(slopes, rest)
        except np.linalg.LinAlgError:
            return None
        unknown = unknown - step
        if not np.all(np.isfinite(unknown)) or abs(unknown[2]) > _LARGEST_ANGLE:
            return None
        rest = _rest(model, p, speed, curvature, around, unknown)
        size = float(np.max(np.abs(rest)))
        if size < _SOLVED * scale and (best is None or size < smallest):
            best, smallest = unknown, size
        elif best is not None:
            break
        if size < _STILL * scale:
            break
    return None if best is None or _slides(model, p, around, best) else best


def _rest(
    model: int, p: PlantParameters, speed: float, curvature: float, around: Surroundings, unknown: np.ndarray
) -> np.ndarray:
    """Give what is left of the balance: side and yaw acceleration, yaw rate, and with brush tyres slips and speed."""
    state = _pose(speed, unknown, 0.0)
    drive = state.drive_acceleration * (1.0 if speed > 0.0 else -1.0)
    brake = state.brake_acceleration * (1.0 if speed > 0.0 else -1.0)
    moves = body(model, p, state, state.steering_angle, drive, brake, around)
    rest = (moves.lateral_dot, moves.yaw_dot, moves.yaw_rate - speed * curvature)
    if model == SINGLE_TRACK_BRUSH:
        rest += (moves.slip_front_dot, moves.slip_rear_dot, moves.speed_dot)
    return np.array(rest)


def _slides(model: int, p: PlantParameters, around: Surroundings, unknown: np.ndarray) -> bool:
    """Tell whether the rear axle slides: a balance too, but of a drift with the steering turned out of the curve."""
    if model != SINGLE_TRACK_BRUSH:
        return False
    grip = p.friction * around.friction * p.mass * GRAVITY * p.front_axle_distance / p.wheelbase
    return abs(float(unknown[4])) * p.stiffness_rear > 3.0 * grip


def _at_the_limit(
    model: int, p: PlantParameters, speed: float, curvature: float, around: Surroundings
) -> np.ndarray | None:
    """Give the balance of the largest curvature that has one; None where not even straight driving has."""
    found = _balance(model, p, speed, 0.0, around, _start(model, p, speed, 0.0, around))
    # No more than tyres without any other duty, helped by bank and wind, would turn.
    most = (p.friction * around.friction * GRAVITY + abs(side_pull(p, around, speed, 0.0)[0])) / speed**2
    reached, beyond = 0.0, float(np.clip(curvature, -most, most))
    for _ in range(_HALVINGS if found is not None else 0):
        middle = 0.5 * (reached + beyond)
        tried = _balance(model, p, speed, middle, around, _start(model, p, speed, middle, around))
        if tried is None:
            beyond = middle
        else:
            found, reached = tried, middle
    return found


def _state(model: int, p: PlantParameters, speed: float, around: Surroundings, unknown: np.ndarray) -> State:
    """Give the state of a balance, its heading turned by the slip of the rear axle."""
    still = _pose(speed, unknown, 0.0)
    slide = body(model, p, still, still.steering_angle, 0.0, 0.0, around).rear_velocity
    if model != SINGLE_TRACK_BRUSH:
        unknown = np.append(unknown, (0.0, 0.0, -resistance(p, around, speed)))
    return _settled(p, _pose(speed, unknown, -float(np.arctan(slide / speed))))


def _settled(p: PlantParameters, state: State) -> State:
    """Give the state with a speed loop that holds the speed asked for, if it can: its integral part and its pedal."""
    asked = state.drive_acceleration / p.drive_gain + state.brake_acceleration / p.brake_gain
    ahead = asked if state.speed >= 0.0 else -asked
    return state._replace(
        speed_integral=ahead if p.speed_integral_gain > 0.0 else 0.0, pedal=float(np.sign(asked))
    )


def _pose(speed: float, unknown: Any, heading: float) -> State:
    """Give a state at the origin; drive and brake are counted in the direction of the motion."""
    values = [float(value) for value in unknown]
    lateral, yaw_rate, angle, slip_front, slip_rear, thrust = values + [0.0] * (6 - len(values))
    ahead = thrust if speed >= 0.0 else -thrust
    return State(
        0.0, 0.0, heading, speed, lateral, yaw_rate, angle, 0.0, max(ahead, 0.0), min(ahead, 0.0),
        slip_front, slip_rear, 0.0, angle, 0.0,
    )  # fmt: skip
