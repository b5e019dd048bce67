"""Speed along a path under limits on lateral and longitudinal acceleration.

Notation: v speed m/s, κ curvature 1/m, a longitudinal acceleration m/s². With v² linear in s the acceleration
a = ½ dv²/ds is constant in a cell (v² = v₀² + 2 a s). The forward pass v²ᵢ₊₁ = min(capᵢ₊₁, v²ᵢ + 2 a Δs) unrolls to
v²ᵢ = 2 a sᵢ + min over j ≤ i of (capⱼ − 2 a sⱼ), a running minimum; the backward pass is its mirror image.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracks.errors import InputError
from tracks.path import Path
from tracks.validation import check_positive, check_vector

__all__ = [
    "ACCELERATION",
    "DECELERATION",
    "LATERAL_ACCELERATION",
    "TOP_SPEED",
    "PlanLimits",
    "plan_speed",
]

TOP_SPEED = 7.0
"""Default top speed, m/s: that of a low-speed shuttle, 25 km/h (common practice, no source)."""
# The limits are what standing passengers bear: 0.11-0.15 g by Hoberock 1977, 0.9 m/s² by Bae 2019 (both from memory).
LATERAL_ACCELERATION = 1.2
"""Default limit of v² |κ|, m/s²."""
ACCELERATION = 0.8
"""Default acceleration, m/s²."""
DECELERATION = 1.0
"""Default deceleration, m/s²."""


class PlanLimits(TypedDict, total=False):
    """Limits that every course takes as keywords: all in m/s², all above 0."""

    lateral_acceleration: float
    acceleration: float
    deceleration: float


def plan_speed(
    path: Path,
    top_speed: ArrayLike = TOP_SPEED,
    lateral_acceleration: float = LATERAL_ACCELERATION,
    acceleration: float = ACCELERATION,
    deceleration: float = DECELERATION,
    start_speed: float | None = None,
    end_speed: float | None = None,
) -> NDArray[np.float64]:
    """Give the highest speed at the nodes, m/s (n + 1,), that keeps every limit; v² is linear between nodes.

    Args:
        path: the path; on a closed one the plan is that of a lap among laps, equal at both ends.
        top_speed: m/s, one value or one a node (n + 1,).
        lateral_acceleration: limit of v² |κ|, m/s²; kept throughout each cell, not only at nodes.
        acceleration, deceleration: limits along the path, m/s², both positive.
        start_speed, end_speed: highest speed at the ends of an open path, m/s; None: no limit of its own, 0: at rest.

    Raises:
        InputError: a limit that is not positive, or a start or end speed on a closed path.
    """
    s = path.s
    top = np.full(s.size, check_positive("top_speed", top_speed, "m/s")) if np.ndim(top_speed) == 0 else check_vector(
        "top_speed", top_speed, s.size, "m/s"
    )  # fmt: skip
    if np.min(top) <= 0.0:
        raise InputError(f"top_speed falls to {np.min(top):g} m/s", "a top speed above 0 m/s", "raise it")
    check_positive("lateral_acceleration", lateral_acceleration, "m/s²")
    check_positive("acceleration", acceleration, "m/s²")
    check_positive("deceleration", deceleration, "m/s²")

    cell = np.maximum(np.abs(path.arrays.curvature_start), np.abs(path.arrays.curvature_end))
    # The larger curvature of both cells at a node: v² and κ are linear in a cell, so v² |κ| could otherwise bulge.
    behind = cell[-1] if path.closed else 0.0
    ahead = cell[0] if path.closed else 0.0
    curvature = np.maximum(np.append(behind, cell), np.append(cell, ahead))
    cap = np.minimum(top**2, lateral_acceleration / np.maximum(curvature, 1e-12))
    if path.closed:
        if start_speed is not None or end_speed is not None:
            raise InputError("a closed path has no start or end speed", "None for both", "leave them out")
        cap[0] = cap[-1] = min(cap[0], cap[-1])
        # Two laps: the first to run in, the second to keep.
        lap = np.concatenate([s[:-1], s + path.length])
        forward = _running(lap, np.concatenate([cap[:-1], cap]), acceleration)[s.size - 1 :]
        twice = np.concatenate([forward[:-1], forward])
        squared = _running(-lap[::-1], twice[::-1], deceleration)[::-1][: s.size]
        squared[-1] = squared[0]
        return np.sqrt(squared)
    if start_speed is not None:
        cap[0] = min(cap[0], check_positive("start_speed", start_speed, "m/s", zero=True) ** 2)
    if end_speed is not None:
        cap[-1] = min(cap[-1], check_positive("end_speed", end_speed, "m/s", zero=True) ** 2)
    forward = _running(s, cap, acceleration)
    return np.sqrt(_running(-s[::-1], forward[::-1], deceleration)[::-1])


def _running(s: NDArray[np.float64], cap: NDArray[np.float64], rate: float) -> NDArray[np.float64]:
    """Give the largest v² below `cap` that rises by at most 2 · rate a metre; s rises."""
    rise = 2.0 * rate * (s - s[0])
    return np.maximum(np.minimum(np.minimum.accumulate(cap - rise) + rise, cap), 0.0)
