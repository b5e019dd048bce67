"""Least squares with bounds, several starts and weights from the residuals, and what is known of its precision.

Notation: z the p unknowns as the fit sees them, r(z) the weighted residuals of all outputs, J = ∂r/∂z,
g_t = Σ over outputs of J_tᵀ r_t the score of moment t.

Precision under coloured residuals: cov(z) = (JᵀJ)⁻¹ S (JᵀJ)⁻¹, with S the long-run covariance of the scores by the
Bartlett kernel (Newey & West, Econometrica 55(3), 1987; from memory) and its bandwidth from the residuals' lag-one
correlation ρ, 1.1447 (4ρ²/((1−ρ)²(1+ρ)²) n)^(1/3) (Andrews, Econometrica 59(3), 1991; from memory). White residuals
give the classical σ² (JᵀJ)⁻¹ (Ljung, System Identification, ch. 9; from memory). S is itself an estimate, the rougher
the wider its bandwidth m against n: the covariance is widened so that ±1.96 standard errors span the critical value
1.96 + 2.9694 b + 0.4160 b² − 0.5324 b³, b = m/n (Kiefer & Vogelsang, Econometric Theory 21(6), 2005; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.identification.descent import descend
from tuning.identification.quality import lag_one

__all__ = ["Estimate", "Residuals", "Stack", "bandwidth", "fit", "long_run_covariance"]

Array = NDArray[np.float64]

# Residuals of one evaluation: output name -> shape (m,), unweighted, SI.
Residuals = dict[str, Array]

_STEP = 1e-5  # of a coordinate of order 1, for forward differences; the simulation is smooth to about 1e-12
_WEIGHT_ROUNDS = 2  # times that the weights are taken anew from the residuals
_SCREENED = 8  # starting points tried for each one that is followed
_FIRST_STEPS, _LAST_STEPS = 6, 40  # evaluations of J while choosing among starts, and to the end
_WORKERS = 2


@dataclass(frozen=True)
class Stack:
    """Where each residual stands in time, for the colour of the residuals.

    Attributes:
        moments: output name -> sample that each residual belongs to, shape (m,).
        group: recording of each sample, shape (n,): correlation does not reach across recordings.
    """

    moments: dict[str, NDArray[np.int64]]
    group: NDArray[np.int64]


@dataclass(frozen=True)
class Estimate:
    """Outcome of a fit.

    Attributes:
        z: the unknowns as the fit sees them, shape (p,).
        covariance: shape (p, p); infinite on the diagonal where the data say nothing.
        blind: unknowns that the data say nothing about, shape (p,).
        at_bound: unknowns that ended at a bound, shape (p,).
        noise: output name -> RMS of its residuals, SI.
        cost: half the sum of squared weighted residuals.
        evaluations: simulations done.
    """

    z: Array
    covariance: Array
    blind: NDArray[np.bool_]
    at_bound: NDArray[np.bool_]
    noise: dict[str, float]
    cost: float
    evaluations: int


class _Weighted:
    """Residuals of all outputs in one vector, each divided by its noise, and their derivatives."""

    def __init__(
        self, residuals: Callable[[Array], Residuals], penalty: Callable[[Array], Array] | None
    ) -> None:
        self.residuals, self.penalty = residuals, penalty
        self.noise: dict[str, float] = {}
        self.evaluations = 0

    def __call__(self, z: Array) -> Array:
        self.evaluations += 1
        parts = [values / self.noise[name] for name, values in self.residuals(z).items()]
        if self.penalty is not None:
            parts.append(self.penalty(z))
        return np.concatenate(parts)

    def jacobian(self, z: Array, low: Array, high: Array) -> Array:
        """Give ∂r/∂z by forward differences, backward at an upper bound, on two threads."""
        base = self(z)

        def column(i: int) -> Array:
            step = _STEP if z[i] + _STEP <= high[i] else -_STEP
            moved = z.copy()
            moved[i] += step
            return (self(moved) - base) / step

        with ThreadPoolExecutor(_WORKERS) as pool:
            return np.stack(list(pool.map(column, range(z.size))), axis=1)


def fit(
    residuals: Callable[[Array], Residuals],
    stack: Stack,
    start: Array,
    bounds: tuple[Array, Array],
    noise: dict[str, float],
    spread: Sequence[int] = (),
    starts: int = 1,
    seed: int = 0,
    penalty: Callable[[Array], Array] | None = None,
    steps: int | None = None,
) -> Estimate:
    """Minimise the weighted sum of squares from the best of several starts.

    Args:
        residuals: simulated minus measured, by output, as a function of z.
        stack: where the residuals stand in time.
        start: first guess, shape (p,).
        bounds: lower and upper, each of shape (p,).
        noise: first guess of the RMS of each output's residuals.
        spread: the unknowns that other starts vary, over their whole range; the rest keep their first guess.
        starts: how many starts are followed.
        seed: of the starts.
        penalty: weighted rows that only steady the fit, as a function of z; not used for the precision.
        steps: most evaluations of J for a trial that need not be exact: its weights are not taken anew.
    """
    low, high = bounds
    weighted = _Weighted(residuals, penalty)
    weighted.noise = dict(noise)

    def follow(z: Array, most: int) -> tuple[float, Array]:
        return descend(weighted, lambda x: weighted.jacobian(x, low, high), z, low, high, most)

    z = _best_start(weighted, follow, start, low, high, spread, starts, seed)
    cost, z = follow(z, steps or _LAST_STEPS)
    # The weight of a single output changes nothing.
    for after in range(_WEIGHT_ROUNDS if len(noise) > 1 and steps is None else 0):
        weighted.noise = {name: _rms(values) for name, values in residuals(z).items()}
        cost, z = follow(z, _LAST_STEPS if after + 1 == _WEIGHT_ROUNDS else _FIRST_STEPS)
    weighted.noise = {name: _rms(values) for name, values in residuals(z).items()}
    weighted.penalty = None
    covariance, blind = _covariance(weighted, stack, z, low, high)
    reach = 1e-6 * np.maximum(high - low, 1e-12)
    at_bound = (z - low <= reach) | (high - z <= reach)
    return Estimate(z, covariance, blind, at_bound, weighted.noise, cost, weighted.evaluations)


def _best_start(weighted, follow, start, low, high, spread, starts, seed) -> Array:  # type: ignore[no-untyped-def]
    """Screen a Latin hypercube over the spread unknowns, follow the best few a short way, give the best end."""
    if starts <= 1 or not spread:
        return start
    sample = _latin_hypercube(_SCREENED * starts, len(spread), np.random.default_rng(seed))
    tries = [start]
    for row in sample:
        z = start.copy()
        z[list(spread)] = low[list(spread)] + row * (high - low)[list(spread)]
        tries.append(z)
    with ThreadPoolExecutor(_WORKERS) as pool:
        costs = list(pool.map(lambda z: float(np.sum(weighted(np.clip(z, low, high)) ** 2)), tries))
    best = [tries[i] for i in np.argsort(costs, kind="stable")[: starts - 1]]
    ends = [follow(z, _FIRST_STEPS) for z in (start, *(z for z in best if z is not start))]
    return min(ends, key=lambda end: end[0])[1]


def _latin_hypercube(count: int, width: int, rng: np.random.Generator) -> Array:
    """Give points in the unit cube, shape (count, width), one in each of `count` slices of every axis."""
    slices = np.stack([rng.permutation(count) for _ in range(width)], axis=1)
    return (slices + rng.random((count, width))) / count


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) or 1.0


def _covariance(
    weighted: _Weighted, stack: Stack, z: Array, low: Array, high: Array
) -> tuple[Array, NDArray[np.bool_]]:
    jacobian = weighted.jacobian(z, low, high)
    values = weighted(z)
    size = np.sqrt(np.sum(jacobian**2, axis=0))
    # A column this small moves all residuals together by less than a thousandth of one residual's noise over
    # the whole range of the unknown.
    blind = size * (high - low) < 1e-3
    covariance = np.full((z.size, z.size), 0.0)
    covariance[blind, blind] = np.inf
    seen = np.flatnonzero(~blind)
    if seen.size == 0:
        return covariance, blind
    scaled = jacobian[:, seen] / size[seen]
    bread = np.linalg.pinv(scaled.T @ scaled, rcond=1e-12)
    names = list(stack.moments)
    scores = np.zeros((stack.group.size, seen.size))
    used = np.zeros(stack.group.size, dtype=bool)
    rho, offset = 0.0, 0
    for name in names:
        at = stack.moments[name]
        part = slice(offset, offset + at.size)
        offset += at.size
        np.add.at(scores, at, scaled[part] * values[part, None])
        used[at] = True
        rho = max(rho, lag_one(values[part]))
    width = bandwidth(int(np.count_nonzero(used)), rho)
    meat = long_run_covariance(scores[used], stack.group[used], width)
    freedom = max(values.size - z.size, 1)
    spread = bread @ meat @ bread * (values.size / freedom) * _roughness(width / np.count_nonzero(used)) ** 2
    covariance[np.ix_(seen, seen)] = spread / np.outer(size[seen], size[seen])
    return covariance, blind


def bandwidth(n: int, rho: float) -> int:
    """Give how many moments apart the scores still count as correlated, from the residuals' lag-one correlation."""
    alpha = 4.0 * rho**2 / ((1.0 - rho) ** 2 * (1.0 + rho) ** 2)
    return int(np.ceil(1.1447 * (alpha * n) ** (1.0 / 3.0))) + 1


