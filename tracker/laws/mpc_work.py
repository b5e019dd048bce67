"""The arrays of the predictive law's quadratic programme, allocated once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.laws.mpc_terminal import TERMS
from tracker.laws.mpc_values import MpcValues

__all__ = ["HARD", "IGNORED", "MODEL_TERMS", "SOFT", "UNBOUNDED", "Work", "new_work"]

MODEL_TERMS = 12  # entries of a `StepModel`

UNBOUNDED = 1e30  # what the solver takes for infinity

# What the solver calls the sense of a constraint.
HARD = 0
IGNORED = 4
SOFT = 8


class Work(NamedTuple):
    """Preallocated arrays that `condense` fills; n inputs, m rows (n − 1 of rates, then n − 1 of the corridor).

    The solver's: `hessian` (n, n), `gradient` (n,), `rows` (m, n), and `upper`, `lower`, `kinds` (n + m,), the
    first n being bounds on the inputs. Corridor rows are scaled so that a soft violation of 1 costs ½.
    Its making: `spans`, `changes` (n,) h_k and Δt_k [s]; `nodes` (n + 1,), `means` (n,) speeds [m/s]; `bends` (n,)
    [1/m]; `stations` (n + 1,) [m]; `models` (n, 12) the entries of `StepModel`; `free` (n + 1, 3) states with all
    inputs 0; `weighed` (n, 3) M_{k+1} b_k; `reach` (3, n) Γ; `terminal` (10,) P, scaled; `table` (rows, 10) of P over speed.
    """

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    spans: np.ndarray
    changes: np.ndarray
    nodes: np.ndarray
    means: np.ndarray
    bends: np.ndarray
    stations: np.ndarray
    models: np.ndarray
    free: np.ndarray
    weighed: np.ndarray
    reach: np.ndarray
    terminal: np.ndarray
    table: np.ndarray


def new_work(values: MpcValues, horizon: int, corridor: bool, table: np.ndarray) -> Work:
    """Allocate the arrays and write what never changes: the steps, and the rows and bounds of the rates."""
    n = horizon
    m = (n - 1) * (2 if corridor else 1)
    spans = np.full(n, values.step)
    spans[0] = values.period
    changes = np.concatenate([spans[:1], 0.5 * (spans[:-1] + spans[1:])])
    rows, upper, lower = np.zeros((m, n)), np.zeros(n + m), np.zeros(n + m)
    for j in range(n - 1):
        rows[j, j], rows[j, j + 1] = -1.0, 1.0
        upper[n + j] = values.curvature_rate * changes[j + 1]
        lower[n + j] = -upper[n + j]
    return Work(
        np.zeros((n, n)), np.zeros(n), rows, upper, lower, np.full(n + m, HARD, dtype=np.intc), spans, changes,
        np.zeros(n + 1), np.zeros(n), np.zeros(n), np.zeros(n + 1), np.zeros((n, MODEL_TERMS)),
        np.zeros((n + 1, 3)), np.zeros((n, 3)), np.zeros((3, n)), np.zeros(TERMS), table,
    )  # fmt: skip
