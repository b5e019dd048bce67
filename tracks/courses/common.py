"""What all courses share: default speed, room to stop, and the making of the track."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tracks.path import Path
from tracks.speed_plan import DECELERATION, TOP_SPEED, PlanLimits, plan_speed
from tracks.track import Corridor, Section, Track
from tracks.validation import check_positive

__all__ = ["LANE_HALF_WIDTH", "STRAIGHT_BEFORE_STOP", "course_speed", "planned", "stopping_distance"]

LANE_HALF_WIDTH = 1.75
"""Half a lane of 3.5 m, m (common practice, no source)."""
STRAIGHT_BEFORE_STOP = 10.0
"""Straight left over for the end of the stop, m: about a second and a half at 7 m/s."""


def course_speed(speed: float | None, scale: float) -> float:
    """Give the top speed of a course, m/s: as asked, or 7 m/s · √scale, which keeps accelerations alike."""
    return TOP_SPEED * math.sqrt(scale) if speed is None else check_positive("speed", speed, "m/s")


def stopping_distance(speed: float, limits: PlanLimits) -> float:
    """Give v²/2a for the plan's deceleration, m."""
    return speed**2 / (2.0 * check_positive("deceleration", limits.get("deceleration", DECELERATION), "m/s²"))


def planned(
    name: str,
    path: Path,
    speed: float,
    limits: PlanLimits,
    corridor: Corridor,
    sections: Sequence[Section],
    source: str,
    start_offset: float = 0.0,
) -> Track:
    """Give the track with its speed plan; an open one ends at rest, and starts at the speed of its plan."""
    plan = plan_speed(path, speed, end_speed=None if path.closed else 0.0, **limits)
    return Track(name, path, plan, corridor, sections, source, start_offset)
