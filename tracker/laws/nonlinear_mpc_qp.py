"""One step of sequential quadratic programming of the nonlinear predictive law, condensed to the free inputs.

Notation: x_k states, y free inputs, x_{k+1} = A_k x_k + B_k y + c_k linearised about the last plan, h_k length of step
k, Δt_k time between the middles of two steps, v_k the last plan's speeds. With weights q = 1/tolerance² the cost is

    ½ Σ h_k (q_e e² + q_c(v) ė² + q_v (v − v_p)² + q_a (v̇ − a_p)²)_{k+1} + h_k r(v_k) (u_k − u_s)²
      + Δt_k r_Δ(v_k) u̇_k² + h_k q_j jerk_k²  +  ½ zᵀ P z

with ė linearised (Gauss-Newton); u_s is the curvature to ask for in a steady turn of the path's own curvature, v_p and
a_p are the plan's. Steps of a block share their rates, which are scaled so that their own cost is ½ y². Γ are the
derivatives of the states by y; with M_k = Q_k + A_kᵀ M_{k+1} A_k the Hessian adds up in n m steps.
"""

from __future__ import annotations

import numpy as np

from tracker.laws.nonlinear_mpc_integrator import Stages
from tracker.laws.nonlinear_mpc_model import MOVED
from tracker.laws.nonlinear_mpc_values import (
    ACCELERATION,
    ASKED,
    LATERAL,
    OFFSET,
    SPEED,
    STATES,
    STEERED,
    NonlinearMpcValues,
    crossing_weight,
    input_weight,
    lag_left,
    rate_limit,
    rate_weight,
)
from tracker.laws.nonlinear_mpc_work import IGNORED, SOFT, UNBOUNDED, Plan, Work
from tracks.one_source import clip, equation, select

__all__ = ["condense", "unfold"]

_RATE, _JERK, _REST = STATES, STATES + 1, STATES + 2  # columns of `model` behind A


@equation
def scale_inputs(values: NonlinearMpcValues, work: Work) -> None:
    """Fill the scales of the free inputs and their bounds; a free rate is y/scale."""
    m = work.gradient.shape[0]
    for j in range(m):
        work.scales[j], work.upper[j] = 0.0, UNBOUNDED
    for k in range(work.spans.shape[0]):
        turn, push = work.block[k, 0], work.block[k, 1]
        work.scales[turn] += work.changes[k] * rate_weight(values, work.speeds[k])
        work.scales[push] += work.spans[k] * values.push_weight
        work.upper[turn] = np.minimum(work.upper[turn], rate_limit(values, work.speeds[k]))
        work.upper[push] = values.jerk
    for j in range(m):
        work.scales[j] = np.sqrt(work.scales[j])
        work.upper[j] *= work.scales[j]
        work.lower[j] = -work.upper[j]


@equation
def linearise(values: NonlinearMpcValues, work: Work, stages: Stages, plan: Plan) -> None:
    """Fill the models of the steps, by the plan and the derivatives of the integration, and the free motion."""
    nodes, model, free = plan.nodes, work.model, work.free
    for i in range(STATES):
        free[0, i] = nodes[0, i]
    for k in range(work.spans.shape[0]):
        h, left = work.spans[k], lag_left(values.lag, work.spans[k])
        for i in range(STATES):
            for j in range(STATES + 3):
                model[k, i, j] = 0.0
        for i in range(MOVED):
            rest = stages.moved[k, i] - stages.moved_by[k, i, STATES] * plan.jerks[k]
            for j in range(STATES):
                slope = stages.moved_by[k, i, j]
                model[k, i, j] = slope
                rest -= slope * (plan.asked[k] if j == ASKED else nodes[k, j])
            model[k, i, _JERK], model[k, i, _REST] = stages.moved_by[k, i, STATES], rest
        model[k, STEERED, STEERED], model[k, STEERED, ASKED] = left, 1.0 - left
        model[k, ASKED, ASKED] = 1.0
        model[k, SPEED, SPEED], model[k, SPEED, ACCELERATION], model[k, SPEED, _JERK] = 1.0, h, 0.5 * h * h
        model[k, ACCELERATION, ACCELERATION], model[k, ACCELERATION, _JERK] = 1.0, h
        rate, jerk = 1.0 / work.scales[work.block[k, 0]], 1.0 / work.scales[work.block[k, 1]]
        for i in range(STATES):
            model[k, i, _RATE] = model[k, i, ASKED] * work.changes[k] * rate
            model[k, i, _JERK] *= jerk
            total = model[k, i, _REST]
            for j in range(STATES):
                total += model[k, i, j] * free[k, j]
            free[k + 1, i] = total


