"""The predictive law's programmes solved by general libraries, for tests and benchmarks to compare with."""

from __future__ import annotations

import casadi
import numpy as np
import osqp
import scipy.sparse as sparse
from mpc_cases import Programme

from tracker.laws.mpc_work import SOFT, UNBOUNDED


def with_slacks(p: Programme) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give (Hessian, gradient, rows, lower, upper) with a slack for each soft row, whose square costs ½.

    Rows that never bind are left out.
    """
    used = (p.upper < UNBOUNDED) | (p.lower > -UNBOUNDED)
    n, soft = p.gradient.size, np.flatnonzero((p.kinds == SOFT) & used)
    rows = np.vstack([np.eye(n), p.rows])
    slack = np.zeros((rows.shape[0], soft.size))
    slack[soft, np.arange(soft.size)] = 1.0
    hessian = np.zeros((n + soft.size, n + soft.size))
    hessian[:n, :n], hessian[n:, n:] = p.hessian, np.eye(soft.size)
    gradient = np.append(p.gradient, np.zeros(soft.size))
    return hessian, gradient, np.hstack([rows, slack])[used], p.lower[used], p.upper[used]


def by_osqp(p: Programme) -> np.ndarray:
    """Solve by OSQP, a method of first order, to tight tolerances and polished."""
    hessian, gradient, rows, lower, upper = with_slacks(p)
    solver = osqp.OSQP()
    solver.setup(
        sparse.csc_matrix(np.triu(hessian)), gradient, sparse.csc_matrix(rows), lower, upper,
        eps_abs=1e-11, eps_rel=1e-11, max_iter=400_000, polishing=True, verbose=False,
    )  # fmt: skip
    result = solver.solve(raise_error=True)
    assert result.info.status == "solved"
    return result.x[: p.gradient.size]


def by_ipopt(p: Programme) -> np.ndarray:
    """Solve by IPOPT through CasADi, an interior-point method."""
    hessian, gradient, rows, lower, upper = with_slacks(p)
    x = casadi.MX.sym("x", gradient.size)
    solver = casadi.nlpsol(
        "solver", "ipopt",
        {"x": x, "f": 0.5 * casadi.bilin(casadi.DM(hessian), x, x) + casadi.dot(casadi.DM(gradient), x),
         "g": casadi.DM(rows) @ x},
        {"print_time": False, "ipopt": {"print_level": 0, "sb": "yes", "tol": 1e-14, "constr_viol_tol": 1e-14,
                                        "compl_inf_tol": 1e-14, "dual_inf_tol": 1e-12,
                                        "acceptable_tol": 1e-13, "bound_relax_factor": 0.0}},
    )  # fmt: skip
    result = solver(lbg=lower, ubg=upper)
    assert solver.stats()["success"]
    return np.array(result["x"]).ravel()[: p.gradient.size]


def kkt_residual(p: Programme) -> float:
    """Give the largest breach of the conditions of an optimum, with the solver's own multipliers.

    Stationarity H z + f + Aᵀλ = 0, λ ≥ 0 at an upper and ≤ 0 at a lower bound, 0 in between; a soft row's excess is λ.
    """
    rows = np.vstack([np.eye(p.plan.size), p.rows])
    value, at = rows @ p.plan, p.multipliers
    above, below = value - p.upper, p.lower - value
    soft = p.kinds == SOFT
    stationary = np.abs(p.hessian @ p.plan + p.gradient + rows.T @ at).max()
    # Active: the value is the bound's, plus the slack of a soft row, which is its multiplier.
    slack = np.where(soft, np.abs(at), 0.0)
    complementary = np.where(at > 0.0, np.abs(above - slack), np.where(at < 0.0, np.abs(below - slack), 0.0))
    feasible = np.maximum(np.maximum(above, below) - slack, 0.0)
    return float(max(stationary, complementary.max(), feasible.max()))
