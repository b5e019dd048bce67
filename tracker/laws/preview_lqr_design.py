"""The preview law's gains: the optimum of a quadratic cost for ever, and what it makes of the curvature ahead.

Notation: x⁺ = A x + B Δu + E κ as in `preview_lqr_model`; cost Σ xᵀ Q x + R Δu² of the deviations from the steady turn
x_s κ of the path's curvature κ. P solves the discrete algebraic Riccati equation, S = 1/(R + Bᵀ P B), K = S Bᵀ P A,
A_c = A − B K. In deviations a change of the path's curvature by δ_J between J − 1 and J periods ahead is a disturbance
−x_s δ_J, J − 1 steps ahead. Steering that only follows the path is no correction and may cost nothing: with R (Δu − β δ_d)²
for a lead of d periods, β B δ_J is another, J − d steps ahead. The optimum that knows what comes is

    Δu = −K (x − x_s κ) + Σ_J H_J δ_J,   H_J = S Bᵀ (A_cᵀ)^(J−1) P x_s + β [J = d] − β S Bᵀ (A_cᵀ)^(J−d) P B [J ≥ d]

(discrete preview control: M. Tomizuka, 1975; for road vehicles R. S. Sharp, V. Valtetsiotis, 2001: both from memory;
derived here by completing the square). Summed by parts these are weights of the curvatures themselves.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.laws.preview_lqr_model import INTEGRAL, LATERAL, ErrorPlant
from tracker.small_matrices import optimal_cost

__all__ = ["Foresight", "Weights", "optimal", "preview_weights", "stage_cost"]


class Weights(NamedTuple):
    """1/tolerance² at n speeds, each (n,).

    Attributes:
        lateral, heading: of e and of the direction of motion against the path, 1/m², 1/rad².
        velocity: of ė, s²/m².
        integral: of the integral of e, 1/(m s)²; 0 where there is none.
        rate, jerk: of the rate of the curvature asked for, (m s)², and of V² times it, s⁶/m².
    """

    lateral: NDArray[np.float64]
    heading: NDArray[np.float64]
    velocity: NDArray[np.float64]
    integral: NDArray[np.float64]
    rate: NDArray[np.float64]
    jerk: NDArray[np.float64]


def stage_cost(
    plant: ErrorPlant, weights: Weights, speeds: NDArray[np.float64], period: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give Q (n, k, k) and R (n,) of one period [s] at speeds [m/s]."""
    angle = weights.heading + weights.velocity * speeds**2
    q = plant.motion[:, :, None] * plant.motion[:, None, :] * angle[:, None, None]
    q[:, LATERAL, LATERAL] += weights.lateral
    if INTEGRAL in plant.places:
        q[:, -1, -1] += weights.integral
    return q * period, (weights.rate + weights.jerk * speeds**4) / period


def optimal(
    plant: ErrorPlant, q: NDArray[np.float64], r: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the optimal gains K (n, k) and the cost P (n, k, k) at all speeds.

    `control.dlqr` gives the same, speed by speed, in a hundred times the time on busy cores, and takes more than a
    second to import: too much for each candidate of a study.
    """
    p = optimal_cost(plant.a, plant.b, q, r)
    reach = (p @ plant.b[:, :, None])[:, :, 0]
    spread = 1.0 / (r + np.sum(plant.b * reach, axis=1))
    return spread[:, None] * (reach[:, None, :] @ plant.a)[:, 0, :], p


class Foresight(NamedTuple):
    """How far ahead the path is taken into account, and how.

    Attributes:
        steps: periods in a stretch, over which the path's curvature is averaged.
        stretches: how many.
        leads: by how many periods the steering leads the path, each a multiple of `steps` from `steps` on, (n,).
        share: of the path's own change of curvature, so led, that costs nothing, 0 to 1.
    """

    steps: int
    stretches: int
    leads: NDArray[np.int64]
    share: float


def preview_weights(
    plant: ErrorPlant,
    r: NDArray[np.float64],
    k: NDArray[np.float64],
    p: NDArray[np.float64],
    foresight: Foresight,
) -> NDArray[np.float64]:
    """Give the weights F of the path's mean curvature m_i over each stretch ahead, (n, stretches).

    Δu = Σ_i F_i (m_i − κ) with the curvature κ at the vehicle; beyond the last stretch its curvature goes on.
    """
    steps, count = foresight.steps, foresight.stretches
    edges = np.zeros((r.size, count + 1))
    edges[:, 0] = np.sum(k * plant.steady, axis=1)
    edges[:, 1:count] = _heights(plant, r, k, p, foresight)[:, steps::steps]
    edges[np.arange(r.size), foresight.leads // steps] += foresight.share / steps
    return edges[:, :-1] - edges[:, 1:]


def _heights(
    plant: ErrorPlant,
    r: NDArray[np.float64],
    k: NDArray[np.float64],
    p: NDArray[np.float64],
    foresight: Foresight,
) -> NDArray[np.float64]:
    """Give H_J without the term β [J = d], (n, steps · stretches); none for J = 0.

    The led change of the path is the difference of the means over two stretches, over the periods of one.
    """
    steps, last = foresight.steps, foresight.steps * foresight.stretches
    share = foresight.share * (1.0 - np.abs(np.arange(1 - steps, steps)) / steps) / steps
    pull = (p @ plant.b[:, :, None])[:, :, 0]
    spread = 1.0 / (r + np.sum(plant.b * pull, axis=1))
    back = (plant.a - plant.b[:, :, None] * k[:, None, :]).swapaxes(1, 2)
    vectors = np.stack([(p @ plant.steady[:, :, None])[:, :, 0], pull], axis=2)
    answers = np.empty((plant.b.shape[0], last, 2))  # S Bᵀ (A_cᵀ)ʲ P times x_s and B
    for j in range(last):
        answers[:, j] = spread[:, None] * np.sum(plant.b[:, :, None] * vectors, axis=1)
        vectors = back @ vectors
    heights = np.zeros((plant.b.shape[0], last))
    heights[:, 1:] = answers[:, :-1, 0]
    for row, lead in enumerate(foresight.leads):
        first = lead - steps + 1
        heights[row, first:] -= np.convolve(answers[row, :, 1], share)[: last - first]
    return heights