@equation
def weigh(
    values: NonlinearMpcValues, work: Work, plan: Plan, matrix: np.ndarray, adjoint: np.ndarray
) -> None:
    """Go backward over the horizon: fill M_{k+1} B_k and the gradient; `matrix` (9, 18) and `adjoint` (18,) are scratch."""
    n, p, free = work.spans.shape[0], work.terminal, work.free
    for i in range(STATES):
        adjoint[i] = 0.0
        for j in range(STATES):
            matrix[i, j] = 0.0
    for i in range(LATERAL):
        for j in range(LATERAL):
            matrix[i + OFFSET, j + OFFSET] = p[i, j]
            adjoint[i + OFFSET] += p[i, j] * (free[n, j + OFFSET] - work.end[j])
    for i in range(2):
        for j in range(2):
            matrix[i + SPEED, j + SPEED] = work.push[i, j]
            adjoint[i + SPEED] += work.push[i, j] * (free[n, j + SPEED] - work.planned[n, j])
    for j in range(work.gradient.shape[0]):
        work.gradient[j] = 0.0
    for k in range(n - 1, -1, -1):
        h, model = work.spans[k], work.model
        across = h * crossing_weight(values, work.speeds[k + 1])
        value = work.crossing[k + 1, 0]
        for j in range(STATES):
            value += work.crossing[k + 1, j + 1] * (free[k + 1, j] - plan.nodes[k + 1, j])
        for i in range(STATES):
            by = across * work.crossing[k + 1, i + 1]
            adjoint[i] += by * value
            for j in range(STATES):
                matrix[i, j] += by * work.crossing[k + 1, j + 1]
        effort = h * input_weight(values, work.speeds[k])
        matrix[OFFSET, OFFSET] += h * values.lateral_weight
        matrix[ASKED, ASKED] += effort
        matrix[SPEED, SPEED] += h * values.speed_weight
        matrix[ACCELERATION, ACCELERATION] += h * values.thrust_weight
        adjoint[OFFSET] += h * values.lateral_weight * free[k + 1, OFFSET]
        adjoint[ASKED] += effort * (free[k + 1, ASKED] - work.steady[k])
        adjoint[SPEED] += h * values.speed_weight * (free[k + 1, SPEED] - work.planned[k + 1, 0])
        adjoint[ACCELERATION] += (
            h * values.thrust_weight * (free[k + 1, ACCELERATION] - work.planned[k + 1, 1])
        )
        for c in range(2):
            column, total = _RATE + c, 0.0
            for i in range(STATES):
                total += adjoint[i] * model[k, i, column]
                product = 0.0
                for j in range(STATES):
                    product += matrix[i, j] * model[k, j, column]
                work.weighed[k, i, c] = product
            work.gradient[work.block[k, c]] += total
        for i in range(STATES):
            for j in range(STATES):
                product = 0.0
                for m in range(STATES):
                    product += matrix[i, m] * model[k, m, j]
                matrix[i, STATES + j] = product
        for i in range(STATES):
            total = 0.0
            for m in range(STATES):
                total += model[k, m, i] * adjoint[m]
            adjoint[STATES + i] = total
        for i in range(STATES):
            adjoint[i] = adjoint[STATES + i]
            for j in range(STATES):
                product = 0.0
                for m in range(STATES):
                    product += model[k, m, i] * matrix[m, STATES + j]
                matrix[i, j] = product


@equation
def bound(work: Work, row, low, high) -> None:
    """Write a row's bounds, and scale a row of hard bounds to a norm of 1."""
    m = work.gradient.shape[0]
    total = 0.0
    for j in range(m):
        total += work.rows[row, j] * work.rows[row, j]
    size = 1.0 / np.sqrt(np.maximum(total, 1e-30))
    for j in range(m):
        work.rows[row, j] *= size
    work.upper[m + row], work.lower[m + row] = high * size, low * size


