"""A closed loop of an invented hospital campus: straights, an S-bend, tight corners both ways and a drop-off bay."""

from __future__ import annotations

import math
from typing import Unpack

import numpy as np

from tracks.courses.common import LANE_HALF_WIDTH, course_speed, planned
from tracks.courses.shapes import displacement, lane_change, turn
from tracks.path import Path
from tracks.segments import LONGEST_CELL, Arc, Clothoid, Segment, Straight
from tracks.speed_plan import PlanLimits
from tracks.track import Corridor, Section, Track
from tracks.validation import check_positive

__all__ = ["campus_loop"]

_QUARTER = 0.5 * math.pi
_BEND = math.radians(35.0)  # of the S-bend
_SEAM = 30.0  # m of the first straight that lie behind the start, so that the seam is on a straight


def campus_loop(speed: float | None = None, scale: float = 1.0, **limits: Unpack[PlanLimits]) -> Track:
    """Give a lap of about 600 m driven anticlockwise, without end.

    Corners have radii of 10 to 12 m, which a 7 m shuttle drives at 3.5 to 3.8 m/s for 1.2 m/s²; the S-bend has 25 m.
    Two straights at a right angle are as long as closing the loop needs, so it closes to rounding.

    Args:
        speed: top speed, m/s; None: 7 m/s · √scale.
        scale: size of all lengths against those of a full-size vehicle.
        limits: `lateral_acceleration`, `acceleration`, `deceleration` of the speed plan, m/s².

    Sections: "S-bend", "east corner", "courtyard entry", "courtyard exit", "north corner", "drop-off bay",
    "west corner", "south corner". The corridor is a lane of 3.5 m.
    """
    scale, speed = check_positive("scale", scale), course_speed(speed, scale)
    pieces = _layout()
    stations = np.concatenate([[0.0], np.cumsum([sum(a.length for a in part) for _, part in pieces])]) * scale
    path = Path.from_segments(
        [_scaled(piece, scale) for _, part in pieces for piece in part],
        closed=True,
        spacing=LONGEST_CELL * scale,
    )
    sections = [
        Section(name, float(stations[i]), float(stations[i + 1]))
        for i, (name, _) in enumerate(pieces)
        if name
    ]
    corridor = Corridor.of_width(path, LANE_HALF_WIDTH * scale)
    return planned("campus-loop", path, speed, limits, corridor, sections, "own course, invented")


def _layout() -> list[tuple[str, list[Segment]]]:
    """Give the parts of the lap in order, named or not, at full size."""
    parts: list[tuple[str, list[Segment]]] = [
        ("", [Straight(50.0)]),
        ("S-bend", [*turn(25.0, _BEND, 8.0), *turn(25.0, -_BEND, 8.0)]),
        ("", [Straight(35.0)]),
        ("east corner", turn(12.0, _QUARTER, 6.0)),
        ("", [Straight(55.0)]),
        ("courtyard entry", turn(11.0, _QUARTER, 6.0)),
        ("", [Straight(30.0)]),
        ("courtyard exit", turn(10.0, -_QUARTER, 5.0)),
        ("", [Straight(30.0)]),
        ("north corner", turn(10.0, _QUARTER, 5.0)),
        ("", [Straight(25.0)]),
        # The bay lies on the right, where riders get on and off.
        ("drop-off bay", [*lane_change(20.0, -3.0), Straight(15.0), *lane_change(20.0, 3.0)]),
    ]
    west_corner, south_corner = turn(12.0, _QUARTER, 6.0), turn(11.0, _QUARTER, 6.0)
    driven = [piece for _, part in parts for piece in part]
    x, y, heading = displacement([*driven, *west_corner, *south_corner, Straight(_SEAM)])
    # Both closing straights shift everything behind them, each along its own direction: two equations, two lengths.
    west = heading - math.pi
    south = heading - _QUARTER
    directions = np.array([[math.cos(west), math.cos(south)], [math.sin(west), math.sin(south)]])
    going_west, going_south = np.linalg.solve(directions, [-x, -y])
    return [
        *parts,
        ("", [Straight(float(going_west))]),
        ("west corner", west_corner),
        ("", [Straight(float(going_south))]),
        ("south corner", south_corner),
        ("", [Straight(_SEAM)]),
    ]


def _scaled(piece: Segment, scale: float) -> Segment:
    if isinstance(piece, Straight):
        return Straight(piece.length * scale)
    if isinstance(piece, Arc):
        return Arc(piece.length * scale, piece.curvature / scale)
    return Clothoid(piece.length * scale, piece.curvature_start / scale, piece.curvature_end / scale)
