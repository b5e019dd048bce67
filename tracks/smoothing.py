"""A path of continuous curvature through points that are uneven, noisy or repeated.

Notation: u spline parameter (close to arc length) m, B (m, n) quintic B-splines on even knots at the points,
c (n, 2) coefficients, D third differences. Minimised is ‖p − B c‖² + λ‖D c‖²: the P-spline of Eilers & Marx,
"Flexible smoothing with B-splines and penalties", Statistical Science 11(2), 1996, from memory. The penalty is on
the third derivative, that is on the change of curvature: roads are built of arcs and clothoids, so least change of
curvature is the right guess in a gap, and the ends of an open path are free to be curved. A closed path wraps its
knots round, so it has no seam.

λ comes from restricted maximum likelihood (REML; Wood, "Fast stable restricted maximum likelihood", J. R. Stat. Soc. B
73(1), 2011, from memory), which tells white noise from shape. Meeting a stated noise level exactly was rejected: where
the stated noise is 20 % too low, the path follows the noise and its curvature is useless. A stated tolerance can
therefore only make the path smoother than that: λ is then the largest that keeps the RMS distance within it.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tracks.nodes import Nodes
from tracks.spline import Array, Curve, arc_length, even_nodes
from tracks.validation import check_positive

__all__ = ["Fit", "estimate_noise", "smooth"]

_ROUNDS = 3  # renewals of the points' parameters; the third moves them by less than the noise
_MOST_SPANS = 20_000
# Decades of λ against the weight of one point. Beyond the upper one rounding eats the part of the curve that is not
# penalised; at it, waves of 200 knot spans are still smoothed away.
_PENALTIES = (-9.0, 9.0)
_BISECTIONS = 12  # 18 decades / 2**12: the RMS distance is met within 1 %
_MERGE = 3.0  # points nearer than this many times the noise say the same: their order is chance
# Points from which noise can be told from shape; fewer are passed through unless a tolerance is given.
_FEWEST = 10
_FARTHEST = 1e8  # m: beyond any map grid; larger values are another unit or a fault of the file
_ROUNDING = 1e-9  # of the extent: two points nearer than that are one repeated point


class Fit(NamedTuple):
    """The nodes of the path, and the arc length (m,) of every point given, m."""

    nodes: Nodes
    s_of_points: Array


def smooth(x: Array, y: Array, closed: bool, smoothing: float | None) -> Fit:
    """Fit a path to points (m,) in driving order, m; see `Path.from_points`.

    Raises:
        InputError: fewer than two (closed: four) different points, or a negative `smoothing`.
    """
    for name, values in (("x", x), ("y", y)):
        if values.size and float(np.max(np.abs(values))) > _FARTHEST:
            raise InputError(
                f"{name} goes up to {np.max(np.abs(values)):.3g} m",
                f"at most {_FARTHEST:g} m",
                "check the column and its unit",
            )
    # About their middle, lest the coordinates of a map grid eat the digits of the penalty.
    middle_x, middle_y = float(np.mean(x)), float(np.mean(y))
    points = np.stack([x - middle_x, y - middle_y], axis=1)
    least = 4 if closed else 2
    kept, _, _ = _merge(points, _ROUNDING * _extent(points), closed)
    if len(kept) < least:
        raise InputError(
            f"{len(kept)} of {x.size} points are different",
            f"{least} or more",
            "add points or check the columns",
        )
    if smoothing is not None:
        smoothing = check_positive("smoothing", smoothing, "m", zero=True)
    elif len(kept) < _FEWEST:
        smoothing = 0.0
    noise = 0.0 if smoothing == 0.0 or len(kept) < _FEWEST else estimate_noise(kept, closed)
    distance = max(_MERGE * noise, _ROUNDING * _extent(points))
    merged, weight, group = _merge(points, distance, closed)
    if len(merged) < least:
        raise InputError(
            f"the points have {noise:g} m of noise and extend over {_extent(points):g} m",
            "noise well below the size of the path",
            "check the columns, or pass smoothing=0",
        )
    if len(merged) == 2:
        # Two points leave the second derivative open; a third one between them makes it a straight.
        merged, weight, group = np.insert(merged, 1, merged.mean(axis=0), axis=0), np.ones(3), 2 * group
    curve, u = _fit(merged, weight, closed, smoothing)
    nodes, s_grid, u_grid = even_nodes(curve)
    nodes = nodes._replace(x=nodes.x + middle_x, y=nodes.y + middle_y)
    return Fit(nodes, np.interp(u, u_grid, s_grid)[group])


def estimate_noise(points: Array, closed: bool) -> float:
    """Give the RMS noise across the path of points (m, 2) [m], robust against bends and outliers.

    Each point is compared with the cubic through its four neighbours. Its residual across the path, over its own
    standard deviation for unit noise, has the noise as scale: 1.4826 · the median of its absolute values.
    """
    if closed:
        # Two neighbours on either side of every point.
        points = np.concatenate([points[-2:], points, points[:2]])
    u = _chord_length(points, False)
    at = u[2:-2]
    neighbours = [slice(0, -4), slice(1, -3), slice(3, -1), slice(4, None)]
    guess, variance = np.zeros((at.size, 2)), np.ones(at.size)
    for own in neighbours:
        weight = np.ones(at.size)
        for other in neighbours:
            if other is not own:
                weight *= (at - u[other]) / (u[own] - u[other])
        guess += weight[:, None] * points[own]
        variance += weight**2
    residual = (points[2:-2] - guess) / np.sqrt(variance)[:, None]
    along = points[3:-1] - points[1:-3]
    across = residual[:, 1] * along[:, 0] - residual[:, 0] * along[:, 1]
    return float(1.4826 * np.median(np.abs(across) / np.maximum(np.hypot(*along.T), 1e-300)))


def _extent(points: Array) -> float:
    return float(np.max(np.ptp(points, axis=0)))


def _chord_length(points: Array, closed: bool) -> Array:
    """Give the distance along the polygon: (m,), closed (m + 1,)."""
    if closed:
        points = np.concatenate([points, points[:1]])
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def _merge(points: Array, distance: float, closed: bool) -> tuple[Array, Array, NDArray[np.int64]]:
    """Join successive points that stay within `distance` [m] of the first of them to their mean.

    Returns:
        the means (k, 2), how many points stand behind each (k,), and the mean that each point went into (m,).
    """
    group = np.zeros(len(points), dtype=np.int64)
    first, current = points[0], 0
    for i in range(1, len(points)):
        if (points[i, 0] - first[0]) ** 2 + (points[i, 1] - first[1]) ** 2 > distance * distance:
            current, first = current + 1, points[i]
        group[i] = current
    if closed and current > 0 and np.hypot(*(points[0] - points[-1])) <= distance:
        group[group == current] = 0
    weight = np.bincount(group).astype(np.float64)
    mean = np.stack([np.bincount(group, column) / weight for column in points.T], axis=1)
    return mean, weight, group


def _fit(points: Array, weight: Array, closed: bool, smoothing: float | None) -> tuple[Curve, Array]:
    """Fit the curve and give it with the parameter (m,) of each point."""
    u = _chord_length(points, closed)
    end = float(u[-1])
    u = u[: len(points)]
    usual = float(np.quantile(np.diff(u), 0.25))
    spans = int(np.clip(np.ceil(end / usual), 8, _MOST_SPANS))
    curve = Curve(end, spans, closed)
    decades = _choose(_Problem(curve, u, points, weight), smoothing, _PENALTIES)
    for _ in range(_ROUNDS):
        s_grid, u_grid = arc_length(curve)
        u, end = np.interp(_feet(curve, u, points), u_grid, s_grid), float(s_grid[-1])
        if not closed:
            u, end = u - u[0], float(u[-1] - u[0])
        curve = Curve(end, spans, closed)
        near = (max(decades - 2.0, _PENALTIES[0]), min(decades + 2.0, _PENALTIES[1]))
        decades = _choose(_Problem(curve, u, points, weight), smoothing, near)
    return curve, u


class _Problem:
    """The penalised least squares of a curve through points (m, 2) of weights (m,) at parameters u (m,)."""

    def __init__(self, curve: Curve, u: Array, points: Array, weight: Array) -> None:
        from scipy.sparse import diags

        self.curve, self.u, self.points, self.weight = curve, u, points, weight
        self.design = curve.design(u)
        weighted = self.design.T @ diags(weight)
        self.normal, self.right = (weighted @ self.design).tocsc(), weighted @ points
        self.roughness = curve.roughness()
        self.penalised = curve.unknowns - (1 if curve.closed else 3)  # the rank of D

    def solve(self, decades: float) -> tuple[float, float]:
        """Set the curve's coefficients for λ = 10**decades; give the weighted sum of squared distances [m²] and
        the deviance of restricted maximum likelihood (REML), up to a constant.
        """
        from scipy.sparse.linalg import splu

        matrix = self.normal + 10.0**decades * self.roughness
        factors = splu(matrix)
        c = factors.solve(self.right)
        for _ in range(2):  # regains the digits that a stiff λ costs
            c = c + factors.solve(self.right - matrix @ c)
        self.curve.coefficients = c
        squares = float(np.sum(self.weight[:, None] * (self.points - self.design @ c) ** 2))
        penalty = 10.0**decades * float(np.sum(c * (self.roughness @ c)))
        free = len(self.points) - self.curve.unknowns + self.penalised
        volume = float(np.sum(np.log(np.abs(factors.U.diagonal())))) - self.penalised * np.log(10.0**decades)
        return squares, max(free, 1) * np.log(max(squares + penalty, 1e-300)) + volume


def _choose(problem: _Problem, smoothing: float | None, decades: tuple[float, float]) -> float:
    """Solve with the λ that `smoothing` asks for, searched between these decades, and give its decade."""
    from scipy.optimize import minimize_scalar

    low, high = decades
    if smoothing == 0.0:
        problem.solve(_PENALTIES[0])
        return _PENALTIES[0]
    grid = np.arange(low, high + 0.5)
    start = grid[int(np.argmin([problem.solve(d)[1] for d in grid]))]
    likely: Any = minimize_scalar(
        lambda d: problem.solve(d)[1],
        bounds=(max(start - 1.0, low), min(start + 1.0, high)),
        method="bounded",
        options={"xatol": 0.05},
    )
    best = float(likely.x)
    if smoothing is not None:
        best = _smoothest(problem, smoothing * smoothing * len(problem.points), best, high)
    problem.solve(best)
    return best


def _smoothest(problem: _Problem, target: float, low: float, high: float) -> float:
    """Give the largest decade of λ at which the sum of squares is at most `target` [m²], or `low` if there is none."""
    if problem.solve(high)[0] <= target:
        return high
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if problem.solve(middle)[0] <= target else (low, middle)
    return low


def _feet(curve: Curve, u: Array, points: Array) -> Array:
    """Give the parameter of the foot of each point on the curve: Newton's method, the order of points kept."""
    for _ in range(2):
        tangent = curve.value(u, 1)
        along = np.sum((points - curve.value(u)) * tangent, axis=1) / np.sum(tangent**2, axis=1)
        u = np.clip(u + np.clip(along, -curve.step, curve.step), 0.0, curve.end)
    return np.maximum.accumulate(u)
