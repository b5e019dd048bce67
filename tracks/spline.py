"""Spline curves on even knots, open or periodic, and nodes evenly spaced along them by arc length."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracks.nodes import Nodes
from tracks.segments import LONGEST_CELL, cell_length

__all__ = ["Array", "Curve", "arc_length", "even_nodes"]

_DEGREE = 5
_SAMPLES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
_FEWEST_CELLS, _MOST_CELLS = 8, 1_000_000

Array = NDArray[np.float64]


class Curve:
    """A quintic spline curve on [0, end], clamped if open, periodic if closed."""

    def __init__(self, end: float, spans: int, closed: bool) -> None:
        self.end, self.closed = end, closed
        self.step = end / spans
        self.knots = np.arange(-_DEGREE, spans + _DEGREE + 1) * self.step
        self.unknowns = spans if closed else spans + _DEGREE
        self.coefficients = np.zeros((self.unknowns, 2))

    def design(self, u: Array) -> Any:
        """Give the values of the B-splines at u (m,): a sparse matrix (m, n)."""
        from scipy.interpolate import BSpline
        from scipy.sparse import csr_matrix

        inside = np.clip(u, 0.0, self.end * (1.0 - 1e-14))
        full = BSpline.design_matrix(inside, self.knots, _DEGREE, extrapolate=False)
        if not self.closed:
            return full
        return csr_matrix((full.data, full.indices % self.unknowns, full.indptr), (u.size, self.unknowns))

    def roughness(self) -> Any:
        """D'D of third differences, (n, n)."""
        from scipy.sparse import coo_matrix

        rows = self.unknowns if self.closed else self.unknowns - 3
        row = np.repeat(np.arange(rows), 4)
        column = (row + np.tile(np.arange(4), rows)) % self.unknowns
        differences = coo_matrix(
            (np.tile([-1.0, 3.0, -3.0, 1.0], rows), (row, column)), (rows, self.unknowns)
        )
        return (differences.T @ differences).tocsc()

    def value(self, u: Array, derivative: int = 0) -> Array:
        """Give the curve or a derivative by u, (m, 2)."""
        from scipy.interpolate import BSpline

        c = self.coefficients
        if self.closed:
            c = np.take(c, np.arange(self.unknowns + _DEGREE), axis=0, mode="wrap")
            u = np.mod(u, self.end)
        return BSpline(self.knots, c, _DEGREE)(u, nu=derivative)


def arc_length(curve: Curve) -> tuple[Array, Array]:
    """Give arc lengths at a grid of parameters, both (g,), four grid cells a knot span."""
    cells = 4 * round(curve.end / curve.step)
    u = np.linspace(0.0, curve.end, cells + 1)
    return np.concatenate([[0.0], np.cumsum(_arc(curve, u[:-1], u[1:]))]), u


def _arc(curve: Curve, u0: Array, u1: Array) -> Array:
    half = 0.5 * (u1 - u0)
    samples = (u0 + half)[:, None] + half[:, None] * _SAMPLES
    speed = np.hypot(*curve.value(samples.ravel(), 1).T).reshape(samples.shape)
    return half * (speed @ _WEIGHTS)


def even_nodes(curve: Curve) -> tuple[Nodes, Array, Array]:
    """Give nodes evenly spaced by arc length, and the grid of (arc length, parameter)."""
    s_grid, u_grid = arc_length(curve)
    length = float(s_grid[-1])
    largest = float(np.max(np.abs(_curvature(curve, u_grid))))
    cells = int(np.clip(np.ceil(length / cell_length(largest, LONGEST_CELL)), _FEWEST_CELLS, _MOST_CELLS))
    s = np.linspace(0.0, length, cells + 1)
    u = np.interp(s, s_grid, u_grid)
    grid = np.clip(np.searchsorted(s_grid, s, side="right") - 1, 0, s_grid.size - 2)
    for _ in range(3):
        speed = np.hypot(*curve.value(u, 1).T)
        u = np.clip(u - (s_grid[grid] + _arc(curve, u_grid[grid], u) - s) / speed, 0.0, curve.end)
    x, y = curve.value(u).T
    tangent = curve.value(u, 1)
    heading = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
    curvature = _curvature(curve, u)
    return Nodes(s, x, y, heading, curvature[:-1], curvature[1:]), s_grid, u_grid


def _curvature(curve: Curve, u: Array) -> Array:
    (dx, dy), (ddx, ddy) = curve.value(u, 1).T, curve.value(u, 2).T
    return (dx * ddy - dy * ddx) / (dx * dx + dy * dy) ** 1.5
