"""Track files by suffix, and courses by name."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from pathlib import Path as FilePath
from typing import Unpack

from tracks.courses import COURSES
from tracks.errors import FileError, InputError
from tracks.file_access import write_atomically
from tracks.speed_plan import PlanLimits
from tracks.track import Track
from tracks.track_csv import read_track, write_track

__all__ = ["course", "load", "save"]

_READERS: dict[str, Callable[..., Track]] = {".csv": read_track}
_WRITERS: dict[str, Callable[[Track], str]] = {".csv": write_track}


def load(path: str | FilePath, closed: bool | None = None, smoothing: float | None = None) -> Track:
    """Read a track from a file, by its suffix (".csv").

    A CSV file needs columns x and y [m]; left and right [m, widths from the points to the edges] and speed [m/s] are
    optional. What `save` wrote comes back the same. Without speeds the default plan is made (7 m/s, end at rest).

    Args:
        path: the file.
        closed: whether the last point joins the first, where the file does not say; None: if it lies that near.
        smoothing: as for `Path.from_points`, for files of points.

    Raises:
        FileError: what is wrong, with line and column, and how to mend it.
    """
    return _by_suffix(path, _READERS, "read")(path, closed=closed, smoothing=smoothing)


def save(track: Track, path: str | FilePath) -> None:
    """Write a track to a file, by its suffix (".csv"), whole or not at all; `load` gives it back the same.

    Raises:
        FileError: an unknown suffix, or the file cannot be written.
    """
    write_atomically(path, _by_suffix(path, _WRITERS, "written")(track))


def course(
    name_or_file: str | FilePath, speed: float | None = None, scale: float = 1.0, **limits: Unpack[PlanLimits]
) -> Track:
    """Give a standard course by its name, or a track from a file.

    Args:
        name_or_file: a name in `COURSES`, or a track file.
        speed: top speed of the plan, m/s; None: the course's own, or the speeds in the file.
        scale: size of all lengths; speeds not given go with its root.
        limits: of the speed plan, m/s²; given for a file, its speeds are planned afresh.

    Raises:
        InputError: no course and no file of that name.
        FileError: the file is unusable.
    """
    name = str(name_or_file)
    if name in COURSES:
        return COURSES[name](speed=speed, scale=scale, **limits)
    if FilePath(name).suffix.lower() not in _READERS and not FilePath(name).exists():
        close = difflib.get_close_matches(name, COURSES, n=1)
        raise InputError(
            f"there is no course {name!r}",
            f"one of {', '.join(COURSES)}, or a track file ({', '.join(_READERS)})",
            f"did you mean {close[0]}?" if close else "check the name",
        )
    track = load(name_or_file).scaled(scale)
    if speed is None and not limits:
        return track
    top = float(track.speed.max()) if speed is None else speed
    return track.with_speed_plan(top, **limits)


def _by_suffix(path: str | FilePath, formats: dict[str, Callable], verb: str) -> Callable:
    suffix = FilePath(path).suffix.lower()
    if suffix not in formats:
        raise FileError(
            path,
            "",
            f"files {suffix or 'without a suffix'} cannot be {verb}",
            " or ".join(formats),
            "convert the track",
        )
    return formats[suffix]
