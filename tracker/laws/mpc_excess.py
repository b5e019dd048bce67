"""What the last lateral plan says of the speed: where it leaves its room, slower than now.

Notation: x how far the plan is beyond its room at a step [m], t since the limit on lateral acceleration began to bind
[s], a that limit [m/s²]. A lack of lateral acceleration Δa over t leads x = Δa t²/2 astray, so the bend asks for
a + 2 x/t² at speed v and for a at v² a/(a + 2 x/t²) (derived; constant acceleration).
"""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_bounds import room_at
from tracker.laws.mpc_values import MpcValues
from tracker.laws.mpc_work import EXCURSION, HELD_BACK, LARGEST, PLANNED, UNBOUNDED, Work
from tracks.one_source import equation
from tracks.track import TrackArrays

__all__ = ["judge_plan"]

_BINDS = 0.999  # of a limit: from here on it counts as binding
_HELD = (
    5.0  # lateral tolerances: room where no corridor is given, or where the vehicle does not fit; no source
)
_SHORTEST = (
    0.5  # s: a lack of acceleration is not put down to less; keeps a distant start from stopping the vehicle
)
_SLIGHT = 0.02  # m beyond the room that are let pass: millimetres of an excursion must not brake


@equation
def judge_plan(values: MpcValues, track: TrackArrays, work: Work) -> None:
    """Fill `work.slower` (n + 1,) from the plan still in the arrays, and tell its excursion and largest error.

    Only where the limit binds: otherwise the plan has what it needs, and slowing would help nothing.
    """
    n, f = work.spans.shape[0], work.knots.shape[0]
    for k in range(n + 1):
        work.slower[k] = UNBOUNDED
    work.told[EXCURSION] = work.told[LARGEST] = work.told[HELD_BACK] = 0.0
    if work.told[PLANNED] == 0.0:
        return
    begin, elapsed, time = -1, 0.0, 0.0
    limit = values.envelope.lateral_acceleration
    room = _HELD / np.sqrt(work.weights[0, 0])
    for k in range(n):
        j, share = work.left[k], work.share[k]
        following = min(j + 1, f - 1)
        asked = (1.0 - share) * work.plan[j] + share * work.plan[following]
        fastest = np.maximum(work.nodes[k], work.nodes[k + 1])
        if begin < 0 and np.abs(asked) * fastest * fastest >= _BINDS * limit:
            begin = k
            elapsed = time
        time += work.spans[k]
        error = work.free[k + 1, 0]
        for i in range(f):
            error += work.errors[k, i] * work.plan[i]
        high, low = room_at(values, track, work.stations[k + 1])
        beyond = np.maximum(error - np.minimum(high, np.inf), low - error)
        if high == np.inf and low == -np.inf:
            beyond = np.abs(error) - room
        work.told[LARGEST] = np.maximum(work.told[LARGEST], np.abs(error))
        work.told[EXCURSION] = np.maximum(work.told[EXCURSION], beyond)
        if begin >= 0 and beyond > _SLIGHT:
            work.told[HELD_BACK] = 1.0
            since = np.maximum(time - elapsed, _SHORTEST)
            share = limit / (limit + 2.0 * beyond / (since * since))
            for i in range(begin, k + 2):
                work.slower[i] = np.minimum(work.slower[i], work.nodes[i] * np.sqrt(share))
