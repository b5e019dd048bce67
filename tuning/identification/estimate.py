"""Least squares with bounds, several starts, priors, a robust loss, and weights from the residuals.

Notation: z the p unknowns as the fit sees them, u = (simulated − measured)/σ the weighted residual of an output.

The loss is Huber's, u²/2 up to k and k|u| − k²/2 beyond (Annals of Mathematical Statistics 35(1), 1964; from memory),
with k = 3.5: noise without outliers is hardly touched, and a glitch of any size pulls no harder than 3.5 σ. The fit sees
it as least squares of sign(u) √(2 loss(u)). The scale is Huber's second proposal, the RMS of the residuals cut off at
± k times the scale.

Weights: the residuals are divided by their scale times √i, with i the number of residuals that are worth one independent
one, so that a coloured output counts for what it knows, against other outputs and against priors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.identification.descent import descend
from tuning.identification.precision import Stack, colour_of, precision
from tuning.identification.unknowns import Unknown, bounds, coordinates, priors

__all__ = ["CUT", "Estimate", "Residuals", "Stack", "fit", "scale_of", "weights_of"]

Array = NDArray[np.float64]

# Residuals of one evaluation: output name -> shape (m,), unweighted, SI.
Residuals = dict[str, Array]

CUT = 3.5  # standard deviations from which on a residual counts for less than its square
# RMS of a normal residual cut off at ±3.5: ∫ min(u², k²) φ(u) du = 0.99845 (by the closed form).
_CUT_VARIANCE = 0.99845
_STEP = 1e-5  # of a coordinate of order 1, for forward differences; the simulation is smooth to about 1e-12
_WEIGHT_ROUNDS = 4  # times at most that the weights are taken anew from the residuals
_SETTLED = 0.05  # relative change of weights below which they are left
_SCREENED = 8  # starting points tried for each one that is followed
_FIRST_STEPS, _LAST_STEPS = 6, 40  # evaluations of J while choosing among starts, and to the end
_WORKERS = 2
_NOTHING = 1e-3  # a column of J times its range below this says nothing


@dataclass(frozen=True)
class Estimate:
    """Outcome of a fit.

    Attributes:
        z: the unknowns as the fit sees them, shape (p,).
        covariance: shape (p, p); infinite on the diagonal where neither data nor prior say anything.
        blind: unknowns that the data say nothing about, shape (p,).
        at_bound: unknowns that ended at a bound, shape (p,).
        learned: share of each unknown's prior variance that the data have taken away, shape (p,); 1 without a prior.
        noise: output name -> what its residuals are divided by, SI.
        scale: output name -> RMS of its residuals without outliers, SI.
        outliers: output name -> share of its residuals beyond `CUT` times the scale.
        cost: the loss, outputs, penalty and priors together.
        evaluations: simulations done.
    """

    z: Array
    covariance: Array
    blind: NDArray[np.bool_]
    at_bound: NDArray[np.bool_]
    learned: Array
    noise: dict[str, float]
    scale: dict[str, float]
    outliers: dict[str, float]
    cost: float
    evaluations: int

    @property
    def found(self) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Values, their covariance, and which of them were not seen."""
        return self.z, self.covariance, self.blind


class _Weighted:
    """Residuals of all outputs in one vector, each divided by its noise and made robust, and their derivatives."""

    def __init__(
        self,
        residuals: Callable[[Array], Residuals],
        penalty: Callable[[Array], Array] | None,
        unknowns: Sequence[Unknown],
        noise: dict[str, float],
    ) -> None:
        self.residuals, self.penalty, self.noise = residuals, penalty, dict(noise)
        self.cut = dict.fromkeys(noise, np.inf)  # in units of the weighted residual
        self.low, self.high = bounds(unknowns)
        self.mean, self.spread = priors(unknowns)
        self.told = np.isfinite(self.spread)
        self.evaluations = 0

    def outputs(self, z: Array) -> dict[str, Array]:
        """Give the robust weighted residuals by output."""
        self.evaluations += 1
        return {
            name: _robust(values / self.noise[name], self.cut[name])
            for name, values in self.residuals(z).items()
        }

    def __call__(self, z: Array) -> Array:
        parts = list(self.outputs(z).values())
        if self.penalty is not None:
            parts.append(self.penalty(z))
        parts.append(((z - self.mean) / self.spread)[self.told])
        return np.concatenate(parts)

    def weigh(self, stack: Stack, values: Residuals) -> float:
        """Take weights and cuts anew from unweighted residuals; give the largest relative change of either."""
        noise = weights_of(values, stack)
        cut = {name: CUT * scale_of(r) for name, r in values.items()}
        before = {name: self.cut[name] * self.noise[name] for name in noise}
        change = max(
            max(abs(noise[name] / self.noise[name] - 1.0), _change(cut[name], before[name], values[name]))
            for name in noise
        )
        self.noise, self.cut = noise, {name: cut[name] / noise[name] for name in noise}
        return change

    def jacobian(self, z: Array) -> Array:
        """Give ∂r/∂z by forward differences, backward at an upper bound, on two threads."""
        base = self(z)

        def column(i: int) -> Array:
            step = _STEP if z[i] + _STEP <= self.high[i] else -_STEP
            moved = z.copy()
            moved[i] += step
            return (self(moved) - base) / step

        with ThreadPoolExecutor(_WORKERS) as pool:
            return np.stack(list(pool.map(column, range(z.size))), axis=1)


