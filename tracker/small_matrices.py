"""Many small matrices at a time: exponentials and optimal costs for all speeds of a table, without waking threads.

scipy and python-control hand matrices as small as these to the threads of BLAS, which cost milliseconds each on busy
cores, and a study pays for every candidate; tests hold what is here to both.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["exponential", "optimal_cost"]

_SIZE, _TERMS = 0.5, 14  # of the series: 0.5^15/15! = 2e-17
_DOUBLINGS = 40  # 2⁴⁰ steps of the horizon: convergence takes some fifteen
_CONVERGED = 1e-13  # relative change of X in one doubling


def exponential(matrices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the exponentials of matrices, shape (..., k, k), by scaling, a Taylor series and squaring."""
    size = float(np.abs(matrices).sum(axis=-1).max(initial=0.0))
    squarings = max(0, math.ceil(math.log2(max(size, _SIZE) / _SIZE)))
    small = matrices * 0.5**squarings
    identity = np.eye(matrices.shape[-1])
    total = identity + small / _TERMS
    for j in range(_TERMS - 1, 0, -1):  # Horner's scheme
        total = identity + small @ total / j
    for _ in range(squarings):
        total = total @ total
    return total


def optimal_cost(
    a: NDArray[np.float64], b: NDArray[np.float64], q: NDArray[np.float64], r: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give X of n discrete algebraic Riccati equations with one input, X = Q + Aᵀ X (I + b bᵀ X/R)⁻¹ A.

    xᵀ X x is the least Σ xᵀ Q x + R u² from x on, with x⁺ = A x + b u. By the structure-preserving doubling algorithm
    (E. K.-W. Chu, H.-Y. Fan, W.-W. Lin, C.-S. Wang, Int. J. Control 77(8), 2004; from memory): each iteration
    doubles the horizon that X stands for.

    Args:
        a: shape (n, k, k).
        b: shape (n, k).
        q: shape (n, k, k), symmetric.
        r: shape (n,), above 0.
    """
    k = a.shape[1]
    x, effect = q, b[:, :, None] * b[:, None, :] / r[:, None, None]
    for _ in range(_DOUBLINGS):
        turned = a.swapaxes(1, 2)
        solved = np.linalg.solve(np.eye(k) + effect @ x, np.concatenate([a, effect], axis=2))
        change = turned @ x @ solved[:, :, :k]
        effect = effect + a @ solved[:, :, k:] @ turned
        a = a @ solved[:, :, :k]
        x = x + 0.5 * (change + change.swapaxes(1, 2))
        if np.all(np.abs(change).max((1, 2)) < _CONVERGED * np.abs(x).max((1, 2))):
            break
    return x
