"""What lies ahead: speeds, the path's mean curvature and the corridor at the steps of the horizon."""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_values import MpcValues
from tracks.geometry import PathArrays, cell_at, evaluate, wrap_arc_length
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays, planned_speed

__all__ = ["heading_at", "preview"]

_BLEND = 1.0  # s: time constant with which the measured speed is taken to approach the plan; a rule of thumb
_SHORTEST = 1e-6  # m: below this the mean curvature of a stretch is that at its start


@equation
def heading_at(path: PathArrays, s: float) -> float:
    """Give the path's heading at arc length s [m], rad, not wrapped: it goes on growing lap after lap."""
    inside = clip(wrap_arc_length(path, s), 0.0, path.length)
    laps = path.closed * np.floor(s / path.length)
    i = cell_at(path, inside)
    ahead = inside - path.s[i]
    slope = (path.curvature_end[i] - path.curvature_start[i]) / (path.s[i + 1] - path.s[i])
    turn = path.heading[path.heading.shape[0] - 1] - path.heading[0]
    return path.heading[i] + ahead * (path.curvature_start[i] + 0.5 * slope * ahead) + laps * turn


@equation
def preview(
    values: MpcValues,
    track: TrackArrays,
    s: float,
    speed: float,
    spans: np.ndarray,
    nodes: np.ndarray,
    means: np.ndarray,
    bends: np.ndarray,
    stations: np.ndarray,
) -> None:
    """Fill speeds at the n + 1 nodes [m/s], mean speeds and mean path curvatures of the n steps, and stations [m].

    The vehicle is taken to keep to the path and to approach the plan from its present speed; `spans` (n,) are
    the lengths of the steps [s]. The mean curvature is the turn of the path over the distance: exact.
    """
    path = track.path
    planned, _ = planned_speed(track, s)
    gap = speed - values.speed_factor * planned
    first, other = np.exp(-spans[0] / _BLEND), np.exp(-values.step / _BLEND)
    nodes[0] = np.maximum(speed, values.creep)
    stations[0] = s
    heading = heading_at(path, s)
    for j in range(spans.shape[0]):
        planned, _ = planned_speed(track, stations[j] + nodes[j] * spans[j])
        gap *= select(j == 0, first, other)
        nodes[j + 1] = np.maximum(values.speed_factor * planned + gap, values.creep)
        means[j] = 0.5 * (nodes[j] + nodes[j + 1])
        distance = means[j] * spans[j]
        stations[j + 1] = stations[j] + distance
        following = heading_at(path, stations[j + 1])
        if distance > _SHORTEST:
            bends[j] = (following - heading) / distance
        else:
            bends[j] = evaluate(path, stations[j]).curvature
        heading = following
