"""What a predictive law's last plan says, in numbers: for `explain()` and for whoever wonders at a command."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.laws.mpc_model import tyres_known
from tracker.laws.mpc_terminal import SIZE, STATES
from tracker.laws.mpc_values import MpcValues, weights_of
from tracker.laws.mpc_work import SCALE, Work
from tracker.prediction import rear_slip

__all__ = ["UNITS", "cost_parts", "end_state", "inputs_of", "plan_terms"]

UNITS = {
    "predicted_error": "m",
    "predicted_error_in": "s",
    "predicted_curvature": "1/m",
    "speed_asked": "m/s",
    "acceleration_asked": "m/s²",
    "speed_held": "m/s",
}
"""Of the terms that have one."""

_ACTIVE = 1e-12  # of a multiplier


def inputs_of(work: Work, plan: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the commanded curvature in each step, shape (n,), 1/m, of a plan's knots, shape (f,)."""
    following = np.minimum(work.left + 1, plan.size - 1)
    return (1.0 - work.share) * plan[work.left] + work.share * plan[following]


def end_state(values: MpcValues, work: Work, plan: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give ζ, the last state and input against the steady turn of the last bend, shape (6,)."""
    bend, v = float(work.bends[-1]), float(work.nodes[-1])
    known = bool(tyres_known(values.response))
    slip = float(rear_slip(values.response, v, bend)) if known else 0.0
    steady = np.array([0.0, slip, -v * slip, v * bend if known else 0.0, bend, bend])
    last = np.append(work.free[-1] + work.reach[:STATES] @ plan, plan[-1])
    return last - steady


def cost_parts(values: MpcValues, work: Work, previous: float, plan: NDArray[np.float64]) -> dict[str, float]:
    """Give the parts of a plan's cost (see `mpc_qp`): lateral, course, effort, rate, end and corridor; no unit."""
    n, f = work.spans.size, plan.size
    u = inputs_of(work, plan)
    errors, courses = _predicted(work, plan)
    weights = [weights_of(q, v) for q, v in zip(work.weights, work.nodes.tolist(), strict=True)]
    h = work.spans
    changes = np.diff(plan, prepend=previous)
    end = np.zeros((SIZE, SIZE))
    end[np.triu_indices(SIZE)] = work.terminal
    end += np.triu(end, 1).T
    zeta = end_state(values, work, plan)
    beyond = np.zeros(n - 1)
    if work.rows.shape[0] > f - 1:
        value = work.rows[f - 1 :] @ plan
        high, low = work.upper[2 * f - 1 :], work.lower[2 * f - 1 :]
        beyond = np.maximum(value - high, 0.0) + np.maximum(low - value, 0.0)
    return {
        "lateral": 0.5 * float(np.sum(h * errors**2 * [w.lateral for w in weights[1:]])),
        "course": 0.5 * float(np.sum(h * courses**2 * [w.course for w in weights[1:]])),
        "effort": 0.5 * float(np.sum(h * (u - work.bends) ** 2 * [w.effort for w in weights[:-1]])),
        "rate": 0.5 * float(np.sum(changes**2 / work.changes * [weights[k].rate for k in work.knots])),
        "end": 0.5 * float(zeta @ end @ zeta),
        "corridor": 0.5 * float(np.sum(beyond**2)) / float(work.told[SCALE]),
    }


def plan_terms(
    values: MpcValues, work: Work, previous: float, plan: NDArray[np.float64], info: dict[str, Any]
) -> dict[str, float]:
    """Give what the last plan says; see `MPCRunner.terms`."""
    f = plan.size
    errors, _ = _predicted(work, plan)
    worst = int(np.argmax(np.abs(errors)))
    active = np.abs(np.asarray(info["lam"])) > _ACTIVE
    return {
        "predicted_error": float(errors[worst]),
        "predicted_error_in": float(np.sum(work.spans[: worst + 1])),
        "predicted_curvature": float(plan[np.argmax(np.abs(plan))]),
        "bounds_on_curvature": float(np.count_nonzero(active[:f])),
        "bounds_on_rate": float(np.count_nonzero(active[f : 2 * f - 1])),
        "bounds_of_corridor": float(np.count_nonzero(active[2 * f - 1 :])),
        "iterations": float(info["iterations"]),
    } | {f"cost_{name}": value for name, value in cost_parts(values, work, previous, plan).items()}


def _predicted(work: Work, plan: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give e [m] and χ [rad] after each step, shapes (n,)."""
    free = work.free[1:]
    return free[:, 0] + work.errors @ plan, free[:, 1] + free[:, 2] / work.nodes[1:] + work.courses @ plan
