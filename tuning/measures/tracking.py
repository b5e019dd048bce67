"""How closely the path was followed: lateral and heading error, corner cutting, room left in the corridor."""

from __future__ import annotations

import math

import numpy as np

from tracks.one_source import equation
from tracks.track import TrackArrays, room_beside
from tuning.measures.base import Array, Measure, Recording

__all__ = ["MEASURES", "corner_cutting", "corridor_used", "heading_error", "lateral_error", "peak", "rms"]

_OWN = "common practice, no source"
_START = "after start-up"

MEASURES = (
    Measure("lateral_error_rms", "m", f"root mean square of the lateral error, {_START}", _OWN),
    Measure("lateral_error_95", "m", f"95th percentile of the size of the lateral error, {_START}", _OWN),
    Measure("lateral_error_max", "m", f"largest lateral error, {_START}", _OWN),
    Measure("heading_error_rms", "rad", f"root mean square of the heading error, {_START}", _OWN),
    Measure("heading_error_max", "rad", f"largest heading error, {_START}", _OWN),
    Measure(
        "corner_cutting", "m", "mean lateral error toward the inside of curves, weighted by curvature", _OWN
    ),
    Measure(
        "corridor_used", "%", "largest lateral error over the room between body and corridor's edge", _OWN
    ),
)

_STRAIGHT = 1e-9  # 1/m: a path that bends less has no curves


def rms(values: Array) -> float:
    """Give the root mean square; 0 of nothing.

    Without a scalar product, which BLAS splits among threads: its last digits depend on how many there are.
    """
    return math.sqrt(float(np.square(values).mean())) if values.size else 0.0


def peak(values: Array) -> float:
    """Give the largest size; 0 of nothing."""
    return float(max(values.max(), -values.min())) if values.size else 0.0


def lateral_error(record: Recording) -> dict[str, float]:
    """Give RMS, 95th percentile and maximum of the lateral error in m, every sample after start-up alike."""
    error = record.lateral_error[record.judged]
    size = np.abs(error)
    return {
        "lateral_error_rms": rms(error),
        "lateral_error_95": _percentile(size, 0.95),
        "lateral_error_max": peak(error),
    }


def _percentile(values: Array, share: float) -> float:
    """Give a percentile, linear between order statistics as numpy's, whose own call takes twice as long."""
    if not values.size:
        return 0.0
    place = share * (values.size - 1)
    below = int(place)
    above = min(below + 1, values.size - 1)
    ordered = np.partition(values, (below, above))
    return float(ordered[below] + (place - below) * (ordered[above] - ordered[below]))


def heading_error(record: Recording) -> dict[str, float]:
    """Give RMS and maximum of the heading error in rad, every sample after start-up alike."""
    error = record.heading_error[record.judged]
    return {"heading_error_rms": rms(error), "heading_error_max": peak(error)}


def corner_cutting(record: Recording) -> dict[str, float]:
    """Give Σ e κ / Σ |κ| in m: + where the vehicle drives inside of curves, NaN on a straight path.

    The weight by curvature makes the number continuous in the path, where a threshold for "a curve" would not.
    """
    curvature = record.path_curvature[record.judged]
    total = float(np.abs(curvature).sum())
    if total <= _STRAIGHT * curvature.size:
        return {"corner_cutting": math.nan}
    return {"corner_cutting": float((record.lateral_error[record.judged] * curvature).sum()) / total}


@equation
def _room_used(track: TrackArrays, s: np.ndarray, error: np.ndarray, half_width: float) -> float:
    """Give the largest |e| over (distance to the edge on that side less half the width); inf where none is left."""
    largest = 0.0
    for i in range(s.size):
        room = room_beside(track, s[i], error[i], half_width)
        used = np.abs(error[i]) / room if room > 0.0 else np.inf
        largest = max(largest, used)
    return largest


def corridor_used(record: Recording) -> dict[str, float]:
    """Give the largest share of the room beside the vehicle that its lateral error takes up, in percent.

    The room is the distance from path to edge less half the vehicle's width; 100 % touches the edge with the
    side of the body at the rear axle. NaN without a corridor. Overhangs swing further and are left out.
    """
    if record.track.corridor is None:
        return {"corridor_used": math.nan}
    error, s = record.lateral_error[record.judged], record.s[record.judged]
    return {"corridor_used": 100.0 * _room_used(record.track.arrays, s, error, 0.5 * record.width)}
