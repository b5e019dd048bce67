"""Compiled searches over a whole path: the nearest point, many points at once, and the points of a drive."""

from __future__ import annotations

import numpy as np

from tracks.geometry import evaluate, project, wrap_arc_length
from tracks.one_source import array_loop, clip, equation, wrap_angle

__all__ = ["evaluate_all", "follow", "search"]

_TIE = 1e-9  # m: closer than this two branches count as equally near, and the lower s is taken
_HALVINGS = 52  # of two cells of 0.25 m: down to rounding


@equation
def _node_distance(path, i, x, y):
    dx = x - path.x[i]
    dy = y - path.y[i]
    return np.sqrt(dx * dx + dy * dy)


@equation
def _is_nearest_of_neighbours(path, i, x, y):
    """Say whether node i (of cells 0 … n − 1, or the end of an open path) is no farther than both neighbours."""
    n = path.curvature_start.shape[0]
    here = _node_distance(path, i, x, y)
    before = i - 1
    after = i + 1
    if path.closed > 0.0:
        before = (i + n - 1) % n
        after = (i + 1) % n
    if before >= 0 and _node_distance(path, before, x, y) < here:
        return False
    return not (after <= n and _node_distance(path, after, x, y) < here)


@equation
def _mismatch(path, i, x, y, heading, turn_radius):
    """Give distance + turn_radius · |heading difference| at node i, m: how far it is to be on the path there."""
    return _node_distance(path, i, x, y) + turn_radius * np.abs(wrap_angle(heading - path.heading[i]))


@equation
def _along(path, s, x, y):
    """Give how far ahead of the path's point at s (x, y) lies, m: 0 at a foot point."""
    point = evaluate(path, s)
    return (x - point.x) * point.tangent_x + (y - point.y) * point.tangent_y


@equation
def _across(path, s, x, y):
    """Give how far to the left of the path's tangent at s (x, y) lies, m."""
    point = evaluate(path, s)
    return (y - point.y) * point.tangent_x - (x - point.x) * point.tangent_y


@equation
def _foot(path, i, x, y):
    """Give the arc length [m] of the foot point between the neighbours of node i, which is nearer than both.

    Bisection, since Newton's method crawls where (x, y) is near the centre of curvature.
    """
    n = path.curvature_start.shape[0]
    s = path.s[i]
    if path.closed > 0.0:
        low = s - (path.s[i] - path.s[i - 1] if i > 0 else path.length - path.s[n - 1])
        high = s + path.s[i + 1] - path.s[i]
    else:
        along = _along(path, s, x, y)
        if (i == 0 and along <= 0.0) or (i == n and along >= 0.0):
            return s + along  # on the straight continuation
        low = path.s[max(i - 1, 0)]
        high = path.s[min(i + 1, n)]
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if _along(path, middle, x, y) > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@equation
def search(path, x, y, heading, turn_radius):
    """Give (s, lateral offset) [m] of the foot point on the whole path that suits (x, y) best.

    Of all points where the distance is smallest locally, the one with the least distance +
    `turn_radius` · |heading difference| is taken (`turn_radius` 0: the globally nearest); ties go to the lowest s.
    The distance counts to the path itself, not to the straight continuation beyond an open end.
    """
    n = path.curvature_start.shape[0]
    nodes = n if path.closed > 0.0 else n + 1
    best_node = np.inf
    for i in range(nodes):
        if _is_nearest_of_neighbours(path, i, x, y):
            best_node = np.minimum(best_node, _mismatch(path, i, x, y, heading, turn_radius))
    best_s = 0.0
    best_offset = np.inf
    best = np.inf
    for i in range(nodes):
        if not _is_nearest_of_neighbours(path, i, x, y):
            continue
        # From a node to the foot beside it distance and heading change by less than the two cells around it.
        cell = np.maximum(
            path.s[min(i + 1, n)] - path.s[min(i, n - 1)], path.s[max(i, 1)] - path.s[max(i - 1, 0)]
        )
        slack = cell * (1.0 + turn_radius * np.abs(path.curvature_start[min(i, n - 1)]) * 2.0) + _TIE
        if _mismatch(path, i, x, y, heading, turn_radius) > best_node + 2.0 * slack:
            continue
        wrapped = wrap_arc_length(path, _foot(path, i, x, y))
        if path.closed > 0.0 and path.length - wrapped < _TIE:
            wrapped = 0.0  # the seam is the start
        offset = _across(path, wrapped, x, y)
        foot = evaluate(path, clip(wrapped, 0.0, path.length))
        dx = x - foot.x
        dy = y - foot.y
        mismatch = np.sqrt(dx * dx + dy * dy) + turn_radius * np.abs(wrap_angle(heading - foot.heading))
        if mismatch < best - _TIE or (mismatch <= best + _TIE and wrapped < best_s):
            best = mismatch
            best_s = wrapped
            best_offset = offset
    return best_s, best_offset


@array_loop
def follow(path, x, y, near):
    """Give s and lateral offset (m,) of the points x, y (m,), each searched near `near[i]`, all in m.

    A NaN in `near` means: near the point before, as in a drive.
    """
    s = np.empty_like(x)
    offset = np.empty_like(x)
    last = 0.0
    for i in range(x.shape[0]):
        start = last if np.isnan(near[i]) else near[i]
        last, offset[i] = project(path, x[i], y[i], start)
        s[i] = last
    return s, offset


@array_loop
def evaluate_all(path, s):
    """Give x, y, heading, curvature, tangent_x, tangent_y as rows (6, m) at the arc lengths s (m,)."""
    rows = np.empty((6, s.shape[0]))
    for i in range(s.shape[0]):
        point = evaluate(path, s[i])
        rows[0, i] = point.x
        rows[1, i] = point.y
        rows[2, i] = point.heading
        rows[3, i] = point.curvature
        rows[4, i] = point.tangent_x
        rows[5, i] = point.tangent_y
    return rows
