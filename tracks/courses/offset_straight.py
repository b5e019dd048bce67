"""A straight that the run starts beside: shows overshoot and settling."""

from __future__ import annotations

import math
from typing import Unpack

from tracks.courses.common import (
    LANE_HALF_WIDTH,
    STRAIGHT_BEFORE_STOP,
    course_speed,
    planned,
    stopping_distance,
)
from tracks.errors import InputError
from tracks.path import Path
from tracks.segments import LONGEST_CELL, Straight
from tracks.speed_plan import PlanLimits
from tracks.track import Corridor, Section, Track
from tracks.validation import check_finite, check_positive

__all__ = ["offset_straight"]

_SHORTEST = 100.0  # m
_TIME = 15.0  # s at top speed and full size: the slowest laws worth having settle within this


def offset_straight(
    speed: float | None = None, offset: float = 1.0, scale: float = 1.0, **limits: Unpack[PlanLimits]
) -> Track:
    """Give a straight along x that the vehicle starts `offset` m to the left of; it stops at the end.

    Args:
        speed: top speed, m/s; None: 7 m/s · √scale.
        offset: lateral offset at the start for scale 1, m, + left, not 0.
        scale: size of all lengths against those of a full-size vehicle (0.1: a tenth-scale car).
        limits: `lateral_acceleration`, `acceleration`, `deceleration` of the speed plan, m/s².

    Sections: "settle", whose step is −offset.
    """
    scale, speed = check_positive("scale", scale), course_speed(speed, scale)
    offset = check_finite("offset", offset, "m") * scale
    if offset == 0.0:
        raise InputError("offset is 0 m", "an offset other than 0", "start beside the straight")
    measured = max(_SHORTEST * scale, _TIME * math.sqrt(scale) * speed)
    length = measured + stopping_distance(speed, limits) + STRAIGHT_BEFORE_STOP * scale
    path = Path.from_segments([Straight(length)], spacing=LONGEST_CELL * scale)
    return planned(
        "offset-straight",
        path,
        speed,
        limits,
        corridor=Corridor.of_width(path, LANE_HALF_WIDTH * scale + abs(offset)),
        sections=[Section("settle", 0.0, measured, step=-offset)],
        source="own course",
        start_offset=offset,
    )