def _roughness(b: float) -> float:
    """Give the critical value over the normal one for a bandwidth that is the share b of the moments."""
    b = min(b, 1.0)
    return (1.96 + 2.9694 * b + 0.4160 * b**2 - 0.5324 * b**3) / 1.96


def long_run_covariance(scores: Array, group: NDArray[np.int64], width: int) -> Array:
    """Give the sum over all pairs of moments of their scores' products, Bartlett weights, shape (p, p).

    Args:
        scores: shape (n, p), in the order of time.
        group: recording of each moment, shape (n,); pairs across recordings do not count.
        width: bandwidth in moments; 1 takes the scores for uncorrelated.

    The Bartlett sum with bandwidth m equals the mean over m of the products of moving sums of length m, so it costs
    one pass whatever the bandwidth.
    """
    total = np.zeros((scores.shape[1], scores.shape[1]))
    edges = np.flatnonzero(np.diff(group)) + 1
    for part in np.split(scores, edges):
        m = max(min(width, part.shape[0] // 2), 1)
        padded = np.concatenate([np.zeros((m, part.shape[1])), part, np.zeros((m - 1, part.shape[1]))])
        running = np.cumsum(padded, axis=0)
        sums = running[m:] - running[:-m]
        total += sums.T @ sums / m
    return total
