"""The predictive law's cost beyond its horizon: that of the unbounded optimum on a straight, for ever.

Notation: z = x − x_s(κ) and u₋ − κ with the steady turn x_s of the last bend κ and the last input u₋; six entries,
cost to go ½ zᵀ P z, P symmetric, stored as its upper triangle by rows (TERMS,). With z⁺ = F z + g Δu, stage cost
zᵀ Q z + R Δu² and G = g gᵀ/R, X = Q + P solves the discrete algebraic Riccati equation X = Q + Fᵀ X (I + G X)⁻¹ F.
With P the horizon need not be long for the loop to be well damped: it only has to see the bends and the bounds ahead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.laws.mpc_model import StepModel, step_model
from tracker.laws.mpc_values import MpcValues, Weights, step_at, weights_of
from tracker.small_matrices import optimal_cost
from tracks.one_source import clip, equation

__all__ = ["COLUMNS", "SPEEDS", "TERMS", "TOLERANCES", "cost_to_go", "look_up", "table_of", "transition"]

STATES = 5
SIZE = STATES + 1
TERMS = SIZE * (SIZE + 1) // 2
TOLERANCES = 6  # lateral, heading, lateral velocity, curvature rate, lateral jerk, lateral acceleration
COLUMNS = TERMS + TOLERANCES
SPEEDS = 24  # of the table: neighbours differ by some 20 %, what lies between them is interpolated


def transition(m: StepModel) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give A (5, 5), b (5,) and d (5,) of a step."""
    a = np.zeros((STATES, STATES))
    a[0] = m.ee, m.ep, m.ew, m.er, m.ec
    a[1] = m.pe, m.pp, m.pw, m.pr, m.pc
    a[2, 2:], a[3, 2:], a[4, 4] = (m.ww, m.wr, m.wc), (m.rw, m.rr, m.rc), m.cc
    return a, np.array([m.eu, m.pu, m.wu, m.ru, m.cu]), np.array([m.ek, m.pk, 0.0, 0.0, 0.0])


def stage_cost(weights: Weights, speed: float, span: float) -> tuple[NDArray[np.float64], float]:
    """Give Q (6, 6) over z and R over Δu of a step of `span` [s] at a speed [m/s]."""
    course = np.array([0.0, 1.0, 1.0 / speed, 0.0, 0.0, 0.0])
    q = weights.course * np.outer(course, course)
    q[0, 0], q[STATES, STATES] = weights.lateral, weights.effort
    return span * q, weights.rate / span


def cost_to_go(
    values: MpcValues, speeds: NDArray[np.float64], tolerances: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give P at m speeds [m/s], shape (m, 6, 6), for the weights of the tolerances there, shape (m, TOLERANCES)."""
    count = speeds.size
    f, g = np.zeros((count, SIZE, SIZE)), np.ones((count, SIZE))
    q, effort = np.zeros((count, SIZE, SIZE)), np.empty(count)
    for i, speed in enumerate(speeds.tolist()):
        h = float(step_at(values, speed))
        f[i, :STATES, :STATES], g[i, :STATES], _ = transition(step_model(values.response, speed, 0.0, h))
        q[i], effort[i] = stage_cost(weights_of(tolerances[i], speed), speed, h)
    f[:, :, STATES] = g  # the last input stays, Δu adds to it
    return optimal_cost(f, g, q, effort) - q


def table_of(
    values: MpcValues, speeds: NDArray[np.float64], tolerances: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give P and the weights of the tolerances at speeds in geometric progression [m/s], shape (m, COLUMNS)."""
    rows, columns = np.triu_indices(SIZE)
    beyond = cost_to_go(values, speeds, tolerances)[:, rows, columns]
    return np.ascontiguousarray(np.hstack([beyond, tolerances]))


@equation
def look_up(table: np.ndarray, values: MpcValues, speed: float, first: int, out: np.ndarray) -> None:
    """Write the columns from `first` on at a speed [m/s] to `out`, linear between neighbours; P stays positive."""
    last = table.shape[0] - 1
    place = clip(np.log(speed / values.creep) * values.per_log_speed, 0.0, float(last))
    k = min(int(place), last - 1)
    share = place - k
    for n in range(out.shape[0]):
        out[n] = table[k, first + n] + share * (table[k + 1, first + n] - table[k, first + n])
