"""Position, heading and curvature at an arc length, and the projection onto a path: the compiled half of `Path`.

A path is a chain of cells. Inside a cell the curvature κ is linear in the arc length s, so straights, arcs and
clothoids are exact at every node; between nodes the position is the quintic Hermite polynomial through
position, tangent and curvature of both ends. Its error is of order ds⁶ κ⁵ (1e-12 m at 0.25 m and R = 5 m).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import clip, close, equation, select, sine_cosine

__all__ = [
    "PathArrays",
    "PathPoint",
    "cell_at",
    "evaluate",
    "nearest",
    "project",
    "wrap_arc_length",
]

_MAX_ITERATIONS = 25
# m. Newton's method squares the error in each step (times the path's curvature rate times the offset, below 1/m),
# so what is left after a step this short is rounding.
_CONVERGED = 1e-6
_STANDING = 1e-12  # m, where the bounded slope makes the method converge only linearly
_LEAST_SLOPE = 0.25


class PathArrays(NamedTuple):
    """A path as arrays for compiled code; n cells between n + 1 nodes.

    Shapes: `s`, `x`, `y` [m], `heading` [rad, not wrapped], `tangent_x`, `tangent_y` (n + 1,);
    `curvature_start`, `curvature_end` [1/m, + left] at the two ends of each cell (n,);
    `cell_of_bucket[j]` is the cell that holds s = j·`bucket`. `closed` is 1.0 or 0.0.
    """

    s: np.ndarray
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    tangent_x: np.ndarray
    tangent_y: np.ndarray
    curvature_start: np.ndarray
    curvature_end: np.ndarray
    cell_of_bucket: np.ndarray
    bucket: float
    length: float
    closed: float


class PathPoint(NamedTuple):
    """A point of a path: x, y [m], heading [rad], curvature [1/m, + left], unit tangent."""

    x: float
    y: float
    heading: float
    curvature: float
    tangent_x: float
    tangent_y: float


@equation
def wrap_arc_length(path, s):
    """Give s within [0, length) on a closed path, unchanged on an open one."""
    return s - path.closed * path.length * np.floor(s / path.length)


@equation
def cell_at(path, s):
    """Give the index of the cell that holds s (the first or last one beyond the ends, the first for NaN)."""
    last_bucket = float(path.cell_of_bucket.shape[0] - 1)
    bucket = np.floor(s / path.bucket)
    # A NaN must not become an index: it is above nothing, so it takes the first bucket.
    cell = path.cell_of_bucket[int(select(bucket > 0.0, np.minimum(bucket, last_bucket), 0.0))]
    last_cell = path.curvature_start.shape[0] - 1
    while cell < last_cell and s >= path.s[cell + 1]:
        cell += 1
    return cell


@equation
def evaluate(path, s):
    """Give the `PathPoint` at arc length s [m].

    s wraps round a closed path; an open path goes on straight beyond its ends.
    """
    s = wrap_arc_length(path, s)
    inside = clip(s, 0.0, path.length)
    beyond = s - inside
    i = cell_at(path, inside)
    h = path.s[i + 1] - path.s[i]
    u = (inside - path.s[i]) / h
    u2 = u * u
    u3 = u2 * u
    # Quintic Hermite basis: end positions, tangents and second derivatives (curvature times normal).
    end = u3 * (10.0 + u * (-15.0 + 6.0 * u))
    tangent_0 = h * (u + u3 * (-6.0 + u * (8.0 - 3.0 * u)))
    tangent_1 = h * u3 * (-4.0 + u * (7.0 - 3.0 * u))
    bend_0 = 0.5 * h * h * path.curvature_start[i] * (u2 + u3 * (-3.0 + u * (3.0 - u)))
    bend_1 = 0.5 * h * h * path.curvature_end[i] * u3 * (1.0 + u * (-2.0 + u))
    tx0, ty0 = path.tangent_x[i], path.tangent_y[i]
    tx1, ty1 = path.tangent_x[i + 1], path.tangent_y[i + 1]
    x = path.x[i] + (path.x[i + 1] - path.x[i]) * end
    y = path.y[i] + (path.y[i + 1] - path.y[i]) * end
    x += tx0 * tangent_0 + tx1 * tangent_1 - ty0 * bend_0 - ty1 * bend_1
    y += ty0 * tangent_0 + ty1 * tangent_1 + tx0 * bend_0 + tx1 * bend_1
    heading = (
        path.heading[i]
        + (path.heading[i + 1] - path.heading[i]) * u2 * (3.0 - 2.0 * u)
        + h * path.curvature_start[i] * (u - 2.0 * u2 + u3)
        + h * path.curvature_end[i] * (u3 - u2)
    )
    curvature = path.curvature_start[i] + (path.curvature_end[i] - path.curvature_start[i]) * u
    ty, tx = sine_cosine(heading)
    return PathPoint(x + beyond * tx, y + beyond * ty, heading, select(beyond == 0.0, curvature, 0.0), tx, ty)


@equation
def nearest(path, x, y, near):
    """Give (s, lateral offset, `PathPoint`) of the point (x, y) [m] on the branch of the path at s = `near` [m].

    Newton's method on (p − P(s))·t(s) = 0, so the time does not depend on the path's length, and a
    self-crossing does not make s jump. The offset is + left. On a closed path s goes on beyond the
    length (or below 0) so that it stays continuous with `near`.
    """
    s = near
    point = evaluate(path, s)
    # A cell is short against the radius, so a few cells a step neither overshoot nor stall.
    longest_step = 8.0 * path.bucket + 0.05 * path.length
    for _ in range(_MAX_ITERATIONS):
        along = (x - point.x) * point.tangent_x + (y - point.y) * point.tangent_y
        across = (y - point.y) * point.tangent_x - (x - point.x) * point.tangent_y
        # 1 − κ e vanishes at the centre of curvature; the bound keeps the step finite and its sign right.
        exact = 1.0 - point.curvature * across
        slope = np.maximum(exact, _LEAST_SLOPE)
        step = clip(along / slope, -longest_step, longest_step)
        s += step
        point = evaluate(path, s)
        if (close(step, _CONVERGED) and exact > _LEAST_SLOPE) or close(step, _STANDING):
            break
    offset = (y - point.y) * point.tangent_x - (x - point.x) * point.tangent_y
    return s, offset, point


@equation
def project(path, x, y, near):
    """Give (s, lateral offset) of the point (x, y) [m]; see `nearest`."""
    s, offset, _ = nearest(path, x, y, near)
    return s, offset
