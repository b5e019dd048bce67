"""The arrays of the nonlinear predictive law, allocated once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.laws.nonlinear_mpc_values import INPUTS, LATERAL, STATES, NonlinearMpcValues

__all__ = ["HARD", "IGNORED", "SOFT", "UNBOUNDED", "Plan", "Work", "block_lengths", "new_plan", "new_work"]

UNBOUNDED = 1e30  # what the solver takes for infinity

# What the solver calls the sense of a constraint.
HARD = 0
IGNORED = 4
SOFT = 8


class Plan(NamedTuple):
    """A trajectory over the horizon: `nodes` (n + 1, 9) states, `asked` (n,) curvatures [1/m], `jerks` (n,) [m/s³].

    Arc length is counted from where the vehicle was when the plan was made.
    """

    nodes: np.ndarray
    asked: np.ndarray
    jerks: np.ndarray


class Work(NamedTuple):
    """Preallocated arrays; n steps, m free inputs, r rows: n of curvature, n of acceleration, n − 1 of the corridor.

    The solver's: `hessian` (m, m), `gradient` (m,), `rows` (r, m), and `upper`, `lower`, `kinds` (m + r,), the
    first m being bounds on the free inputs. Corridor rows are scaled so that a soft violation of 1 costs ½.
    What does not change: `spans`, `changes` (n,) lengths of the steps and between their middles [s], `times` (n + 1,)
    [s]; `block` (n, 2) the free input that each step's rate and jerk belong to; `table` (rows, 6, 6) of terminal costs
    over speed, `push` (2, 2) that of speed and acceleration.
    Parameters of the problem: `bends` (n, 3) mean [1/m], slope [1/m²] and middle [m] of the path's curvature, `planned`
    (n + 1, 2) speed and acceleration, `speeds` (n + 1,) that weights and limits are taken at [m/s], `steady` (n,)
    curvatures to ask for in a steady turn, `end` (6,) lateral states of the last one, `edges` (n + 1, 2) of the corridor,
    low and high [m], `back` (n,) the largest |u| that turning back at full rate leaves, `terminal` (6, 6).
    Its making: `crossing` (n + 1, 10) ė and its slopes at the nodes; `model` (n, 9, 12) A, B and what is added;
    `free` (n + 1, 9) states with all inputs 0; `weighed` (n, 9, 2) M B; `reach` (9, m), `scales` (m,) of the inputs.
    """

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    spans: np.ndarray
    changes: np.ndarray
    times: np.ndarray
    block: np.ndarray
    table: np.ndarray
    push: np.ndarray
    bends: np.ndarray
    planned: np.ndarray
    speeds: np.ndarray
    steady: np.ndarray
    end: np.ndarray
    edges: np.ndarray
    back: np.ndarray
    terminal: np.ndarray
    crossing: np.ndarray
    model: np.ndarray
    free: np.ndarray
    weighed: np.ndarray
    reach: np.ndarray
    scales: np.ndarray


def block_lengths(horizon: int, count: int) -> list[int]:
    """Give `count` whole lengths that add up to the horizon, the first 1, ever longer by about the same factor."""
    count = min(count, horizon)
    low, high = 1.0, float(horizon)
    for _ in range(60):
        ratio = 0.5 * (low + high)
        total = sum(ratio**i for i in range(count))
        low, high = (ratio, high) if total < horizon else (low, ratio)
    ends = np.cumsum([low**i for i in range(count)])
    edges = [0]
    for i, end in enumerate(ends):
        edges.append(max(edges[-1] + 1, min(round(float(end)), horizon - (count - 1 - i))))
    edges[-1] = horizon
    return np.diff(edges).tolist()


def new_plan(steps: int) -> Plan:
    """Allocate a plan of n steps."""
    return Plan(np.zeros((steps + 1, STATES)), np.zeros(steps), np.zeros(steps))


def new_work(
    values: NonlinearMpcValues, horizon: int, moves: int, corridor: bool, table: NDArray[np.float64],
    push: NDArray[np.float64],
) -> Work:  # fmt: skip
    """Allocate the arrays and write what never changes."""
    n = horizon
    turns, pushes = block_lengths(n, moves), block_lengths(n, max(moves // 2, 1))
    m, r = len(turns) + len(pushes), 3 * n - 1 if corridor else 2 * n
    block = np.empty((n, INPUTS), dtype=np.intp)
    block[:, 0] = np.repeat(np.arange(len(turns)), turns)
    block[:, 1] = len(turns) + np.repeat(np.arange(len(pushes)), pushes)
    spans = np.full(n, values.step)
    spans[0] = values.period
    kinds = np.full(m + r, HARD, dtype=np.intc)
    kinds[m + 2 * n :] = SOFT
    return Work(
        hessian=np.zeros((m, m)), gradient=np.zeros(m), rows=np.zeros((r, m)), upper=np.zeros(m + r),
        lower=np.zeros(m + r), kinds=kinds, spans=spans,
        changes=np.concatenate([spans[:1], 0.5 * (spans[:-1] + spans[1:])]),
        times=np.concatenate([[0.0], np.cumsum(spans)]), block=block, table=table, push=push,
        bends=np.zeros((n, 3)), planned=np.zeros((n + 1, 2)), speeds=np.zeros(n + 1), steady=np.zeros(n),
        end=np.zeros(LATERAL), edges=np.zeros((n + 1, 2)), back=np.zeros(n),
        terminal=np.zeros((LATERAL, LATERAL)), crossing=np.zeros((n + 1, STATES + 1)),
        model=np.zeros((n, STATES, STATES + INPUTS + 1)), free=np.zeros((n + 1, STATES)),
        weighed=np.zeros((n, STATES, INPUTS)), reach=np.zeros((STATES, m)), scales=np.ones(m),
    )  # fmt: skip
