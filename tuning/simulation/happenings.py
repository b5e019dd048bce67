"""What became of the events of a run: when, where, how far to a standstill, how far out of the corridor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tracker import StopReason
from tracks.one_source import equation
from tracks.track import TrackArrays, room_beside
from tuning.simulation import events
from tuning.simulation.outcome import Outcome
from tuning.simulation.script import BEGUN, BEGUN_AT, ENDED

if TYPE_CHECKING:
    from tuning.simulation.run import Run

__all__ = ["Happening", "beyond_corridor", "happenings_of", "meant"]

# How a run ends that such an event has stopped.
_BY_EVENT: Final[dict[type[events.Event], Outcome]] = {
    events.LinkLost: Outcome.STOPPED_BY_WATCHDOG,
    events.LocalisationLost: Outcome.STOPPED,
    events.LocalisationJump: Outcome.STOPPED,
}
_STANDING = 0.02  # m/s, below which the vehicle counts as standing
_HAND_BACK = 1.0  # s after a hand-back in which the command is watched


@dataclass(frozen=True)
class Happening:
    """What became of one event; NaN where something does not apply.

    Attributes:
        event: as the scenario has it.
        begun, ended: s; infinite where it did not begin or went on to the end of the run.
        at: arc length where it began, m. speed: when it began, m/s.
        stopping_distance: driven from its beginning to the standstill, m. stopping_time: s.
        excursion: largest distance of the body's side beyond the corridor's edge while it went on or the
            vehicle was stopping because of it, m; 0 inside, NaN without a corridor.
        lateral_error: largest |lateral error| in that time, m.
        command_jump: largest change of commanded curvature from one command to the next in the second after a
            hand-back, the first from the curvature that was driven, 1/m.
    """

    event: events.Event
    begun: float
    ended: float
    at: float
    speed: float
    stopping_distance: float = math.nan
    stopping_time: float = math.nan
    excursion: float = math.nan
    lateral_error: float = math.nan
    command_jump: float = math.nan

    @property
    def happened(self) -> bool:
        """Whether the event began at all."""
        return self.begun < math.inf


def meant(event: events.Event) -> StopReason:
    """Give the controlled stop that an event asks of the tracker, NONE if none."""
    loses_pose = isinstance(event, (events.LocalisationLost, events.LocalisationJump))
    return StopReason.LOCALISATION_LOST if loses_pose else StopReason.NONE


def beyond_corridor(run: Run, span: slice) -> float:
    """Give the largest distance of the body's side beyond the corridor's edge over a span of samples, m, 0 inside.

    The side is half the width from the rear-axle middle; overhangs are left out. NaN without a corridor.
    """
    track = run.track.arrays
    if run.track.corridor is None:
        return math.nan
    return float(_farthest_out(track, run.s[span], run.lateral_error[span], 0.5 * (run.width or 0.0)))


@equation
def _farthest_out(track: TrackArrays, s: np.ndarray, error: np.ndarray, half_width):
    """Give the largest |e| less the room beside the vehicle, m; 0 inside."""
    farthest = 0.0
    for i in range(s.size):
        farthest = max(farthest, np.abs(error[i]) - room_beside(track, s[i], error[i], half_width))
    return farthest


def happenings_of(run: Run, diary: np.ndarray) -> tuple[Happening, ...]:
    """Give what became of each event, in the scenario's order, from a run and the diary that its kernel kept."""
    return tuple(_happening(run, event, row) for event, row in zip(run.scenario.events, diary, strict=True))


def _happening(run: Run, event: events.Event, row: np.ndarray) -> Happening:
    begun, ended = float(row[BEGUN]), float(row[ENDED])
    if not begun < math.inf:
        return Happening(event, begun, ended, math.nan, math.nan)
    first = int(np.searchsorted(run.time, begun - 1e-6))
    first = min(first, run.time.size - 1)
    last = int(np.searchsorted(run.time, ended)) if ended < math.inf else run.time.size - 1
    distance = duration = math.nan
    if isinstance(event, events.StopDemand) or run.outcome == _BY_EVENT.get(type(event)):
        # A demand that was released may have let the vehicle drive on before it stood.
        until = last if isinstance(event, events.StopDemand) else run.time.size - 1
        standing = np.flatnonzero(np.abs(run.speed[first : until + 1]) < _STANDING)
        if standing.size and run.speed[first] >= _STANDING:
            end = first + int(standing[0])
            steps = np.hypot(np.diff(run.x[first : end + 1]), np.diff(run.y[first : end + 1]))
            distance, duration = float(np.sum(steps)), float(run.time[end] - run.time[first])
            last = max(last, end) if ended < math.inf else end
    span = slice(first, last + 1)
    return Happening(
        event,
        begun,
        ended,
        float(row[BEGUN_AT]),
        float(run.speed[first]),
        distance,
        duration,
        beyond_corridor(run, span),
        float(np.max(np.abs(run.lateral_error[span]))),
        _command_jump(run, event, ended),
    )


def _command_jump(run: Run, event: events.Event, ended: float) -> float:
    if not isinstance(event, events.DriverTakesOver) or not ended < math.inf:
        return math.nan
    tick = float(run.time[1] - run.time[0])
    watched = (run.time >= ended - 1.01 * tick) & (run.time <= ended + _HAND_BACK)
    return float(np.max(np.abs(np.diff(run.command_curvature[watched])), initial=0.0))
