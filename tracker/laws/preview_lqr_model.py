"""What the preview law is designed on: error states of a steered vehicle against a path, stepped exactly.

Notation: V speed [m/s]; m mass, I yaw inertia, a and b centre of gravity to front and rear axle, L = a + b, C_f and C_r
cornering stiffness of an axle [N/rad], K understeer gradient; δ road-wheel angle [rad]; κ_r the path's curvature.
Left is positive.

At the centre of gravity the states are the textbook's, X = (e₁, ė₁, e₂, ė₂): lateral error [m], its rate, heading error
[rad], its rate (R. Rajamani, Vehicle Dynamics and Control, ch. 2: from memory). At the middle of the rear axle they are
Y = (e, ψ, v_r, r): lateral error [m], heading error [rad], lateral velocity of the rear axle [m/s], yaw rate [rad/s].
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracker.response import ResponseValues
from tracker.small_matrices import exponential

__all__ = [
    "ASKED",
    "HEADING",
    "INTEGRAL",
    "LATERAL",
    "SIDEWAYS",
    "STATES",
    "STEERED",
    "YAW_RATE",
    "ErrorPlant",
    "at_rear_axle",
    "error_plant",
    "error_state_model",
    "tyres_known",
    "understeer_of",
]  # fmt: skip

# Places of the states of the law: e, ψ, v_r, r, the curvature of the steady turn that belongs to the road-wheel
# angle [1/m], the curvature asked for last [1/m], and the integral of e [m s].
LATERAL, HEADING, SIDEWAYS, YAW_RATE, STEERED, ASKED, INTEGRAL = range(7)
STATES = 7

_LEAST_LAG = 1e-3  # s, as good as none: no period is as short as ten of it


class ErrorPlant(NamedTuple):
    """One period of the error states at n speeds: x⁺ = A x + B Δu + E κ_r with Δu the change of the curvature asked for.

    Attributes:
        a, b, e: shapes (n, k, k), (n, k), (n, k).
        steady: the state of the steady turn per curvature of the path, (n, k): x = A x + E.
        motion: the row that gives v_r/V + ψ, the direction in which the rear axle moves against the path, (n, k).
        places: which of the STATES the k are, in this order.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    e: NDArray[np.float64]
    steady: NDArray[np.float64]
    motion: NDArray[np.float64]
    places: list[int]


def tyres_known(response: ResponseValues) -> bool:
    """Say whether mass, centre of gravity and both axle stiffnesses are known."""
    return (
        response.mass * response.front_axle_distance > 0.0
        and response.cornering_stiffness_front * response.cornering_stiffness_rear > 0.0
    )


def understeer_of(response: ResponseValues) -> float:
    """Give the understeer gradient of the axle stiffnesses, m/L (b/C_f − a/C_r), rad/(m/s²)."""
    a = response.front_axle_distance
    b = response.wheelbase - a
    share = b / response.cornering_stiffness_front - a / response.cornering_stiffness_rear
    return response.mass / response.wheelbase * share


