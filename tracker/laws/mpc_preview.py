"""What lies ahead: speeds, the path's mean curvature and the stations of the steps of the horizon."""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_speed import SpeedWork, profile_at
from tracker.laws.mpc_values import MpcValues, step_at
from tracker.laws.mpc_work import HELD_BACK, Work
from tracker.speed_command import reference_speed
from tracks.geometry import PathArrays, cell_at, evaluate, wrap_arc_length
from tracks.one_source import clip, equation
from tracks.track import TrackArrays

__all__ = ["heading_at", "preview"]

_BLEND = (
    1.0  # s: time constant with which the measured speed is taken to approach what is asked; a rule of thumb
)
_SHORTEST = 1e-6  # m: below this the mean curvature of a stretch is that at its start


@equation
def heading_at(path: PathArrays, s: float) -> float:
    """Give the path's heading at arc length s [m], rad, not wrapped: it goes on growing lap after lap.

    Past the end of an open path its last curvature goes on. The vehicle stops there; a straight beyond would have it
    unwind the steering before.
    """
    on = wrap_arc_length(path, s)
    inside = clip(on, 0.0, path.length)
    past = np.maximum(on - path.length, 0.0) * path.curvature_end[path.curvature_end.shape[0] - 1]
    laps = path.closed * np.floor(s / path.length)
    i = cell_at(path, inside)
    ahead = inside - path.s[i]
    slope = (path.curvature_end[i] - path.curvature_start[i]) / (path.s[i + 1] - path.s[i])
    turn = path.heading[path.heading.shape[0] - 1] - path.heading[0]
    return path.heading[i] + ahead * (path.curvature_start[i] + 0.5 * slope * ahead) + laps * turn + past


@equation
def _asked_at(
    values: MpcValues, track: TrackArrays, plan: SpeedWork, held_back: bool, s: float, time: float
) -> float:
    """Give the speed that the vehicle is to have after `time` [s], at s [m]."""
    # Of a vehicle at rest nothing is read ahead: the speed at s itself, with the stop at the end of the path.
    asked, _ = reference_speed(values.response, track, values.envelope, values.options, s, 0.0)
    if held_back:
        asked = np.minimum(asked, profile_at(values, plan, time + values.period))
    return asked


@equation
def preview(
    values: MpcValues, track: TrackArrays, work: Work, plan: SpeedWork, planning: bool, s: float, speed: float
) -> None:
    """Fill the steps, their speeds, mean path curvatures and stations, from arc length s [m] and a speed [m/s].

    The vehicle is taken to keep to the path and to approach what is asked for from its present speed: what can be held
    at each station, which commands read ahead by the delay of drive and brake are to give there, and the law's own
    profile where it holds the vehicle back from that. The mean curvature is the turn of the path over the distance:
    exact.
    """
    path, n = track.path, work.spans.shape[0]
    held_back = planning and work.told[HELD_BACK] > 0.0
    work.nodes[0] = np.maximum(speed, values.creep)
    span = step_at(values, work.nodes[0])
    gap = speed - _asked_at(values, track, plan, held_back, s, 0.0)
    first, other = np.exp(-values.period / _BLEND), np.exp(-span / _BLEND)
    work.stations[0] = s
    heading, time = heading_at(path, s), 0.0
    for k in range(n):
        h = values.period if k == 0 else span
        work.spans[k] = h
        work.middles[k] = time + 0.5 * h
        time += h
        ahead = work.stations[k] + work.nodes[k] * h
        gap *= first if k == 0 else other
        work.nodes[k + 1] = np.maximum(
            _asked_at(values, track, plan, held_back, ahead, time) + gap, values.creep
        )
        work.means[k] = 0.5 * (work.nodes[k] + work.nodes[k + 1])
        distance = work.means[k] * h
        work.stations[k + 1] = work.stations[k] + distance
        following = heading_at(path, work.stations[k + 1])
        if distance > _SHORTEST:
            work.bends[k] = (following - heading) / distance
        else:
            work.bends[k] = evaluate(path, work.stations[k]).curvature
        heading = following
    work.changes[0] = values.period
    for j in range(1, work.knots.shape[0]):
        work.changes[j] = work.middles[work.knots[j]] - work.middles[work.knots[j - 1]]
