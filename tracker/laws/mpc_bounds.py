"""The bounds of the predictive law's quadratic programme: hard on the inputs, soft on the corridor."""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_values import MpcValues
from tracker.laws.mpc_work import IGNORED, SOFT, UNBOUNDED, Work
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays, corridor_at

__all__ = ["bound_corridor", "bound_inputs"]


@equation
def bound_inputs(values: MpcValues, work: Work, previous: float) -> None:
    """Fill the bounds on the inputs from the limits on curvature, lateral acceleration and, at first, rate.

    The lagging curvature stays between those commanded, so |κ| v² keeps its limit where u does, at the faster
    end of each step. A bound that the rate cannot reach in time is widened to what it can: the programme always
    has a solution, which turns back as fast as it may.
    """
    low, high = previous, previous
    for k in range(work.spans.shape[0]):
        fastest = np.maximum(work.nodes[k], work.nodes[k + 1])
        limit = np.minimum(values.curvature, values.lateral_acceleration / (fastest * fastest))
        step = values.curvature_rate * work.changes[k]
        low -= step
        high += step
        work.upper[k] = np.maximum(limit, low)
        work.lower[k] = np.minimum(-limit, high)
        if k == 0:
            work.upper[0] = np.minimum(work.upper[0], high)
            work.lower[0] = np.maximum(work.lower[0], low)


@equation
def bound_corridor(values: MpcValues, track: TrackArrays, work: Work, scale: float) -> None:
    """Fill the bounds of the corridor's rows; rows are left out where there is no room for the vehicle."""
    n = work.spans.shape[0]
    for k in range(1, n):
        left, right = corridor_at(track, work.stations[k + 1])
        high, low = left - values.half_width, values.half_width - right
        row, at = n + k - 2, 2 * n + k - 2
        bounded = high > low and (high < UNBOUNDED or low > -UNBOUNDED)
        work.kinds[at] = SOFT if bounded else IGNORED
        weight = np.sqrt(scale * work.spans[k] * values.corridor_weight)
        free = work.free[k + 1, 0]
        for i in range(k + 1):
            work.rows[row, i] *= weight
        work.upper[at] = select(bounded, clip(weight * (high - free), -UNBOUNDED, UNBOUNDED), UNBOUNDED)
        work.lower[at] = select(bounded, clip(weight * (low - free), -UNBOUNDED, UNBOUNDED), -UNBOUNDED)
