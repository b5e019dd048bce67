"""A bend of constant radius between straights: shows understeer and the steady lateral error."""

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
from tracks.courses.shapes import turn
from tracks.path import Path
from tracks.segments import LONGEST_CELL, Straight
from tracks.speed_plan import PlanLimits
from tracks.track import Corridor, Section, Track
from tracks.validation import check_finite, check_positive

__all__ = ["constant_radius"]

_RUN_UP = 20.0  # m
_TRANSITION = 20.0  # m: at 7 m/s into 50 m the lateral jerk is v³/(R ℓ) = 0.34 m/s³


def constant_radius(
    speed: float | None = None,
    radius: float = 50.0,
    angle: float = math.pi,
    scale: float = 1.0,
    **limits: Unpack[PlanLimits],
) -> Track:
    """Give a straight, a clothoid in, an arc, a clothoid out and a straight to stop on.

    In the manner of ISO 4138 (radius of 30 m or more, 100 m preferred; from memory).

    Args:
        speed: top speed, m/s; None: 7 m/s · √scale. The plan is slower in the bend if √(a_y R) is.
        radius: of the arc for scale 1, m.
        angle: turned in all, rad, + left.
        scale: size of all lengths against those of a full-size vehicle.
        limits: `lateral_acceleration`, `acceleration`, `deceleration` of the speed plan, m/s².

    Sections: "entry", "arc", "exit".
    """
    scale, speed = check_positive("scale", scale), course_speed(speed, scale)
    radius = check_positive("radius", radius, "m") * scale
    angle = check_finite("angle", angle, "rad")
    run_up, transition = _RUN_UP * scale, _TRANSITION * scale
    bend = turn(radius, angle, transition)
    run_out = stopping_distance(speed, limits) + 2.0 * STRAIGHT_BEFORE_STOP * scale
    path = Path.from_segments([Straight(run_up), *bend, Straight(run_out)], spacing=LONGEST_CELL * scale)
    end = run_up + sum(piece.length for piece in bend)
    return planned(
        "constant-radius",
        path,
        speed,
        limits,
        corridor=Corridor.of_width(path, LANE_HALF_WIDTH * scale),
        sections=[
            Section("entry", run_up, run_up + transition),
            Section("arc", run_up + transition, end - transition),
            Section("exit", end - transition, end),
        ],
        source="own course in the manner of ISO 4138",
    )
