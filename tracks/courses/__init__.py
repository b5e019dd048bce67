"""Standard courses, each a function that gives a `Track`, by name in `COURSES`."""

from collections.abc import Callable

from tracks.courses.campus_loop import campus_loop
from tracks.courses.constant_radius import constant_radius
from tracks.courses.double_lane_change import double_lane_change
from tracks.courses.offset_straight import offset_straight
from tracks.courses.slalom import slalom
from tracks.track import Track

__all__ = [
    "COURSES",
    "campus_loop",
    "constant_radius",
    "double_lane_change",
    "offset_straight",
    "slalom",
]

COURSES: dict[str, Callable[..., Track]] = {
    "offset-straight": offset_straight,
    "double-lane-change": double_lane_change,
    "constant-radius": constant_radius,
    "slalom": slalom,
    "campus-loop": campus_loop,
}
"""Every course by the name that the command line uses; each takes `speed`, `scale` and the limits of the plan."""
