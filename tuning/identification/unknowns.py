"""Unknowns of a fit: their bounds, what was known of them before, and the coordinates in which the fit sees them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Unknown", "bounds", "coordinates", "from_coordinates", "priors", "with_priors"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Unknown:
    """A value to be found.

    Attributes:
        name: dotted name of the vehicle's field, of a sensor's ("sensors.yaw_rate_lag"), or of the road ("road.bank[1]").
        unit: its SI unit.
        low, high: bounds, from the vehicle file's own and from common sense.
        start: first guess, within the bounds.
        logarithmic: whether the fit sees its logarithm, as suits a value that is positive and known to a factor.
        prior: mean and standard deviation of what was known before, in the value's unit, or None.
    """

    name: str
    unit: str
    low: float
    high: float
    start: float
    logarithmic: bool = False
    prior: tuple[float, float] | None = None

    def at(self, start: float) -> Unknown:
        """Give the same unknown with another first guess, brought within the bounds."""
        return replace(self, start=min(max(start, self.low), self.high))


def coordinates(unknowns: Sequence[Unknown]) -> Array:
    """Give the first guesses as the fit sees them, shape (p,)."""
    return np.array([math.log(u.start) if u.logarithmic else u.start for u in unknowns])


def bounds(unknowns: Sequence[Unknown]) -> tuple[Array, Array]:
    """Give lower and upper bounds as the fit sees them, each of shape (p,)."""
    low = np.array([math.log(u.low) if u.logarithmic else u.low for u in unknowns])
    high = np.array([math.log(u.high) if u.logarithmic else u.high for u in unknowns])
    return low, high


def priors(unknowns: Sequence[Unknown]) -> tuple[Array, Array]:
    """Give means and standard deviations of the priors as the fit sees them, each of shape (p,); infinite without one.

    A logarithm's standard deviation is the relative one of the value.
    """
    mean, spread = np.zeros(len(unknowns)), np.full(len(unknowns), np.inf)
    for i, unknown in enumerate(unknowns):
        if unknown.prior is not None:
            middle, error = unknown.prior
            mean[i] = math.log(middle) if unknown.logarithmic else middle
            spread[i] = error / middle if unknown.logarithmic else error
    return mean, spread


def with_priors(unknowns: Sequence[Unknown], given: Mapping[str, tuple[float, float]]) -> tuple[Unknown, ...]:
    """Give the unknowns with the user's priors by name in place of their own, started at their means."""
    return tuple(
        replace(u, prior=given[u.name]).at(given[u.name][0]) if u.name in given else u for u in unknowns
    )


def from_coordinates(unknowns: Sequence[Unknown], z: Array) -> dict[str, float]:
    """Give values by name from what the fit sees, shape (p,); the exponential of a bound's logarithm is the bound."""
    return {
        u.name: min(max(math.exp(x) if u.logarithmic else float(x), u.low), u.high)
        for u, x in zip(unknowns, z, strict=True)
    }
