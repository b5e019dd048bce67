"""Programmes of the predictive law, recorded in closed loop: DAQP's answers against other solvers and the optimum's conditions.

`tests/bench/test_mpc_step.py` does the same on 500 of them.
"""

from __future__ import annotations

import numpy as np
import pytest
from mpc_cases import Programme, recorded_drives
from mpc_references import by_ipopt, by_osqp, kkt_residual
from scipy.optimize import minimize

from tracker.laws.mpc_work import SOFT


@pytest.fixture(scope="module")
def recorded() -> list[Programme]:
    """Programmes of seven drives, with bounds of every kind active in some."""
    return recorded_drives(every=47)


def test_recorded_programmes_have_active_bounds(recorded: list[Programme]) -> None:
    """The comparison with other solvers means something: each kind of bound is active somewhere."""
    active = np.zeros(3, dtype=int)
    for p in recorded:
        f, at = p.plan.size, p.multipliers != 0.0
        active += [at[:f].sum(), at[f : 2 * f - 1].sum(), at[2 * f - 1 :].sum()]
    assert len(recorded) > 60
    assert np.all(active > 10)


def test_optimum_is_that_of_osqp(recorded: list[Programme]) -> None:
    """DAQP and OSQP 1.1, an active-set method and one of first order, agree to 1e-6 1/m."""
    assert max(np.abs(p.plan - by_osqp(p)).max() for p in recorded) < 1e-6


def test_optimum_is_that_of_ipopt(recorded: list[Programme]) -> None:
    """IPOPT, an interior-point method in CasADi 3.8, agrees to 1e-6 1/m, on those with the most active bounds too."""
    busiest = sorted(recorded, key=lambda p: -np.count_nonzero(p.multipliers))
    assert max(np.abs(p.plan - by_ipopt(p)).max() for p in busiest[:10] + recorded[::9]) < 1e-6


def test_optimum_is_that_of_a_fourth_solver(recorded: list[Programme]) -> None:
    """scipy's SLSQP agrees on one programme with active bounds."""
    p = next(p for p in recorded if np.any(p.multipliers != 0.0) and not np.any(p.kinds == SOFT))
    n = p.gradient.size
    rows = np.vstack([np.eye(n), p.rows])
    constraint = {"type": "ineq", "fun": lambda u: np.append(p.upper - rows @ u, rows @ u - p.lower),
                  "jac": lambda u: np.vstack([-rows, rows])}  # fmt: skip
    found = minimize(
        lambda u: 0.5 * u @ p.hessian @ u + p.gradient @ u, np.zeros(n), jac=lambda u: p.hessian @ u + p.gradient,
        constraints=[constraint], method="SLSQP", options={"ftol": 1e-15, "maxiter": 500},
    )  # fmt: skip
    np.testing.assert_allclose(p.plan, found.x, atol=1e-6)


def test_conditions_of_an_optimum_hold(recorded: list[Programme]) -> None:
    """Stationarity, signs and complementarity (Karush, Kuhn, Tucker) hold to 1e-7 with the solver's multipliers."""
    assert max(kkt_residual(p) for p in recorded) < 1e-7


def test_no_hard_bound_is_violated(recorded: list[Programme]) -> None:
    """Limits on curvature, lateral acceleration and rate hold in every plan to 1e-7."""
    for p in recorded:
        value, hard = np.concatenate([p.plan, p.rows @ p.plan]), p.kinds != SOFT
        assert np.all(value[hard] <= p.upper[hard] + 1e-7)
        assert np.all(value[hard] >= p.lower[hard] - 1e-7)
