"""The predictive law's cost beyond its horizon: that of the unbounded optimum on a straight, for ever.

Notation: z = (e, ψ, κ − κ_r, u₋ − κ_r) with u₋ the last input; cost to go ½ zᵀ P z, P symmetric, stored as its
upper triangle by rows (TERMS,). P is the limit of the Riccati recursion (Bellman) of the law's own cost, so
the horizon need not be long for the loop to be well damped: it only has to see the bends and the bounds ahead.
"""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_model import lag_terms, step_model
from tracker.laws.mpc_values import MpcValues, angle_weight, input_weight, rate_weight
from tracks.one_source import clip, equation

__all__ = ["TERMS", "cost_to_go", "terminal_table"]

TERMS = 10  # of a symmetric 4 × 4 matrix
SPEEDS = 24  # of the table: neighbours differ by some 20 %, P between them is interpolated
_SIZE = 4
_LONGEST = 3000  # steps of the recursion: far past any settling time
_CONVERGED = 1e-10  # relative change of P in one step


@equation
def cost_to_go(values: MpcValues, speed: float, start: np.ndarray) -> np.ndarray:
    """Give P at a speed [m/s], shape (4, 4), by the Riccati recursion from `start`, shape (4, 4)."""
    h = values.step
    model = step_model(speed, 0.0, h, values.lag, lag_terms(values.lag, h))
    f = np.zeros((_SIZE, _SIZE))
    f[0, 0], f[0, 1], f[0, 2] = model.a_ee, model.a_ep, model.a_ek
    f[1, 0], f[1, 1], f[1, 2] = model.a_pe, model.a_pp, model.a_pk
    f[2, 2] = model.a_kk
    g = np.array([model.b_e, model.b_p, model.b_k, 1.0])
    change = rate_weight(values, speed) / h
    p = start.copy()
    w, wf, new = np.zeros((_SIZE, _SIZE)), np.zeros((_SIZE, _SIZE)), np.zeros((_SIZE, _SIZE))
    gain = np.zeros(_SIZE)
    for _ in range(_LONGEST):
        w[:, :] = p
        w[0, 0] += h * values.lateral_weight
        w[1, 1] += h * angle_weight(values, speed)
        effort = change + h * input_weight(values, speed)
        for i in range(_SIZE):
            for j in range(_SIZE):
                wf[i, j] = w[i, 0] * f[0, j] + w[i, 1] * f[1, j] + w[i, 2] * f[2, j] + w[i, 3] * f[3, j]
                effort += g[i] * w[i, j] * g[j]
        for j in range(_SIZE):
            gain[j] = g[0] * wf[0, j] + g[1] * wf[1, j] + g[2] * wf[2, j] + g[3] * wf[3, j]
        gain[3] -= change
        largest, moved = 0.0, 0.0
        for i in range(_SIZE):
            for j in range(_SIZE):
                cost = f[0, i] * wf[0, j] + f[1, i] * wf[1, j] + f[2, i] * wf[2, j] + f[3, i] * wf[3, j]
                new[i, j] = cost - gain[i] * gain[j] / effort
        new[3, 3] += change
        for i in range(_SIZE):
            for j in range(_SIZE):
                mean = 0.5 * (new[i, j] + new[j, i])
                moved = np.maximum(moved, np.abs(mean - p[i, j]))
                largest = np.maximum(largest, np.abs(mean))
                p[i, j] = mean
        if moved < _CONVERGED * largest:
            break
    return p


@equation
def terminal_table(values: MpcValues, slowest: float, fastest: float) -> np.ndarray:
    """Give P at SPEEDS speeds in geometric progression [m/s], shape (SPEEDS, TERMS)."""
    table = np.zeros((SPEEDS, TERMS))
    p = np.zeros((_SIZE, _SIZE))
    # From the fastest, where the recursion converges in the fewest steps; each speed starts from the last one.
    for k in range(SPEEDS - 1, -1, -1):
        p = cost_to_go(values, slowest * (fastest / slowest) ** (k / (SPEEDS - 1)), p)
        n = 0
        for i in range(_SIZE):
            for j in range(i, _SIZE):
                table[k, n] = p[i, j]
                n += 1
    return table


@equation
def look_up(table: np.ndarray, values: MpcValues, speed: float, out: np.ndarray) -> None:
    """Write P at a speed [m/s] to `out`, shape (TERMS,), linear between neighbours; P stays positive."""
    last = table.shape[0] - 1
    place = clip(np.log(speed / values.creep) * values.per_log_speed, 0.0, float(last))
    k = min(int(place), last - 1)
    share = place - k
    for n in range(table.shape[1]):
        out[n] = table[k, n] + share * (table[k + 1, n] - table[k, n])
