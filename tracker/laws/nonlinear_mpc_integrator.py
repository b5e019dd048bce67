"""The classical Runge-Kutta method over all steps of the horizon at once, with its exact derivatives.

The derivatives of a Runge-Kutta step are those of its stages by the chain rule ("internal differentiation", H. G. Bock,
1981, from memory), so the Jacobian is that of the discrete step to rounding. Between two stages CasADi evaluates
`path_rates` and its slopes at n + 1 points: the starts of the n steps, and the last node.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from tracker.laws.nonlinear_mpc_model import MOVED, POINT, rates_of, substeps
from tracker.laws.nonlinear_mpc_values import (
    ACCELERATION,
    ASKED,
    NO_LAG,
    OFFSET,
    SPEED,
    STATES,
    STEERED,
    NonlinearMpcValues,
    lag_left,
)
from tracker.motion.single_track import DYNAMIC_ABOVE
from tracks.one_source import equation

__all__ = ["COLUMNS", "STAGES", "Integrator", "Stages", "new_stages"]

STAGES = 4
COLUMNS = (
    STATES + 1
)  # states and jerk: what a step is differentiated by; the curvature asked for is that of the step


class Stages(NamedTuple):
    """Arrays of the integration, n steps.

    CasADi's: `points` (n + 1, 7), `rates` (n + 1, 5), `slopes` (n + 1, 7, 5) by argument and rate.
    The method's, each (n, 5) or (n, 5, 10): `start`, `start_by` at the substep's start, `here_by` at the stage,
    `moved`, `moved_by` summed up, and at last the states after the step and their derivatives. `change_by` (5, 10) is
    that of one step at the stage.
    """

    points: np.ndarray
    rates: np.ndarray
    slopes: np.ndarray
    start: np.ndarray
    start_by: np.ndarray
    here_by: np.ndarray
    moved: np.ndarray
    moved_by: np.ndarray
    change_by: np.ndarray


def new_stages(steps: int) -> Stages:
    """Allocate the arrays for n steps."""
    shape = (steps, MOVED)
    return Stages(
        np.zeros((steps + 1, POINT)), np.zeros((steps + 1, MOVED)), np.zeros((steps + 1, POINT, MOVED)),
        np.zeros(shape), np.zeros((*shape, COLUMNS)), np.zeros((*shape, COLUMNS)), np.zeros(shape),
        np.zeros((*shape, COLUMNS)), np.zeros((MOVED, COLUMNS)),
    )  # fmt: skip


@equation
def lay_out(
    values: NonlinearMpcValues, tyres, stages: Stages, nodes: np.ndarray, asked: np.ndarray, bends: np.ndarray,
    spans: np.ndarray,
):  # fmt: skip
    """Write the points at the nodes, the inputs held from the start of each step; give the number of substeps and the lowest speed."""
    n, slowest, fastest, longest = asked.shape[0], nodes[0, SPEED], nodes[0, SPEED], 0.0
    for k in range(n):
        for i in range(MOVED):
            stages.start[k, i] = stages.moved[k, i] = nodes[k, i]
            for j in range(COLUMNS):
                stages.start_by[k, i, j] = stages.here_by[k, i, j] = stages.moved_by[k, i, j] = (
                    1.0 if i == j else 0.0
                )
    for k in range(n + 1):
        points = stages.points
        for i in range(4):
            points[k, i] = nodes[k, i + 1]
        points[k, 4], points[k, 5], points[k, 6] = nodes[k, STEERED], nodes[k, SPEED], 0.0
        if k < n:
            if values.lag < NO_LAG:
                points[k, 4] = asked[k]
            points[k, 6] = bends[k, 0] + bends[k, 1] * (nodes[k, 0] - bends[k, 2])
            longest = np.maximum(longest, spans[k])
        slowest, fastest = np.minimum(slowest, nodes[k, SPEED]), np.maximum(fastest, nodes[k, SPEED])
    return substeps(tyres, values.body, values.lag, slowest, fastest, longest), slowest


@equation
def absorb(
    stages: Stages, stage, substep, count, nodes: np.ndarray, asked: np.ndarray, jerks: np.ndarray,
    bends: np.ndarray, spans: np.ndarray, lag,
):  # fmt: skip
    """Take in the rates of a stage (0 to 3) of substep `substep` of `count`, and write the points of the next stage."""
    rates, slopes, moved, moved_by = stages.rates, stages.slopes, stages.moved, stages.moved_by
    start, start_by, here_by = stages.start, stages.start_by, stages.here_by
    for k in range(asked.shape[0]):
        h = spans[k] / count
        begin = substep * h
        now = begin + (0.0 if stage == 0 else (h if stage == 3 else 0.5 * h))
        weight = h / 6.0 if stage == 0 or stage == 3 else h / 3.0
        reach = h if stage == 2 else 0.5 * h
        left = lag_left(lag, now)
        slope = bends[k, 1]
        for i in range(MOVED):
            by_bend = slopes[k, 6, i] * slope
            for j in range(COLUMNS):
                total = by_bend * here_by[k, 0, j]
                for m in range(4):
                    total += slopes[k, m, i] * here_by[k, m + 1, j]
                if j == STEERED:
                    total += slopes[k, 4, i] * left
                elif j == ASKED:
                    total += slopes[k, 4, i] * (1.0 - left)
                elif j == SPEED:
                    total += slopes[k, 5, i]
                elif j == ACCELERATION:
                    total += slopes[k, 5, i] * now
                elif j == STATES:
                    total += slopes[k, 5, i] * 0.5 * now * now
                stages.change_by[i, j] = total
        for i in range(MOVED):
            moved[k, i] += weight * rates[k, i]
            for j in range(COLUMNS):
                change = stages.change_by[i, j]
                moved_by[k, i, j] += weight * change
                here_by[k, i, j] = start_by[k, i, j] + reach * change
        after = begin + reach
        if stage == 3:
            after = begin + h
            for i in range(MOVED):
                start[k, i] = moved[k, i]
                for j in range(COLUMNS):
                    start_by[k, i, j] = here_by[k, i, j] = moved_by[k, i, j]
        ahead = 0.0 if stage == 3 else reach
        points = stages.points
        gap = nodes[k, STEERED] - asked[k]
        for i in range(4):
            points[k, i] = start[k, i + 1] + ahead * rates[k, i + 1]
        points[k, 4] = asked[k] + gap * lag_left(lag, after)
        points[k, 5] = nodes[k, SPEED] + after * (nodes[k, ACCELERATION] + 0.5 * after * jerks[k])
        points[k, 6] = bends[k, 0] + slope * (start[k, 0] + ahead * rates[k, 0] - bends[k, 2])


@equation
def keep_crossing(stages: Stages, crossing: np.ndarray) -> None:
    """Write ė at the nodes and its slopes over the states, shape (n + 1, 10), from the rates of the first stage."""
    for k in range(crossing.shape[0]):
        crossing[k, 0] = stages.rates[k, OFFSET]
        for m in range(5):
            crossing[k, m + 2] = stages.slopes[k, m, OFFSET]
        crossing[k, SPEED + 1] = stages.slopes[k, 5, OFFSET]


class Integrator:
    """CasADi's function between the arrays of `Stages`, called without copies.

    Args:
        values: of the law.
        tyres: 1 where the tyres are known, else 0.
        stages: arrays of n steps.
    """

    def __init__(self, values: NonlinearMpcValues, tyres: int, stages: Stages) -> None:
        self._values, self._tyres, self._stages = values, tyres, stages
        self._any, self._quick = self._ready(False), self._ready(tyres == 1)

    def _ready(self, quick: bool) -> tuple[Callable[[], None], Any]:
        """Give what evaluates the arrays of the stages, and what must be kept for it."""
        stages = self._stages
        function = rates_of(self._tyres, self._values.body, stages.points.shape[0], quick)
        buffer, evaluate = function.buffer()
        buffer.set_arg(0, stages.points.data)
        buffer.set_res(0, stages.rates.data)
        buffer.set_res(1, stages.slopes.data)
        return evaluate, (function, buffer)

    def __call__(
        self, crossing: np.ndarray, nodes: np.ndarray, asked: np.ndarray, jerks: np.ndarray, bends: np.ndarray,
        spans: np.ndarray,
    ) -> int:  # fmt: skip
        """Fill `moved` and `moved_by`, and ė with its slopes at the nodes; give the number of substeps.

        Args:
            crossing: (n + 1, 10), written.
            nodes: states (n + 1, 9). asked, jerks: inputs (n,), 1/m and m/s³. bends: (n, 3) as in `Work`.
            spans: lengths of the steps (n,), s.
        """
        values, stages = self._values, self._stages
        count, slowest = lay_out(values, self._tyres, stages, nodes, asked, bends, spans)
        evaluate, _ = self._quick if slowest > DYNAMIC_ABOVE else self._any
        evaluate()
        keep_crossing(stages, crossing)
        for i in range(count):
            for stage in range(STAGES):
                if i or stage:
                    evaluate()
                absorb(stages, stage, i, count, nodes, asked, jerks, bends, spans, values.lag)
        return count
