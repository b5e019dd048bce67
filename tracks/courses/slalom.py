"""A slalom round evenly spaced cones: shows phase lag and the limits of steering rate."""

from __future__ import annotations

from itertools import pairwise
from typing import Unpack

from tracks.courses.common import STRAIGHT_BEFORE_STOP, course_speed, planned, stopping_distance
from tracks.courses.shapes import displacement, swing, swing_in
from tracks.errors import InputError
from tracks.path import Path
from tracks.segments import LONGEST_CELL, Arc, Clothoid, Segment, Straight
from tracks.speed_plan import PlanLimits
from tracks.track import Corridor, Section, Track
from tracks.validation import check_positive

__all__ = ["slalom"]

_RUN_UP = 20.0  # m
_LARGEST_SLOPE = 0.25  # clearance against spacing; beyond it the path would turn back on itself between cones


def slalom(
    speed: float | None = None,
    spacing: float = 25.0,
    clearance: float = 1.5,
    cones: int = 6,
    scale: float = 1.0,
    **limits: Unpack[PlanLimits],
) -> Track:
    """Give a slalom along x: the path passes cones on the axis in turn on the left and on the right.

    Cars are driven through cones 18 m apart (common practice, no source); 25 m suits a shuttle at 7 m/s, since the
    largest lateral acceleration v² κ is then 1.1 m/s². The curvature is continuous: arcs round the cones, one
    clothoid from each to the next.

    Args:
        speed: top speed, m/s; None: 7 m/s · √scale.
        spacing: of the cones for scale 1, m.
        clearance: between each cone and the path for scale 1, m.
        cones: how many, 2 or more.
        scale: size of all lengths against those of a full-size vehicle.
        limits: `lateral_acceleration`, `acceleration`, `deceleration` of the speed plan, m/s².

    Sections: "slalom", from the first cone to the last. The first cone is passed on the left at x = 0; the corridor
    reaches from the path to the cones, on either side.
    """
    scale, speed = check_positive("scale", scale), course_speed(speed, scale)
    spacing = check_positive("spacing", spacing, "m") * scale
    clearance = check_positive("clearance", clearance, "m") * scale
    if isinstance(cones, bool) or not isinstance(cones, int) or cones < 2:
        raise InputError(f"cones is {cones!r}", "a whole number of 2 or more", "add cones")
    if clearance > _LARGEST_SLOPE * spacing:
        raise InputError(
            f"the clearance is {clearance:g} m at a spacing of {spacing:g} m",
            f"a clearance of at most {_LARGEST_SLOPE * spacing:g} m",
            "lower the clearance or raise the spacing",
        )
    side = [clearance if i % 2 == 0 else -clearance for i in range(cones)]
    wave = [swing(spacing, b - a) for a, b in pairwise(side)]
    entry = swing_in(side[0], wave[0])
    out = _reversed(swing_in(side[-1], _reversed(wave[-1])))
    run_up = _RUN_UP * scale
    run_out = stopping_distance(speed, limits) + 2.0 * STRAIGHT_BEFORE_STOP * scale
    path = Path.from_segments(
        [Straight(run_up), *entry, *(piece for half in wave for piece in half), *out, Straight(run_out)],
        start=(-run_up - displacement(entry)[0], 0.0, 0.0),
        spacing=LONGEST_CELL * scale,
    )
    first = run_up + sum(piece.length for piece in entry)
    last = first + sum(piece.length for half in wave for piece in half)
    return planned(
        "slalom",
        path,
        speed,
        limits,
        corridor=Corridor.of_width(path, clearance),
        sections=[Section("slalom", first, last)],
        source="own course",
    )


def _reversed(segments: list[Segment]) -> list[Segment]:
    """Give the mirror image across y of the segments driven backwards: the same bends in the opposite order."""
    back: list[Segment] = []
    for piece in reversed(segments):
        if isinstance(piece, Clothoid):
            back.append(Clothoid(piece.length, piece.curvature_end, piece.curvature_start))
        else:
            back.append(Arc(piece.length, piece.curvature_start))
    return back
