"""The static map of a steering command without a unit: increasing, piecewise linear, a knot where the log has been.

The fit sees the first angle and the logarithm of each increment, so that every map it tries increases.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tuning.identification.unknowns import Unknown

__all__ = ["MAP_KNOTS", "angles_of", "first_map", "is_knot", "map_unknowns", "place_knots", "smoothness"]

Array = NDArray[np.float64]

MAP_KNOTS = 9
_LEAST_SHARE = 0.01  # of the samples that must lie between the middles to its neighbours for a knot to stay
_LEAST_INCREMENT, _LARGEST_INCREMENT = 1e-4, 1.5  # rad
# Weight of a bend of the map, in residuals of one standard deviation for a doubling of the slope: enough to carry a
# knot that the log hardly visits on its neighbours' line, nothing against hundreds of samples.
_BEND_WEIGHT = 1.0


def place_knots(command: Array) -> Array:
    """Give increasing knots over the commands seen, shape (k,), k ≤ MAP_KNOTS: evenly spaced, few where few samples are.

    Args:
        command: the commands of the samples that count, shape (n,).
    """
    low, high = float(np.min(command)), float(np.max(command))
    knots = list(np.linspace(low, high, MAP_KNOTS))
    while len(knots) > 3:
        middles = np.concatenate(([low], np.convolve(knots, [0.5, 0.5], "valid"), [high]))
        share = np.histogram(command, middles)[0] / command.size
        inner = share[1:-1]
        worst = int(np.argmin(inner)) + 1
        if inner[worst - 1] >= _LEAST_SHARE:
            break
        del knots[worst]
    return np.array(knots)


def first_map(knots: Array, command: Array, angle: Array) -> Array:
    """Give increasing angles at the knots that follow the scatter of angle over command, shape (k,), rad."""
    basis = np.stack([np.interp(command, knots, row) for row in np.eye(knots.size)], axis=1)
    bend = np.diff(np.eye(knots.size), 2, axis=0) * 0.1 * np.sqrt(command.size)
    rows, values = np.concatenate([basis, bend]), np.concatenate([angle, np.zeros(bend.shape[0])])
    raw = np.linalg.lstsq(rows, values, rcond=None)[0]
    least = max(0.02 * float(np.ptp(raw)) / knots.size, 2.0 * _LEAST_INCREMENT)
    increments = np.maximum(np.diff(raw), least)
    angles = np.concatenate(([raw[0]], raw[0] + np.cumsum(increments)))
    return angles - np.mean(angles) + np.mean(raw)


def map_unknowns(angles: Array) -> list[Unknown]:
    """Give the unknowns of a map from first angles at its knots, shape (k,), rad."""
    first = Unknown("steering.map_angle[0]", "rad", -1.4, 1.4, 0.0).at(float(angles[0]))
    increments = [
        Unknown(
            f"steering.map_angle[{i}]", "rad", _LEAST_INCREMENT, _LARGEST_INCREMENT, _LEAST_INCREMENT, True
        ).at(float(step))
        for i, step in enumerate(np.diff(angles), start=1)
    ]
    return [first, *increments]


def is_knot(name: str) -> bool:
    """Say whether an unknown is one of a static map's, by its name."""
    return name.startswith("steering.map_angle[")


def angles_of(values: Mapping[str, float], count: int) -> Array:
    """Give the angles at the knots from the unknowns' values, shape (count,), rad."""
    return np.cumsum([values[f"steering.map_angle[{i}]"] for i in range(count)])


def smoothness(knots: Array, angles: Array) -> Array:
    """Give weighted rows that grow as the slope of the map changes from knot to knot, shape (k − 2,)."""
    slope = np.diff(angles) / np.diff(knots)
    return _BEND_WEIGHT * np.diff(np.log(slope)) / np.log(2.0)
