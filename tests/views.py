"""Views of a vehicle without tyres, for tests that ask a law directly."""

from __future__ import annotations

import math
from typing import Any

from tracker.laws.base import View
from tracks.geometry import PathArrays, evaluate

NOTHING = View(*[math.nan] * len(View._fields))


def view_beside(
    path: PathArrays,
    s: float,
    speed: float,
    error: float = 0.0,
    heading_error: float = 0.0,
    curvature: float | None = None,
    **others: Any,
) -> View:
    """Give the view of a vehicle beside the path at s (m, m/s, m, rad), driving `curvature` (the path's), 1/m."""
    point = evaluate(path, s)
    driven = point.curvature if curvature is None else curvature
    view = View(
        time=0.0,
        x=point.x - error * point.tangent_y,
        y=point.y + error * point.tangent_x,
        heading=point.heading + heading_error,
        speed=speed,
        curvature=driven,
        s=s,
        lateral_error=error,
        heading_error=heading_error,
        path_curvature=point.curvature,
        ahead_curvature=point.curvature,
        yaw_rate=speed * driven,
        rear_velocity=0.0,
        slip=0.0,
        steering_angle=0.0,
        steered=driven,
        asked=driven,
        turning=driven,
        since=0.02,
    )
    return view._replace(**others)
