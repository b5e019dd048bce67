"""The bounds of the predictive law's quadratic programme: hard on the inputs, soft on the corridor."""

from __future__ import annotations

import numpy as np

from tracker.envelope import curvature_bound, curvature_step
from tracker.laws.mpc_values import MpcValues
from tracker.laws.mpc_work import UNBOUNDED, WIDENED, Work
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays, corridor_at

__all__ = ["bound_corridor", "bound_inputs", "room_at"]


@equation
def bound_inputs(values: MpcValues, work: Work, previous: float) -> None:
    """Fill the bounds on the knots from the limits on curvature and lateral acceleration, and those of the rates.

    The curvature steered stays between those commanded, so |κ| v² keeps its limit where u does, at the faster end of
    a knot's step. A bound that the rate cannot reach in time is widened to what it can: the programme always has a
    solution, which turns back as fast as it may.
    """
    low, high, widened = previous, previous, 0.0
    f = work.knots.shape[0]
    for j in range(f):
        k = work.knots[j]
        fastest = np.maximum(work.nodes[k], work.nodes[k + 1])
        limit = curvature_bound(values.envelope, fastest)
        step = curvature_step(values.envelope, fastest, work.changes[j])
        low -= step
        high += step
        work.upper[j] = np.maximum(limit, low)
        work.lower[j] = np.minimum(-limit, high)
        widened = np.maximum(widened, np.maximum(low - limit, -high - limit))
        if j == 0:
            work.upper[0] = np.minimum(work.upper[0], high)
            work.lower[0] = np.maximum(work.lower[0], low)
        else:
            work.upper[f + j - 1] = step
            work.lower[f + j - 1] = -step
    work.told[WIDENED] = widened


@equation
def room_at(values: MpcValues, track: TrackArrays, s: float):
    """Give how far (left, right) [m, both counted + left] the rear axle may be from the path; ±inf without an edge.

    Unbounded, too, where there is no room for the vehicle and its margin.
    """
    left, right = corridor_at(track, s)
    high, low = left - values.half_width, values.half_width - right
    return select(high > low, high, np.inf), select(high > low, low, -np.inf)


@equation
def bound_corridor(values: MpcValues, track: TrackArrays, work: Work, scale: float) -> None:
    """Fill the corridor's rows and bounds; rows without an edge, or without room for the vehicle, never bind."""
    n, f = work.spans.shape[0], work.knots.shape[0]
    for k in range(1, n):
        high, low = room_at(values, track, work.stations[k + 1])
        row = f + k - 2
        weight = np.sqrt(scale * work.spans[k] * values.corridor_weight)
        free = work.free[k + 1, 0]
        for i in range(f):
            work.rows[row, i] = weight * work.errors[k, i]
        work.upper[f + row] = clip(weight * (high - free), -UNBOUNDED, UNBOUNDED)
        work.lower[f + row] = clip(weight * (low - free), -UNBOUNDED, UNBOUNDED)
