"""The predictive law's cost beyond its horizon: that of the unbounded optimum on a straight, for ever.

Notation: z = (e, ψ, κ − κ_r, u₋ − κ_r) with u₋ the last input; cost to go ½ zᵀ P z, P symmetric, stored as its
upper triangle by rows (TERMS,). With z⁺ = F z + g Δu, stage cost zᵀ Q z + R Δu² and G = g gᵀ/R, X = Q + P solves
the discrete algebraic Riccati equation X = Q + Fᵀ X (I + G X)⁻¹ F. With P the horizon need not be long for the loop
to be well damped: it only has to see the bends and the bounds ahead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.laws.mpc_model import lag_terms, step_model
from tracker.laws.mpc_values import MpcValues, angle_weight, input_weight, rate_weight
from tracker.prediction import lag_at
from tracks.one_source import clip, equation

__all__ = ["SPEEDS", "TERMS", "cost_to_go", "look_up", "terminal_table"]

TERMS = 10  # of a symmetric 4 × 4 matrix
SPEEDS = 24  # of the table: neighbours differ by some 20 %, P between them is interpolated
_SIZE = 4
_DOUBLINGS = 40  # 2⁴⁰ steps of the horizon: convergence takes some ten
_CONVERGED = 1e-12  # relative change of X in one doubling


def cost_to_go(values: MpcValues, speeds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give P at m speeds [m/s], shape (m, 4, 4).

    By the structure-preserving doubling algorithm (E. K.-W. Chu, H.-Y. Fan, W.-W. Lin, C.-S. Wang, Int. J. Control
    77(8), 2004; from memory), all speeds at a time: each iteration doubles the horizon that X stands for.
    """
    h = values.step
    f, g = np.zeros((speeds.size, _SIZE, _SIZE)), np.ones((speeds.size, _SIZE))
    q, effort = np.zeros((speeds.size, _SIZE, _SIZE)), np.empty(speeds.size)
    for i, speed in enumerate(speeds.tolist()):
        lag = lag_at(values.response, speed)
        m = step_model(speed, 0.0, h, lag, lag_terms(lag, h))
        f[i, :3, :3] = ((m.a_ee, m.a_ep, m.a_ek), (m.a_pe, m.a_pp, m.a_pk), (0.0, 0.0, m.a_kk))
        g[i, :3] = m.b_e, m.b_p, m.b_k
        weights = values.lateral_weight, angle_weight(values, speed), 0.0, input_weight(values, speed)
        q[i] = np.diag(weights) * h
        effort[i] = rate_weight(values, speed) / h
    f[:, :, 3] = g  # the last input stays, Δu adds to it
    x, a = q, f
    gain = g[:, :, None] * g[:, None, :] / effort[:, None, None]
    for _ in range(_DOUBLINGS):
        transposed = a.swapaxes(1, 2)
        solved = np.linalg.solve(np.eye(_SIZE) + gain @ x, np.concatenate([a, gain], axis=2))
        a_solved, gain_solved = solved[:, :, :_SIZE], solved[:, :, _SIZE:]
        change = transposed @ x @ a_solved
        gain = gain + a @ gain_solved @ transposed
        a = a @ a_solved
        x = x + 0.5 * (change + change.swapaxes(1, 2))
        if np.all(np.abs(change).max((1, 2)) < _CONVERGED * np.abs(x).max((1, 2))):
            break
    return x - q


def terminal_table(values: MpcValues, slowest: float, fastest: float) -> NDArray[np.float64]:
    """Give P at SPEEDS speeds in geometric progression [m/s], shape (SPEEDS, TERMS)."""
    rows, columns = np.triu_indices(_SIZE)
    return np.ascontiguousarray(cost_to_go(values, np.geomspace(slowest, fastest, SPEEDS))[:, rows, columns])


@equation
def look_up(table: np.ndarray, values: MpcValues, speed: float, out: np.ndarray) -> None:
    """Write P at a speed [m/s] to `out`, shape (TERMS,), linear between neighbours; P stays positive."""
    last = table.shape[0] - 1
    place = clip(np.log(speed / values.creep) * values.per_log_speed, 0.0, float(last))
    k = min(int(place), last - 1)
    share = place - k
    for n in range(table.shape[1]):
        out[n] = table[k, n] + share * (table[k + 1, n] - table[k, n])
