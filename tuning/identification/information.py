"""What drives tell about unknowns: Fisher information from the sensitivities of simulated outputs.

Notation: z the p unknowns as a fit sees them, J = ∂ŷ/∂z of an output's residuals, σ its noise, M = Σ over outputs of
Jᵀ J/σ², and by the Cramér-Rao inequality cov(z) ≥ M⁻¹ (L. Ljung, System Identification, 2nd ed. 1999, sec. 7.4; G. C.
Goodwin & R. L. Payne, Dynamic System Identification, 1977; both from memory). Coloured noise is taken into account by a
factor: each column of J is divided by the square root of `colour_of`, which for one value alone is exact.

Any problem with `unknowns`, `residuals(z)` and `stack` will do; nothing here knows what the unknowns are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Residuals, Stack
from tuning.identification.noise_levels import Noise, colour_of
from tuning.identification.unknowns import Unknown, bounds, coordinates, priors

__all__ = ["Problem", "by_log", "covariance", "only_together", "sensitivities", "weak_directions"]

Array = NDArray[np.float64]

_STEP = 1e-5  # of a coordinate of order 1; the simulation is smooth to about 1e-12
_PART = 0.3  # a value belongs to a weak direction of unit length from this part on


class Problem(Protocol):
    """What a fit minimises the residuals of."""

    @property
    def unknowns(self) -> tuple[Unknown, ...]:
        """What is fitted, in the order of z."""
        ...

    @property
    def stack(self) -> Stack:
        """Which sample each residual belongs to."""
        ...

    def residuals(self, z: Array, /) -> Residuals:
        """Give simulated minus measured, by output, SI."""
        ...


def sensitivities(problem: Problem, z: Array | None = None) -> dict[str, Array]:
    """Give ∂(residuals)/∂z by output, each of shape (m, p), by central differences within the bounds.

    Args:
        problem: its residuals are smooth in z.
        z: where, shape (p,); None for the unknowns' starts.
    """
    at = coordinates(problem.unknowns) if z is None else z
    low, high = bounds(problem.unknowns)
    columns: list[Residuals] = []
    for i in range(at.size):
        up, down = at.copy(), at.copy()
        up[i] = min(at[i] + _STEP, high[i])
        down[i] = max(at[i] - _STEP, low[i])
        after, before = problem.residuals(up), problem.residuals(down)
        columns.append({name: (after[name] - before[name]) / (up[i] - down[i]) for name in after})
    if not columns:
        return {}
    return {name: np.stack([column[name] for column in columns], axis=1) for name in columns[0]}


def by_log(
    problem: Problem, jacobians: Mapping[str, Array], noise: Mapping[str, Noise], log: NDArray[np.int64]
) -> Array:
    """Give the information of each log, shape (logs, p, p); their sum is that of all.

    Args:
        problem: whose residuals these are.
        jacobians: by output, shape (m, p).
        noise: by output.
        log: number of the log of each sample, shape (n,), from 0.
    """
    p = len(problem.unknowns)
    total = np.zeros((int(np.max(log)) + 1, p, p))
    for name, jacobian in jacobians.items():
        level = noise[name]
        scaled = jacobian / (level.deviation * np.sqrt(colour_of(jacobian, level.correlation)))
        number = log[problem.stack.moments[name]]
        for one in np.unique(number):
            rows = scaled[number == one]
            total[one] += rows.T @ rows
    return total


def covariance(information: Array, unknowns: Sequence[Unknown]) -> Array:
    """Give the covariance that information of shape (p, p) leaves, shape (p, p).

    What no drive shows is bounded by the range of its search: 12/range² of information, that of an even spread over
    the range, is added to each value, and the prior of those that have one. Beside any drive that shows the value the
    former is nothing.
    """
    low, high = bounds(unknowns)
    _, told = priors(unknowns)
    ranged = information + np.diag(12.0 / (high - low) ** 2 + 1.0 / told**2)
    scale = np.sqrt(np.diag(ranged))
    inverse = np.linalg.inv(ranged / np.outer(scale, scale))
    return 0.5 * (inverse + inverse.T) / np.outer(scale, scale)


def only_together(
    names: Sequence[str], spread: Array, allowed: Array, most: int = 2
) -> tuple[tuple[str, ...], ...]:
    """Give groups of values that the drives show only in combination.

    A value belongs to a group where its own error is larger than allowed, but would not be if the group's other
    values, as few as will do and at most `most`, were known.

    Args:
        names: of the values, p of them.
        spread: their covariance, shape (p, p).
        allowed: standard error that is good enough, shape (p,).
        most: other values of a group.
    """
    groups: set[tuple[int, ...]] = set()
    for i in np.flatnonzero(np.sqrt(np.diag(spread)) > allowed).tolist():
        others = [j for j in range(len(names)) if j != i]
        for size in range(1, most + 1):
            found = [part for part in combinations(others, size) if _left(spread, i, part) <= allowed[i]]
            if found:
                part = min(found, key=lambda part: _left(spread, i, part))
                groups.add(tuple(sorted((i, *part))))
                break
    small = [g for g in groups if not any(set(o) < set(g) for o in groups)]
    return tuple(tuple(names[i] for i in group) for group in sorted(small))


def _left(spread: Array, i: int, known: Sequence[int]) -> float:
    """Give the standard error of value i once others are known: the conditional variance of a normal distribution."""
    part = list(known)
    cross = spread[i, part]
    return float(np.sqrt(max(spread[i, i] - cross @ np.linalg.solve(spread[np.ix_(part, part)], cross), 0.0)))


def weak_directions(
    names: Sequence[str], spread: Array, allowed: Array
) -> tuple[tuple[float, dict[str, float]], ...]:
    """Give the combinations of values that are known less well than allowed, the worst first.

    Each is an eigenvector of the covariance in units of what is allowed: how many times its error is too large, and the
    parts of the values in it (of unit length, small parts left out).
    """
    scaled = spread / np.outer(allowed, allowed)
    values, vectors = np.linalg.eigh(scaled)
    found = []
    for value, vector in zip(values[::-1], vectors.T[::-1], strict=True):
        if value <= 1.0:
            break
        vector = vector * np.sign(vector[np.argmax(np.abs(vector))])
        parts = {names[i]: float(vector[i]) for i in np.argsort(-np.abs(vector)) if abs(vector[i]) >= _PART}
        found.append((float(np.sqrt(value)), parts))
    return tuple(found)
