"""Levenberg-Marquardt within bounds, on the normal equations.

`scipy.optimize.least_squares` was tried first: it factors the whole Jacobian at every step, which for thousands of rows
is handed to the threads of BLAS and costs more than the simulations do when the cores are busy. The normal equations
have a dozen rows; their squared condition number is harmless once columns are scaled.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tuning.identification.quality import product

__all__ = ["descend"]

Array = NDArray[np.float64]

_FIRST_DAMPING = 1e-3
_LEAST_DAMPING, _MOST_DAMPING = 1e-10, 1e10
_COST_TOLERANCE = 1e-6  # relative drop of the cost at which an accepted step is the last
_STEP_TOLERANCE = 1e-7  # of coordinates of order 1
_SERVES = 3  # steps that a Jacobian serves, corrected after each by Broyden's formula (1965, from memory)


def descend(
    residuals: Callable[[Array], Array],
    jacobian: Callable[[Array], Array],
    start: Array,
    low: Array,
    high: Array,
    steps: int,
) -> tuple[float, Array]:
    """Minimise half the sum of squares of `residuals` within [low, high].

    A coordinate at a bound towards which the cost falls is held there for the step; others step in the scaled
    Levenberg-Marquardt direction (Moré 1978, from memory) and are cut off at their bounds.

    Args:
        residuals, jacobian: functions of the coordinates, shapes (m,) and (m, p).
        start: shape (p,).
        low, high: bounds, each of shape (p,).
        steps: most evaluations of the Jacobian; each serves some steps.

    Returns:
        The cost reached, and where, shape (p,).
    """
    z = np.clip(start, low, high)
    values = residuals(z)
    cost = 0.5 * product(values, values)
    damping = _FIRST_DAMPING
    scale = np.zeros(z.size)
    for _ in range(steps):
        slopes = jacobian(z)
        for age in range(_SERVES):
            fresh = age == 0
            normal, gradient = slopes.T @ slopes, slopes.T @ values
            scale = np.maximum(scale, np.diag(normal))
            scale[scale == 0.0] = 1.0
            free = ~(((z <= low) & (gradient > 0.0)) | ((z >= high) & (gradient < 0.0)))
            found = None
            while np.any(free) and damping < _MOST_DAMPING:
                step = _step(normal, gradient, scale, free, damping)
                trial = np.clip(z + step, low, high)
                after = residuals(trial)
                lower = 0.5 * product(after, after)
                if lower < cost:
                    found = trial, after, lower
                    break
                # Where an old Jacobian leads nowhere, a new one is better than more damping.
                if not fresh or np.max(np.abs(step)) < _STEP_TOLERANCE:
                    break
                damping *= 5.0
            if found is None:
                if fresh:
                    return cost, z
                break
            trial, after, lower = found
            moved = trial - z
            done = cost - lower <= _COST_TOLERANCE * cost or float(np.max(np.abs(moved))) < _STEP_TOLERANCE
            slopes = slopes + np.outer(after - values - slopes @ moved, moved / float(moved @ moved))
            z, values, cost = trial, after, lower
            damping = max(0.1 * damping, _LEAST_DAMPING)
            if done:
                if fresh:
                    return cost, z
                break
    return cost, z


def _step(normal: Array, gradient: Array, scale: Array, free: NDArray[np.bool_], damping: float) -> Array:
    root = np.sqrt(scale[free])
    matrix = normal[np.ix_(free, free)] / np.outer(root, root)
    matrix[np.diag_indices_from(matrix)] += damping
    step = np.zeros(gradient.size)
    step[free] = -np.linalg.solve(matrix, gradient[free] / root) / root
    return step
