"""The nonlinear predictive law's cost beyond its horizon: that of the unbounded optimum on a straight, for ever.

Notation: z the lateral states (e, ψ, lateral velocity, yaw rate, w, u₋) less those of the steady turn, cost to go
½ zᵀ P z; likewise for (v, v̇) less the plan's. With z⁺ = F z + g Δu, stage cost z⁺ᵀ Q z⁺ + R Δu² and G = g gᵀ/R,
X = Q + P solves the discrete algebraic Riccati equation X = Q + Fᵀ X (I + G X)⁻¹ F. F comes from the very step that is
predicted with. With P the horizon need not be long for the loop to be well damped.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.laws.nonlinear_mpc_integrator import Integrator, new_stages
from tracker.laws.nonlinear_mpc_values import (
    ASKED,
    LATERAL,
    OFFSET,
    SPEED,
    TABLE_SPEEDS,
    NonlinearMpcValues,
    crossing_weight,
    input_weight,
    lag_left,
    rate_weight,
)
from tracker.small_matrices import optimal_cost
from tracks.one_source import clip, equation

__all__ = ["look_up", "speed_cost", "terminal_table"]


def terminal_table(
    values: NonlinearMpcValues, tyres: int, slowest: float, fastest: float
) -> NDArray[np.float64]:
    """Give P at TABLE_SPEEDS speeds in geometric progression [m/s], shape (TABLE_SPEEDS, 6, 6)."""
    speeds = np.geomspace(slowest, fastest, TABLE_SPEEDS)
    nodes = np.zeros((TABLE_SPEEDS + 1, LATERAL + 3))
    nodes[:TABLE_SPEEDS, SPEED], nodes[TABLE_SPEEDS, SPEED] = speeds, fastest
    stages, crossing = new_stages(TABLE_SPEEDS), np.zeros((TABLE_SPEEDS + 1, LATERAL + 4))
    spans, none = np.full(TABLE_SPEEDS, values.step), np.zeros(TABLE_SPEEDS)
    Integrator(values, tyres, stages)(crossing, nodes, none, none, np.zeros((TABLE_SPEEDS, 3)), spans)
    h, left = values.step, float(lag_left(values.lag, values.step))
    f = np.zeros((TABLE_SPEEDS, LATERAL, LATERAL))
    f[:, :4] = stages.moved_by[:, OFFSET : OFFSET + 4, OFFSET : OFFSET + LATERAL]
    f[:, 4, 4], f[:, 4, 5], f[:, 5, 5] = left, 1.0 - left, 1.0
    q, r = np.zeros_like(f), np.empty(TABLE_SPEEDS)
    for i, speed in enumerate(speeds.tolist()):
        across = crossing[i, 1 + OFFSET : 1 + OFFSET + LATERAL]
        q[i] = h * crossing_weight(values, speed) * np.outer(across, across)
        q[i, 0, 0] += h * values.lateral_weight
        q[i, 5, 5] += h * input_weight(values, speed)
        r[i] = rate_weight(values, speed) / h
    return np.ascontiguousarray(optimal_cost(f, f[:, :, ASKED - OFFSET].copy(), q, r) - q)


def speed_cost(values: NonlinearMpcValues) -> NDArray[np.float64]:
    """Give the cost to go of speed and acceleration beyond the horizon, shape (2, 2)."""
    h = values.step
    f, g = np.array([[[1.0, h], [0.0, 1.0]]]), np.array([[0.5 * h * h, h]])
    q = h * np.diag([values.speed_weight, values.thrust_weight])[None]
    return (optimal_cost(f, g, q, np.array([h * values.push_weight])) - q)[0]


@equation
def look_up(table: np.ndarray, values: NonlinearMpcValues, speed: float, out: np.ndarray) -> None:
    """Write P at a speed [m/s] to `out`, shape (6, 6), linear between neighbours; P stays positive."""
    last = table.shape[0] - 1
    place = clip(np.log(speed / values.creep) * values.per_log_speed, 0.0, float(last))
    k = min(int(place), last - 1)
    share = place - k
    for i in range(LATERAL):
        for j in range(LATERAL):
            out[i, j] = table[k, i, j] + share * (table[k + 1, i, j] - table[k, i, j])