def _change(cut: float, before: float, values: Array) -> float:
    """Give how much a cut has changed, relatively; 0 where none of the residuals reaches either."""
    reached = float(np.max(np.abs(values))) > min(cut, before)
    return abs(cut / before - 1.0) if reached else 0.0


def _robust(u: Array, cut: float) -> Array:
    """Give sign(u) √(2 loss(u)) of Huber's loss, shape (m,)."""
    size = np.abs(u)
    beyond = size > cut
    if not np.any(beyond):
        return u
    return np.where(beyond, np.sign(u) * np.sqrt(np.maximum(2.0 * cut * size - cut**2, 0.0)), u)


def scale_of(values: Array) -> float:
    """Give the RMS of residuals cut off at ±`CUT` times it, by Huber's second proposal; 1 where all are 0."""
    scale = float(np.sqrt(np.mean(values**2)))
    for _ in range(20):
        if scale == 0.0:
            return 1.0
        cut = np.minimum(np.abs(values), CUT * scale)
        smaller = float(np.sqrt(np.mean(cut**2) / _CUT_VARIANCE))
        if abs(smaller - scale) <= 1e-4 * scale:
            return smaller
        scale = smaller
    return scale


def weights_of(values: Residuals, stack: Stack) -> dict[str, float]:
    """Give what each output's residuals are divided by: their scale, times the root of how few are independent."""
    return {
        name: scale_of(r) * float(np.sqrt(colour_of(r, stack.group[stack.moments[name]]).inflation))
        for name, r in values.items()
    }


def fit(
    residuals: Callable[[Array], Residuals],
    stack: Stack,
    unknowns: Sequence[Unknown],
    noise: dict[str, float],
    spread: Sequence[int] = (),
    starts: int = 1,
    seed: int = 0,
    penalty: Callable[[Array], Array] | None = None,
    steps: int | None = None,
    precise: bool = True,
) -> Estimate:
    """Minimise the loss from the best of several starts.

    Args:
        residuals: simulated minus measured, by output, as a function of z.
        stack: where the residuals stand in time.
        unknowns: with first guesses, bounds and priors.
        noise: first guess of what each output's residuals are divided by.
        spread: the unknowns that other starts vary, over their whole range; the rest keep their first guess.
        starts: how many starts are followed.
        seed: of the starts.
        penalty: weighted rows that only steady the fit, as a function of z; not used for the precision.
        steps: most evaluations of J for a trial that need not be exact: its weights are not taken anew.
        precise: whether to work the covariance out; without, it is NaN, and nothing is blind.
    """
    weighted = _Weighted(residuals, penalty, unknowns, noise)

    def follow(z: Array, most: int) -> tuple[float, Array]:
        return descend(weighted, weighted.jacobian, z, weighted.low, weighted.high, most)

    z = _best_start(weighted, follow, coordinates(unknowns), spread, starts, seed)
    cost, z = follow(z, steps or _LAST_STEPS)
    for _ in range(_WEIGHT_ROUNDS if steps is None else 0):
        if weighted.weigh(stack, residuals(z)) < _SETTLED:
            break
        cost, z = follow(z, _LAST_STEPS)
    values = residuals(z)
    scale = {name: scale_of(r) for name, r in values.items()}
    outliers = {name: float(np.mean(np.abs(r) > CUT * scale[name])) for name, r in values.items()}
    weighted.weigh(stack, values)
    weighted.penalty = None
    covariance, blind, learned = _covariance(weighted, stack, z) if precise else _unknown(z.size)
    reach = 1e-6 * np.maximum(weighted.high - weighted.low, 1e-12)
    at_bound = (z - weighted.low <= reach) | (weighted.high - z <= reach)
    return Estimate(
        z, covariance, blind, at_bound, learned, weighted.noise, scale, outliers, cost, weighted.evaluations
    )


def _best_start(weighted, follow, start, spread, starts, seed) -> Array:  # type: ignore[no-untyped-def]
    """Screen a Latin hypercube over the spread unknowns, follow the best few a short way, give the best end."""
    if starts <= 1 or not spread:
        return start
    low, high = weighted.low, weighted.high
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


def _unknown(p: int) -> tuple[Array, NDArray[np.bool_], Array]:
    return np.full((p, p), np.nan), np.zeros(p, dtype=bool), np.ones(p)


def _covariance(weighted: _Weighted, stack: Stack, z: Array) -> tuple[Array, NDArray[np.bool_], Array]:
    """Give the covariance, which unknowns the data say nothing about, and what was learned beyond the priors."""
    whole = weighted.jacobian(z)
    values = weighted.outputs(z)
    jacobian: dict[str, Array] = {}
    offset = 0
    for name, r in values.items():
        jacobian[name] = whole[offset : offset + r.size]
        offset += r.size
    size = np.sqrt(sum(np.sum(j**2, axis=0) for j in jacobian.values()))
    # A column this small moves all residuals together by less than a thousandth of one residual's noise over
    # the whole range of the unknown.
    blind = size * (weighted.high - weighted.low) < _NOTHING
    covariance = np.zeros((z.size, z.size))
    covariance[blind, blind] = weighted.spread[blind] ** 2
    seen = np.flatnonzero(~blind)
    if seen.size:
        part = {name: j[:, seen] for name, j in jacobian.items()}
        covariance[np.ix_(seen, seen)] = precision(part, values, stack, weighted.spread[seen])
    told = weighted.told
    learned = np.ones(z.size)
    learned[told] = 1.0 - np.minimum(np.diag(covariance)[told] / weighted.spread[told] ** 2, 1.0)
    return covariance, blind, learned
