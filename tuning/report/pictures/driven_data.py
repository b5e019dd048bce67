"""What the picture of one track shows: where each law drove, how far from the path, how fast, how hard it pulled sideways."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tuning.measures.base import Recording
from tuning.measures.comfort import r79_acceleration
from tuning.search.endings import ending
from tuning.simulation import DriverTakesOver, Outcome

if TYPE_CHECKING:
    from tracks import Track
    from tuning.simulation import Run

__all__ = ["Array", "DrivenData", "DrivenLine", "EventMark", "driven_data"]

Array = NDArray[np.float64]

_MOST_POINTS = 1500  # of a line: a picture 10 in wide has no more pixels than that
_NARROW = 4.0  # length over breadth beyond which equal axes would leave nothing to see


@dataclass(frozen=True)
class DrivenLine:
    """What one run left behind, thinned for drawing; every array has shape (k,).

    Attributes:
        label: the law.
        along, across: position in the axes of the map, m.
        s: arc length, m.
        error: lateral error, m, + left.
        speed: m/s.
        lateral_acceleration: m/s², + left, filtered in the way of UN R79, as its limit means it.
        finished: whether the run ended as its scenario means it to.
        ending: how it ended, in words; empty where it reached the end of its course.
    """

    label: str
    along: Array
    across: Array
    s: Array
    error: Array
    speed: Array
    lateral_acceleration: Array
    finished: bool
    ending: str


@dataclass(frozen=True)
class EventMark:
    """Where an event began.

    Attributes:
        number: in the scenario, from 1.
        title: what it is called.
        s: arc length, m, where the first law met it.
        along, across: the same place in the axes of the map, m.
    """

    number: int
    title: str
    s: float
    along: float
    across: float


@dataclass(frozen=True)
class DrivenData:
    """Everything that the picture of a track shows.

    Attributes:
        name: the track.
        path, left, right: map lines of path and corridor edges, each of shape (2, n), m; edges None without corridor.
        plan_s, plan_speed: planned speed over arc length, shape (n,), m and m/s.
        lines: one a law.
        narrow: whether the map is long and thin, so that its axes have scales of their own.
        turned: rad by which the map was turned to lie along the horizontal axis.
        worst: `(label, s, error, along, across)` of the largest lateral error of all; not while a driver steers.
        sections: `(name, start, end)` along s, m.
        events: that began in any of the runs.
        error_limit, acceleration_limit: bounds on |lateral error| (m) and |lateral acceleration| (m/s²), or None.
    """

    name: str
    path: Array
    left: Array | None
    right: Array | None
    plan_s: Array
    plan_speed: Array
    lines: tuple[DrivenLine, ...]
    narrow: bool
    turned: float
    worst: tuple[str, float, float, float, float]
    sections: tuple[tuple[str, float, float], ...]
    events: tuple[EventMark, ...]
    error_limit: float | None
    acceleration_limit: float | None


def driven_data(
    track: Track,
    runs: Mapping[str, Run],
    error_limit: float | None = None,
    acceleration_limit: float | None = None,
) -> DrivenData:
    """Gather what the picture of a track shows.

    Args:
        track: that was driven.
        runs: label -> run on this track.
        error_limit, acceleration_limit: bounds to draw, m and m/s².
    """
    path = track.path
    x, y = np.asarray(path.x), np.asarray(path.y)
    chord = np.arctan2(y[-1] - y[0], x[-1] - x[0])
    turned = 0.0
    narrow = False
    if not path.closed:
        along, across = _turn(x, y, chord)
        narrow = bool(np.ptp(along) > _NARROW * max(np.ptp(across), 1e-9))
        turned = float(chord) if narrow else 0.0
    left, right = _edges(track, turned)
    lines = tuple(_line(label, run, turned) for label, run in runs.items())
    return DrivenData(
        name=track.name,
        path=np.stack(_turn(x, y, turned)),
        left=left,
        right=right,
        plan_s=np.asarray(path.s),
        plan_speed=np.asarray(track.speed),
        lines=lines,
        narrow=narrow,
        turned=turned,
        worst=_worst(runs, turned),
        sections=tuple((part.name, part.start, part.end) for part in track.sections),
        events=_events(tuple(runs.values()), turned),
        error_limit=error_limit,
        acceleration_limit=acceleration_limit,
    )


def _turn(x: Array, y: Array, angle: float) -> tuple[Array, Array]:
    """Give positions in axes turned by `angle` (rad, anticlockwise)."""
    c, s = np.cos(angle), np.sin(angle)
    return c * x + s * y, c * y - s * x


def _edges(track: Track, turned: float) -> tuple[Array | None, Array | None]:
    if track.corridor is None:
        return None, None
    path = track.path
    normal = np.stack((-np.sin(path.heading), np.cos(path.heading)))
    middle = np.stack((path.x, path.y))
    distances = np.stack((track.corridor.left, track.corridor.right))
    distances[np.isinf(distances)] = np.nan  # open to that side: no edge to draw
    left, right = middle + normal * distances[0], middle - normal * distances[1]
    return np.stack(_turn(left[0], left[1], turned)), np.stack(_turn(right[0], right[1], turned))


def _line(label: str, run: Run, turned: float) -> DrivenLine:
    keep = np.unique(np.linspace(0, len(run.time) - 1, _MOST_POINTS).astype(int))
    # Thinning must not lose the figure that the table states.
    keep = np.union1d(keep, [int(np.argmax(np.abs(run.lateral_error)))])
    along, across = _turn(np.asarray(run.x)[keep], np.asarray(run.y)[keep], turned)
    return DrivenLine(
        label,
        along,
        across,
        np.asarray(run.s)[keep],
        np.asarray(run.lateral_error)[keep],
        np.asarray(run.speed)[keep],
        r79_acceleration(np.asarray(run.lateral_acceleration), _rate(run))[keep],
        run.as_meant,
        "" if run.outcome == Outcome.FINISHED else ending(run),
    )


def _events(runs: tuple[Run, ...], turned: float) -> tuple[EventMark, ...]:
    """Give the events by the first run in which each began: laws meet them at all but the same place."""
    marks: dict[int, EventMark] = {}
    for run in runs:
        for number, found in enumerate(run.happenings, start=1):
            if found.happened and number not in marks:
                at = min(int(np.searchsorted(run.time, found.begun - 1e-6)), len(run.time) - 1)
                along, across = _turn(run.x[at : at + 1], run.y[at : at + 1], turned)
                marks[number] = EventMark(
                    number, found.event.title, float(run.s[at]), float(along[0]), float(across[0])
                )
    return tuple(marks[number] for number in sorted(marks))


def _rate(run: Run) -> float:
    """Samples a second."""
    return (len(run.time) - 1) / float(run.time[-1] - run.time[0])


def _furthest(run: Run) -> int:
    """Give the index of the largest lateral error, leaving out what a driver answers for."""
    error = np.abs(np.asarray(run.lateral_error))
    if any(isinstance(found.event, DriverTakesOver) and found.happened for found in run.happenings):
        judged = Recording.of(run).judged
        counts = judged if isinstance(judged, np.ndarray) else np.ones(error.size)
        error = np.where(counts, error, 0.0)
    return int(np.argmax(error))


def _worst(runs: Mapping[str, Run], turned: float) -> tuple[str, float, float, float, float]:
    places = {label: _furthest(run) for label, run in runs.items()}
    label = max(places, key=lambda one: abs(float(runs[one].lateral_error[places[one]])))
    run, at = runs[label], places[label]
    along, across = _turn(run.x[at : at + 1], run.y[at : at + 1], turned)
    return label, float(run.s[at]), float(run.lateral_error[at]), float(along[0]), float(across[0])
