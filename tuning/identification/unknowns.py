"""Unknowns of a fit: their bounds, and the coordinates in which the fit sees them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Unknown", "bounds", "coordinates", "from_coordinates"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Unknown:
    """A value to be found.

    Attributes:
        name: dotted name of the vehicle's field.
        unit: its SI unit.
        low, high: bounds, from the vehicle file's own and from common sense.
        start: first guess, within the bounds.
        logarithmic: whether the fit sees its logarithm, as suits a value that is positive and known to a factor.
    """

    name: str
    unit: str
    low: float
    high: float
    start: float
    logarithmic: bool = False

    def at(self, start: float) -> Unknown:
        """Give the same unknown with another first guess, brought within the bounds."""
        inside = min(max(start, self.low), self.high)
        return Unknown(self.name, self.unit, self.low, self.high, inside, self.logarithmic)


def coordinates(unknowns: Sequence[Unknown]) -> Array:
    """Give the first guesses as the fit sees them, shape (p,)."""
    return np.array([math.log(u.start) if u.logarithmic else u.start for u in unknowns])


def bounds(unknowns: Sequence[Unknown]) -> tuple[Array, Array]:
    """Give lower and upper bounds as the fit sees them, each of shape (p,)."""
    low = np.array([math.log(u.low) if u.logarithmic else u.low for u in unknowns])
    high = np.array([math.log(u.high) if u.logarithmic else u.high for u in unknowns])
    return low, high


def from_coordinates(unknowns: Sequence[Unknown], z: Array) -> dict[str, float]:
    """Give values by name from what the fit sees, shape (p,)."""
    return {u.name: math.exp(x) if u.logarithmic else float(x) for u, x in zip(unknowns, z, strict=True)}
