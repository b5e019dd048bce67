"""A law in Python, linearised from its answers: a fresh runner is shown the steady view, once deviated, then steady again.

What the runner answers at the deviation and after it are the Markov parameters of the linear system that it is near
the steady drive. From these the smallest system that gives them is found (B. L. Ho and R. E. Kalman, 1966; by the singular
value decomposition after S.-Y. Kung, 1978: both from memory), so integrals, rate penalties and plans that a runner
keeps to itself are in. Central differences: a quadratic programme without active bounds is linear, so they are exact
to its solver's tolerance.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker.laws.base import View
from tracks.errors import InputError
from tuning.stability.law_slopes import LinearLaw

if TYPE_CHECKING:
    from tuning.stability.perception import Road

__all__ = ["linear_from_answers", "settled_answer"]

Array = NDArray[np.float64]
Start = Callable[[], Any]

_SETTLING = 12  # steady views before a deviation: an iteration a step has converged by then
_ORDER = 4  # states of its own that a law may have
_LAGS = 2 * _ORDER  # answers after the deviation that settle a system of that order
_NEGLIGIBLE = 1e-6  # singular value over the largest, below which it is noise of differences

# How a view deviates: by fields that go together, with the step of the difference.
_ALONE = {
    "curvature": 1e-5, "yaw_rate": 1e-4, "rear_velocity": 1e-4, "steering_angle": 1e-4, "steered": 1e-5,
    "asked": 1e-5, "turning": 1e-5,
}  # fmt: skip
_ASIDE, _TURNED = 1e-4, 1e-4  # m, rad


def _directions(view: View, road: Road) -> tuple[Array, Array]:
    """Give the ways in which a view may deviate, shape (fields, ways), and the step of each."""
    names = View._fields
    heading = road.curvature * view.s
    ways, steps = [], []
    aside, turned = np.zeros(len(names)), np.zeros(len(names))
    aside[names.index("x")], aside[names.index("y")] = -np.sin(heading), np.cos(heading)
    aside[names.index("lateral_error")] = 1.0
    turned[names.index("heading")] = turned[names.index("heading_error")] = 1.0
    ways += [aside, turned]
    steps += [_ASIDE, _TURNED]
    for name, step in _ALONE.items():
        if name in names:
            alone = np.zeros(len(names))
            alone[names.index(name)] = 1.0
            ways.append(alone)
            steps.append(step)
    return np.column_stack(ways), np.array(steps)


def _answers(
    runner: Any, view: View, road: Road, period: float, deviation: Array | None, wanted: float
) -> Array:
    """Give what a runner wants from the deviated view on, shape (1 + _LAGS,), 1/m; None only settles: its last."""
    restart = getattr(runner, "restart", None)
    if restart is not None:
        restart(wanted)
    found = []
    for step in range(_SETTLING + 1 + _LAGS):
        ahead = (step - _SETTLING) * period
        shown = _moved(view, road, ahead)
        if step == _SETTLING and deviation is not None:
            # A deviation is given at the steady place; this step is there.
            shown = View(*(np.array(shown) + deviation).tolist())
        answer = float(runner.curvature(shown))
        if step >= _SETTLING:
            found.append(answer)
            if deviation is None:
                break
    return np.array(found)


def _moved(view: View, road: Road, time: float) -> View:
    """Give the same view some time [s] later, further along the path."""
    s = view.s + road.speed * time
    here, there = road.pose(view.s, 0.0, 0.0), road.pose(s, 0.0, 0.0)
    turn = there[2] - here[2]
    dx, dy = view.x - here[0], view.y - here[1]
    x = there[0] + dx * np.cos(turn) - dy * np.sin(turn)
    y = there[1] + dx * np.sin(turn) + dy * np.cos(turn)
    return view._replace(time=view.time + time, x=float(x), y=float(y), heading=view.heading + turn, s=s)


def settled_answer(start: Start, view: View, road: Road, period: float, wanted: float) -> float:
    """Give what a fresh runner wants after steady views, 1/m."""
    return float(_answers(start(), view, road, period, None, wanted)[0])


def linear_from_answers(start: Start, view: View, road: Road, period: float, wanted: float) -> LinearLaw:
    """Linearise a runner about a steady view.

    Args:
        start: makes a fresh runner.
        view: of the steady drive. road: that it is on.
        period: between two views, s.
        wanted: path curvature driven, 1/m, which a runner that can is restarted from.

    Raises:
        InputError: the runner gives no finite answer.
    """
    ways, steps = _directions(view, road)
    runner = start()
    fresh = getattr(runner, "restart", None) is None
    markov = np.empty((1 + _LAGS, steps.size))
    for k, step in enumerate(steps):
        deviation = step * ways[:, k]
        ends = [
            _answers(start() if fresh else runner, view, road, period, way * deviation, wanted)
            for way in (1.0, -1.0)
        ]
        markov[:, k] = (ends[0] - ends[1]) / (2.0 * step)
    if not np.all(np.isfinite(markov)):
        raise InputError(
            "the law gives no finite answer beside a steady drive",
            "a curvature for every view near the path",
            "check the law's gains and its runner",
        )
    # A view's deviation in these ways is found back from its fields: they are independent of each other.
    from_fields = np.linalg.pinv(ways)
    state, onto, own = _realised(markov)
    return LinearLaw(markov[0] @ from_fields, state, onto @ from_fields, own, exact=False)


def _realised(markov: Array) -> tuple[Array, Array, Array]:
    """Give (H, G, F) of the smallest system whose answers are the Markov parameters, shape (1 + lags, inputs)."""
    inputs = markov.shape[1]
    later = markov[1:]
    scale = np.abs(markov).max(axis=0)
    scale[scale == 0.0] = 1.0
    scaled = later / scale
    half = _ORDER
    hankel = np.block([[scaled[i + j] for j in range(half)] for i in range(half)])
    shifted = np.block([[scaled[i + j + 1] for j in range(half)] for i in range(half)])
    left, size, right = np.linalg.svd(hankel, full_matrices=False)
    order = int(np.count_nonzero(size > _NEGLIGIBLE))
    if order == 0:
        return np.zeros(0), np.zeros((0, inputs)), np.zeros((0, 0))
    root = np.sqrt(size[:order])
    observing, reaching = left[:, :order] * root, root[:, None] * right[:order]
    own = (left[:, :order] / root).T @ shifted @ (right[:order] / root[:, None]).T
    return observing[0], reaching[:, :inputs] * scale, own
