"""The lane-change track of ISO 3888-1: two abrupt lane changes, as in overtaking.

Dimensions from memory, not checked against the standard: sections of 15, 30, 25, 25, 15 and 15 m; lanes 1.1 w + 0.25,
1.2 w + 0.25 and 1.3 w + 0.25 m wide for a vehicle of width w (the last for the last two sections); lane offset 3.5 m,
taken here between the middles of the lanes.
"""

from __future__ import annotations

from typing import Unpack

import numpy as np

from tracks.courses.common import STRAIGHT_BEFORE_STOP, course_speed, planned, stopping_distance
from tracks.courses.shapes import lane_change
from tracks.path import Path
from tracks.segments import LONGEST_CELL, Straight
from tracks.speed_plan import PlanLimits
from tracks.track import Corridor, Section, Track
from tracks.validation import check_positive

__all__ = ["LANE_OFFSET", "SECTIONS", "double_lane_change", "lane_widths"]

SECTIONS = (15.0, 30.0, 25.0, 25.0, 15.0, 15.0)
"""Lengths of the six sections along the course, m (from memory)."""
LANE_OFFSET = 3.5
"""Distance of the second lane from the first, to the left, m (from memory)."""
_RUN_UP = 30.0  # m: four seconds at 7 m/s for what the start stirs up to die away


def lane_widths(width: float) -> tuple[float, float, float]:
    """Give the widths of first, second and third lane, m, for a vehicle of `width` m (from memory)."""
    return 1.1 * width + 0.25, 1.2 * width + 0.25, 1.3 * width + 0.25


def double_lane_change(
    speed: float | None = None, width: float = 2.1, scale: float = 1.0, **limits: Unpack[PlanLimits]
) -> Track:
    """Give the double lane change of ISO 3888-1, with a run-up, and a straight to stop on behind it.

    The reference path runs in the middle of the lanes and changes over the free sections from end to end by arcs
    and clothoids of at least 43 m radius (first change) and 30 m (second).

    Args:
        speed: top speed, m/s; None: 7 m/s · √scale. The plan slows down for the changes where v² κ would exceed the
            lateral limit (1.2 m/s² for riders): raise `lateral_acceleration` to drive it as hard as the standard means.
        width: of the vehicle for scale 1, m; it sets the lane widths.
        scale: size of all lengths against those of a full-size vehicle.
        limits: `lateral_acceleration`, `acceleration`, `deceleration` of the speed plan, m/s².

    Sections: "change left", "second lane" (step +3.5 m), "change right", "third lane" (step −3.5 m).
    The corridor is the lane; in the free sections it reaches from the outer edge of one lane to that of the other.
    """
    scale, speed = check_positive("scale", scale), course_speed(speed, scale)
    width = check_positive("width", width, "m")
    first, change_1, second, change_2, third, last = (scale * length for length in SECTIONS)
    offset, run_up = LANE_OFFSET * scale, _RUN_UP * scale
    run_out = last + stopping_distance(speed, limits) + STRAIGHT_BEFORE_STOP * scale
    left, right = lane_change(change_1, offset), lane_change(change_2, -offset)
    path = Path.from_segments(
        [Straight(run_up + first), *left, Straight(second), *right, Straight(third + run_out)],
        start=(-run_up, 0.0, 0.0),
        spacing=LONGEST_CELL * scale,
    )
    # Stations of the standard are along x; along the path the changes are a little longer.
    starts = run_up + first + np.array([0.0, sum(a.length for a in left)])
    starts = np.append(starts, starts[-1] + second + np.array([0.0, sum(a.length for a in right)]))
    sections = [
        Section("change left", starts[0], starts[1]),
        Section("second lane", starts[1], starts[2], step=offset),
        Section("change right", starts[2], starts[3]),
        Section("third lane", starts[3], starts[3] + third + last, step=-offset),
    ]
    corridor = _corridor(path, width, scale)
    return planned(
        "double-lane-change", path, speed, limits, corridor, sections, "ISO 3888-1, dimensions from memory"
    )


def _corridor(path: Path, width: float, scale: float) -> Corridor:
    """Give the distances to the edges along the path's normal; the edges are parallel to x."""
    half_1, half_2, half_3 = (0.5 * scale * w for w in lane_widths(width))
    offset = LANE_OFFSET * scale
    ends = scale * np.cumsum(SECTIONS)[:4]
    left_edge = np.array([half_1, offset + half_2, offset + half_2, offset + half_2, half_3])
    right_edge = np.array([-half_1, -half_1, offset - half_2, -half_3, -half_3])
    slope = np.cos(path.heading)
    # A node at the end of a lane has the edges of the lane, the nearer ones, so that no cell of it is wider.
    sides = [np.searchsorted(ends, path.x + shift) for shift in (-1e-6 * scale, 1e-6 * scale)]
    left = np.minimum(*(left_edge[section] - path.y for section in sides))
    right = np.minimum(*(path.y - right_edge[section] for section in sides))
    return Corridor(left / slope, right / slope)