@equation
def couple(values: NonlinearMpcValues, work: Work, plan: Plan, corridor: bool, moved: np.ndarray) -> None:
    """Go forward over the horizon: fill Γ, the Hessian and the rows; `moved` (9, m) is scratch."""
    n, m = work.spans.shape[0], work.gradient.shape[0]
    reach, hessian, rows, free = work.reach, work.hessian, work.rows, work.free
    for j in range(m):
        for i in range(m):
            hessian[j, i] = 1.0 if i == j else 0.0
        for i in range(STATES):
            reach[i, j] = 0.0
    for k in range(n):
        model, turn = work.model, work.block[k, 0]
        square = work.speeds[k] * work.speeds[k]
        limited = square * values.curvature > values.lateral_acceleration
        v, u = plan.nodes[k, SPEED], plan.asked[k]
        by_speed = select(limited, 2.0 * u * v, 0.0)
        by_asked = select(limited, v * v, 1.0)
        for j in range(m):
            rows[k, j] = by_speed * reach[SPEED, j]
        for i in range(STATES):
            for j in range(m):
                total = 0.0
                for q in range(STATES):
                    total += model[k, i, q] * reach[q, j]
                moved[i, j] = total
        for c in range(2):
            at = work.block[k, c]
            for j in range(m):
                total = 0.0
                for i in range(STATES):
                    total += work.weighed[k, i, c] * moved[i, j]
                hessian[at, j] += total
                hessian[j, at] += total
            # The pair of this step's own two inputs: half of it comes from either.
            for d in range(2):
                total = 0.0
                for i in range(STATES):
                    total += work.weighed[k, i, c] * model[k, i, _RATE + d]
                hessian[at, work.block[k, d]] += total
        for i in range(STATES):
            for j in range(m):
                reach[i, j] = moved[i, j]
            reach[i, turn] += model[k, i, _RATE]
            reach[i, work.block[k, 1]] += model[k, i, _JERK]
        for j in range(m):
            rows[k, j] += by_asked * reach[ASKED, j]
            rows[n + k, j] = reach[ACCELERATION, j]
        at_rest = by_asked * free[k + 1, ASKED] + by_speed * (free[k, SPEED] - v)
        largest = select(
            limited, np.maximum(values.lateral_acceleration, v * v * work.back[k]),
            np.maximum(values.curvature, work.back[k]),
        )  # fmt: skip
        bound(work, k, -largest - at_rest, largest - at_rest)
        thrust = free[k + 1, ACCELERATION]
        bound(work, n + k, -values.deceleration - thrust, values.acceleration - thrust)
        if corridor and k > 0:
            bound_corridor(values, work, k)


@equation
def bound_corridor(values: NonlinearMpcValues, work: Work, k) -> None:
    """Fill the corridor's row of step k; it is left out where there is no room for the vehicle."""
    n, m = work.spans.shape[0], work.gradient.shape[0]
    low, high = work.edges[k + 1, 0], work.edges[k + 1, 1]
    row = 2 * n + k - 1
    bounded = high > low and (high < UNBOUNDED or low > -UNBOUNDED)
    work.kinds[m + row] = SOFT if bounded else IGNORED
    weight, free = np.sqrt(work.spans[k] * values.corridor_weight), work.free[k + 1, OFFSET]
    for j in range(m):
        work.rows[row, j] = weight * work.reach[OFFSET, j]
    work.upper[m + row] = select(bounded, clip(weight * (high - free), -UNBOUNDED, UNBOUNDED), UNBOUNDED)
    work.lower[m + row] = select(bounded, clip(weight * (low - free), -UNBOUNDED, UNBOUNDED), -UNBOUNDED)


@equation
def condense(
    values: NonlinearMpcValues, work: Work, stages: Stages, plan: Plan, corridor: bool, scratch: np.ndarray,
    adjoint: np.ndarray,
) -> None:  # fmt: skip
    """Fill `work` with the programme about a plan whose steps are integrated in `stages`; the last two are scratch."""
    scale_inputs(values, work)
    linearise(values, work, stages, plan)
    weigh(values, work, plan, scratch, adjoint)
    couple(values, work, plan, corridor, scratch)


@equation
def unfold(work: Work, solution: np.ndarray, plan: Plan) -> None:
    """Write the plan that a solution (m,) of the programme stands for, by the linearised model."""
    nodes = plan.nodes
    for k in range(work.spans.shape[0]):
        rate, jerk = solution[work.block[k, 0]], solution[work.block[k, 1]]
        for i in range(STATES):
            total = work.model[k, i, _REST]
            total += work.model[k, i, _RATE] * rate + work.model[k, i, _JERK] * jerk
            for j in range(STATES):
                total += work.model[k, i, j] * nodes[k, j]
            nodes[k + 1, i] = total
        plan.asked[k] = nodes[k + 1, ASKED]
        plan.jerks[k] = jerk / work.scales[work.block[k, 1]]