def error_state_model(
    response: ResponseValues, speeds: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give the textbook's error-state model at the centre of gravity, Ẋ = A X + B₁ δ + B₂ ψ̇_d with ψ̇_d = V κ_r.

    Rajamani ch. 2 (from memory), with the stiffness of an axle for twice that of a tyre. A yaw inertia that is not known
    is taken to be m a b.

    Args:
        response: the tyres must be known.
        speeds: V, m/s, above 0, shape (n,).

    Returns:
        A (n, 4, 4), B₁ (n, 4), B₂ (n, 4), SI units.
    """
    v = np.atleast_1d(np.asarray(speeds, dtype=float))
    m, a = response.mass, response.front_axle_distance
    b = response.wheelbase - a
    inertia = response.yaw_inertia or m * a * b
    front, rear = response.cornering_stiffness_front, response.cornering_stiffness_rear
    both, turning = front + rear, a * front - b * rear
    damping = a * a * front + b * b * rear
    zero, one = np.zeros_like(v), np.ones_like(v)
    matrix = np.array(
        [
            [zero, one, zero, zero],
            [zero, -both / (m * v), both / m * one, -turning / (m * v)],
            [zero, zero, zero, one],
            [zero, -turning / (inertia * v), turning / inertia * one, -damping / (inertia * v)],
        ]
    )
    steering = np.array([zero, front / m * one, zero, a * front / inertia * one])
    path = np.array([zero, -turning / (m * v) - v, zero, -damping / (inertia * v)])
    return np.moveaxis(matrix, 2, 0), steering.T, path.T


def at_rear_axle(
    response: ResponseValues, speeds: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give `error_state_model` in the states of the rear axle, Ẏ = A Y + B δ + E κ_r; shapes as there.

    X = M Y + N κ_r: the centre of gravity lies b ahead, where a path of curvature κ_r has turned by b κ_r and moved
    aside by b² κ_r/2. The rear axle sees the path's curvature in ψ̇ = r − V κ_r alone, whether constant or not.
    """
    v = np.atleast_1d(np.asarray(speeds, dtype=float))
    matrix, steering, path = error_state_model(response, v)
    b = response.wheelbase - response.front_axle_distance
    zero, one = np.zeros_like(v), np.ones_like(v)
    to_centre = np.moveaxis(
        np.array([[one, b * one, zero, zero], [zero, v, one, b * one], [zero, one, zero, zero], [zero, zero, zero, one]]),
        2, 0,
    )  # fmt: skip
    moved = np.array([-0.5 * b * b * one, -b * v, -b * one, -v]).T
    back = np.linalg.inv(to_centre)
    bent = (matrix @ moved[:, :, None])[:, :, 0] + path * v[:, None]
    return (
        back @ matrix @ to_centre,
        (back @ steering[:, :, None])[:, :, 0],
        (back @ bent[:, :, None])[:, :, 0],
    )


def error_plant(
    response: ResponseValues, speeds: ArrayLike, period: float, integral: bool = False
) -> ErrorPlant:
    """Give the plant that the law is designed on, one period of zero-order hold, exact by the matrix exponential.

    The steering follows the curvature asked for with its lag, T κ̇_δ = u − κ_δ, and the tracker makes it
    δ = (L + K V²) κ_δ, so that a steady turn drives what is asked. Where tyres are not known the curvature driven is κ_δ
    and v_r, r are no states.

    Args:
        response: what is known of the vehicle.
        speeds: m/s, above 0, shape (n,).
        period: between two commands, s.
        integral: with the integral of the lateral error, by the law's own sum.
    """
    v = np.atleast_1d(np.asarray(speeds, dtype=float))
    known = tyres_known(response)
    places = [LATERAL, HEADING, *([SIDEWAYS, YAW_RATE] if known else []), STEERED, ASKED]
    k, n = len(places) - 2, v.size  # of the body
    flow = np.zeros((n, k + 3, k + 3))  # body, κ_δ, u, κ_r
    motion, steady = np.zeros((n, k + 2)), np.zeros((n, k + 2))
    if known:
        body, steering, path = at_rear_axle(response, v)
        length = response.wheelbase + understeer_of(response) * v * v
        flow[:, :k, :k], flow[:, :k, k], flow[:, :k, -1] = body, steering * length[:, None], path
        motion[:, SIDEWAYS] = 1.0 / v
        # Of the steady turn: r = V κ_r, and the rear axle slides outward by its slip V² m a/(L C_r) κ_r.
        load = (
            response.mass
            * response.front_axle_distance
            / (response.wheelbase * response.cornering_stiffness_rear)
        )
        steady[:, HEADING], steady[:, SIDEWAYS], steady[:, YAW_RATE] = load * v**2, -load * v**3, v
    else:
        flow[:, LATERAL, HEADING] = v
        flow[:, HEADING, k], flow[:, HEADING, -1] = v, -v
    motion[:, HEADING] = 1.0
    steady[:, k:] = 1.0
    lag = max(response.lag, _LEAST_LAG)
    flow[:, k, k], flow[:, k, k + 1] = -1.0 / lag, 1.0 / lag
    step = exponential(flow * period)
    a, e = step[:, : k + 2, : k + 2], step[:, : k + 2, -1]
    b = a[:, :, k + 1].copy()  # what is asked for changes at the period's start and then stays
    if not integral:
        return ErrorPlant(a, b, e, steady, motion, places)
    return _with_integral(ErrorPlant(a, b, e, steady, motion, places), period)


def _with_integral(plant: ErrorPlant, period: float) -> ErrorPlant:
    """Append the state q⁺ = q + period · e."""
    n, k, _ = plant.a.shape
    a = np.zeros((n, k + 1, k + 1))
    a[:, :k, :k], a[:, k, LATERAL], a[:, k, k] = plant.a, period, 1.0
    b, e, steady, motion = (
        np.pad(part, ((0, 0), (0, 1))) for part in (plant.b, plant.e, plant.steady, plant.motion)
    )
    return ErrorPlant(a, b, e, steady, motion, [*plant.places, INTEGRAL])
