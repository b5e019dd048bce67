"""Local refinement: Nelder and Mead's simplex in the unit cube, as a generator that asks and is told.

Notation: x points of the simplex, best first, shape (n + 1, n); c centroid of all but the worst; reflection 1,
expansion 2, contraction 1/2, shrinkage 1/2 (J. A. Nelder, R. Mead, Computer Journal 7, 1965: from memory).
A generator lets several searches share one pool of workers, and stop or go on at any candidate. The simplex was
chosen because a largest usage has kinks, where a gradient misleads.
"""

from __future__ import annotations

from collections.abc import Generator

import numpy as np

from tuning.search.space import Point

__all__ = ["nelder_mead"]

Search = Generator[Point, float, None]
_FIRST_SIZE = 0.12  # of the cube's side: about the spacing of 64 points in two gains
_SMALLEST = 5e-4  # of the cube's side: 0.14 % of a gain that ranges over a factor of 16
_WORTHWHILE = 1e-4  # of the score: a restart that gains less was the last


def nelder_mead(start: Point, score: float) -> Search:
    """Search from `start`, whose score is known: yields points to be scored, is sent their scores, ends by itself.

    A converged simplex is set up anew, smaller and the other way round, until that gains nothing: it may have
    collapsed onto a kink.
    """
    size = _FIRST_SIZE
    best, best_score = start, score
    while True:
        before = best_score
        best, best_score = yield from _descend(best, best_score, size)
        if not before - best_score > _WORTHWHILE * abs(before):
            return
        size = -0.5 * size


def _descend(start: Point, score: float, size: float) -> Generator[Point, float, tuple[Point, float]]:
    points, scores = [start], [score]
    for axis in range(start.size):
        corner = start.copy()
        inside = 0.0 <= corner[axis] + size <= 1.0
        corner[axis] = np.clip(corner[axis] + (size if inside else -size), 0.0, 1.0)
        points.append(corner)
        scores.append((yield corner))
    while True:
        order = np.argsort(scores, kind="stable")
        points, scores = [points[i] for i in order], [scores[i] for i in order]
        spread = max(float(np.abs(point - points[0]).max()) for point in points[1:])
        if spread < _SMALLEST:
            return points[0], scores[0]
        centroid = np.mean(points[:-1], axis=0)
        point, value = yield from _replacement(centroid, points[-1], scores)
        if value < scores[-1]:
            points[-1], scores[-1] = point, value
            continue
        for i in range(1, len(points)):
            points[i] = points[0] + 0.5 * (points[i] - points[0])
            scores[i] = yield points[i]


def _replacement(
    centroid: Point, last: Point, scores: list[float]
) -> Generator[Point, float, tuple[Point, float]]:
    """Try to better the worst point: give the point found and its score, which may be no better."""

    def along(factor: float) -> Point:
        return np.clip(centroid + factor * (centroid - last), 0.0, 1.0)

    reflected = along(1.0)
    score = yield reflected
    if score < scores[0]:
        expanded = along(2.0)
        further = yield expanded
        return (expanded, further) if further < score else (reflected, score)
    if score < scores[-2]:
        return reflected, score
    contracted = along(0.5 if score < scores[-1] else -0.5)
    nearer = yield contracted
    return (contracted, nearer) if nearer < min(score, scores[-1]) else (reflected, score)
