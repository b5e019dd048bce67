"""Shapes that courses are put together from: turns, lane changes and swings, of straights, arcs and clothoids only.

All lengths and angles are met to rounding: the unknown lengths and curvatures are solved from the exact integrals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tracks.segments import Arc, Clothoid, Segment, integrate
from tracks.validation import check_finite, check_positive

__all__ = ["displacement", "lane_change", "swing", "swing_in", "turn"]

_PART = 1.0 / 6.0  # share of a lane change in each part: up, hold, down (two parts), hold, up
_HOLD = 1.0 / 6.0  # share of a swing driven at its largest curvature at each end


def turn(radius: float, angle: float, transition: float) -> list[Segment]:
    """Give a turn by `angle` rad (+ left): clothoid in, arc of `radius` m, clothoid out, each clothoid `transition` m.

    Raises:
        InputError: the clothoids alone would turn by more than the angle.
    """
    arc = abs(angle) * check_positive("radius", radius, "m") - check_positive("transition", transition, "m")
    if arc < 0.0:
        raise InputError(
            f"clothoids of {transition:g} m turn by {math.degrees(transition / radius):.3g}° at {radius:g} m",
            f"at most the turn of {math.degrees(abs(angle)):.3g}°",
            "shorten the transition or enlarge the radius",
        )
    curvature = math.copysign(1.0 / radius, angle)
    middle: list[Segment] = [Arc(arc, curvature)] if arc > 0.0 else []
    return [Clothoid(transition, 0.0, curvature), *middle, Clothoid(transition, curvature, 0.0)]


def lane_change(length: float, offset: float) -> list[Segment]:
    """Give a move by `offset` m to the left (negative: right) over `length` m ahead, straight before and after.

    The curvature goes up, holds, goes down to its opposite, holds and goes back to 0, in six equal lengths. Of four
    clothoids only (no hold) the largest curvature would be a third larger.
    """

    def shape(unknown: NDArray[np.float64]) -> list[Segment]:
        k, part = unknown[0], unknown[1] * _PART
        return [
            Clothoid(part, 0.0, k), Arc(part, k), Clothoid(2.0 * part, k, -k), Arc(part, -k), Clothoid(part, -k, 0.0)
        ]  # fmt: skip

    ahead, aside = _checked(length, offset)
    # With small angles the offset is curvature · length² / 6.
    return _solve(shape, np.array([6.0 * aside / ahead**2, ahead]), (ahead, aside))


def swing(length: float, offset: float) -> list[Segment]:
    """Give half a slalom wave: from one crest to the next, `offset` m to the left (negative: right), `length` m ahead.

    It starts and ends parallel to the axis, at the largest curvature: first towards the move, then against it.
    """

    def shape(unknown: NDArray[np.float64]) -> list[Segment]:
        k, part = unknown[0], unknown[1] * _HOLD
        return [Arc(part, k), Clothoid(unknown[1] - 2.0 * part, k, -k), Arc(part, -k)]

    ahead, aside = _checked(length, offset)
    # With small angles the offset is 23/108 · curvature · length².
    return _solve(shape, np.array([108.0 / 23.0 * aside / ahead**2, ahead]), (ahead, aside))


def swing_in(offset: float, crest: Sequence[Segment]) -> list[Segment]:
    """Give the way from the axis to the crest `offset` m to the left of it, at which the swing `crest` starts.

    The curvature goes from 0 up by a clothoid, down through 0 by a second one of the same length to that of the crest,
    and holds as the swing does; length and curvature in between follow from the offset and the heading, 0 at the crest.
    """
    k, hold = crest[0].curvature_start, crest[0].length

    def shape(unknown: NDArray[np.float64]) -> list[Segment]:
        return [Clothoid(unknown[1], 0.0, unknown[0]), Clothoid(unknown[1], unknown[0], k), Arc(hold, k)]

    def miss(unknown: NDArray[np.float64]) -> NDArray[np.float64]:
        _, y, heading = displacement(shape(unknown))
        return np.array([y - offset, heading * hold])

    guess = math.sqrt(3.0 * abs(offset / k))
    return shape(_root(miss, np.array([-k, guess])))


def displacement(segments: Sequence[Segment]) -> tuple[float, float, float]:
    """Give how far (x, y) [m] and heading [rad] segments lead from a start at the origin along x."""
    nodes = integrate(segments)
    return float(nodes.x[-1]), float(nodes.y[-1]), float(nodes.heading[-1])


def _checked(length: float, offset: float) -> tuple[float, float]:
    ahead = check_positive("the length of a lateral move", length, "m")
    aside = check_finite("the lateral move", offset, "m")
    if aside == 0.0 or abs(aside) > 0.5 * ahead:
        raise InputError(
            f"a lateral move of {aside:g} m over {ahead:g} m",
            "between 0 and half the length",
            "lengthen the move",
        )
    return ahead, aside


def _solve(
    shape: Callable[[NDArray[np.float64]], list[Segment]],
    guess: NDArray[np.float64],
    target: tuple[float, float],
) -> list[Segment]:
    """Give the shape whose unknowns (curvature, arc length) lead exactly to the target (ahead, aside), m."""

    def miss(unknown: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y, _ = displacement(shape(unknown))
        return np.array([x - target[0], y - target[1]])

    return shape(_root(miss, guess))


def _root(
    miss: Callable[[NDArray[np.float64]], NDArray[np.float64]], guess: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give the root near a guess: Newton's method with a central-difference Jacobian, to rounding."""
    unknown = guess.copy()
    for _ in range(30):
        value = miss(unknown)
        steps = np.maximum(np.abs(unknown), 1e-3 * np.abs(guess)) * 1e-5
        jacobian = np.stack(
            [
                (miss(unknown + e * h) - miss(unknown - e * h)) / (2.0 * h)
                for e, h in zip(np.eye(2), steps, strict=True)
            ],
            axis=1,
        )
        change = np.linalg.solve(jacobian, value)
        unknown = unknown - change
        if np.all(np.abs(change) <= 1e-14 * np.abs(unknown)):
            break
    return unknown
