"""The arrays of the predictive law's quadratic programmes, allocated once, and where their inputs lie in time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.laws.mpc_terminal import STATES, TERMS, TOLERANCES
from tracker.laws.mpc_values import MpcValues

__all__ = ["HARD", "SOFT", "UNBOUNDED", "Work", "knots_of", "new_work"]

UNBOUNDED = 1e30  # what the solver takes for infinity

# What the solver calls the sense of a constraint.
HARD = 0
SOFT = 8


class Work(NamedTuple):
    """Preallocated arrays of the lateral programme: n steps, f free inputs (knots), m rows.

    The solver's: `hessian` (f, f), `gradient` (f,), `rows` (m, f), and `upper`, `lower`, `kinds` (f + m,), the first f
    being bounds on the knots. The rows are f − 1 of rates, then n − 1 of the corridor, scaled so that a soft violation
    of 1 costs ½. Its making: `left` (n,) knot at or before each step, `share` (n,) of the next knot in the step's
    input; `knots` (f,) the steps of the knots; `spans` (n,) h_k [s]; `middles` (n,) of the steps [s]; `changes` (f,)
    times between knots [s]; `nodes` (n + 1,), `means` (n,) speeds [m/s]; `bends` (n,) [1/m]; `stations` (n + 1,) [m];
    `free` (n + 1, 5) states with all inputs 0; `reach` (5, f) what the knots add to the state; `errors`, `courses`
    (n, f) what they add to e and χ after each step; `weights` (n + 1, 6) of the tolerances; `terminal` (21,) P;
    `table` (rows, COLUMNS) both over speed; `plan` (f,) the last solution; `slower` (n + 1,) speeds that its
    excursions call for [m/s]; `told` (TOLD,) what else is worth telling (slots below).
    """

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    left: np.ndarray
    share: np.ndarray
    knots: np.ndarray
    spans: np.ndarray
    middles: np.ndarray
    changes: np.ndarray
    nodes: np.ndarray
    means: np.ndarray
    bends: np.ndarray
    stations: np.ndarray
    free: np.ndarray
    reach: np.ndarray
    errors: np.ndarray
    courses: np.ndarray
    weights: np.ndarray
    terminal: np.ndarray
    table: np.ndarray
    plan: np.ndarray
    slower: np.ndarray
    told: np.ndarray


# Slots of `Work.told`.
PLANNED = 0  # 1.0 once `plan` holds a solution of the programme in these arrays
WIDENED = 1  # by how much the limit on |u| is beyond reach in time, 1/m
EXCURSION = 2  # largest beyond the room of the corridor, or beyond what is held without one, m
LARGEST = 3  # predicted |e|, m
SCALE = 4  # of the cost
HELD_BACK = 5  # 1.0 where `slower` bounds the speed
TOLD = 6


def knots_of(moves: int | tuple[int, ...], horizon: int) -> NDArray[np.intp]:
    """Give the steps at which the free inputs lie, increasing from 0.

    Args:
        moves: how many (at most `horizon`), the gaps growing geometrically from one step; or the lengths of blocks, in
            steps, an input at the beginning of each, the last held to the end.
        horizon: steps.
    """
    if isinstance(moves, tuple):
        return np.concatenate([[0], np.cumsum(moves[:-1])]).astype(np.intp)
    count = min(moves, horizon)
    if count == horizon:
        return np.arange(horizon, dtype=np.intp)
    low, high = 1.0, float(horizon)
    for _ in range(60):
        ratio = 0.5 * (low + high)
        if np.sum(ratio ** np.arange(count - 1)) < horizon - 1:
            low = ratio
        else:
            high = ratio
    places = np.rint(np.concatenate([[0.0], np.cumsum(low ** np.arange(count - 1))])).astype(np.intp)
    # Rounded, two could fall together: each is at least one step after the one before.
    for j in range(1, count):
        places[j] = max(places[j], places[j - 1] + 1)
    places[-1] = horizon - 1
    return places


def new_work(
    values: MpcValues, horizon: int, moves: int | tuple[int, ...], corridor: bool, table: np.ndarray
) -> Work:
    """Allocate the arrays and write what never changes: the knots, and the rows of the rates."""
    n, knots = horizon, knots_of(moves, horizon)
    f = knots.size
    m = f - 1 + (n - 1 if corridor else 0)
    left = np.searchsorted(knots, np.arange(n), side="right") - 1
    share = np.zeros(n)
    inside = left < f - 1
    share[inside] = (np.arange(n) - knots[left])[inside] / np.diff(knots)[left[inside]]
    rows, kinds = np.zeros((m, f)), np.full(f + m, HARD, dtype=np.intc)
    for j in range(f - 1):
        rows[j, j], rows[j, j + 1] = -1.0, 1.0
    kinds[2 * f - 1 :] = SOFT
    spans = np.full(n, values.step)
    spans[0] = values.period
    return Work(
        np.zeros((f, f)), np.zeros(f), rows, np.zeros(f + m), np.zeros(f + m), kinds,
        left, share, knots, spans, np.zeros(n), np.zeros(f), np.zeros(n + 1), np.zeros(n), np.zeros(n),
        np.zeros(n + 1), np.zeros((n + 1, STATES)), np.zeros((STATES, f)), np.zeros((n, f)), np.zeros((n, f)),
        np.zeros((n + 1, TOLERANCES)), np.zeros(TERMS), table, np.zeros(f), np.full(n + 1, UNBOUNDED), np.zeros(TOLD),
    )  # fmt: skip
