"""Where the vehicle should go: paths, speed plans, corridors, standard courses and track files."""

from tracks.courses import (
    COURSES,
    campus_loop,
    constant_radius,
    double_lane_change,
    offset_straight,
    slalom,
)
from tracks.errors import FileError, InputError, PathtrimError
from tracks.files import course, load, save
from tracks.geometry import PathArrays, PathPoint, evaluate, project
from tracks.path import Path
from tracks.segments import Arc, Clothoid, Segment, Straight
from tracks.speed_plan import PlanLimits, plan_speed
from tracks.track import Corridor, Section, Track, TrackArrays, corridor_at, planned_speed

__all__ = [
    "COURSES",
    "Arc",
    "Clothoid",
    "Corridor",
    "FileError",
    "InputError",
    "Path",
    "PathArrays",
    "PathPoint",
    "PathtrimError",
    "PlanLimits",
    "Section",
    "Segment",
    "Straight",
    "Track",
    "TrackArrays",
    "campus_loop",
    "constant_radius",
    "corridor_at",
    "course",
    "double_lane_change",
    "evaluate",
    "load",
    "offset_straight",
    "plan_speed",
    "planned_speed",
    "project",
    "save",
    "slalom",
]
