"""The quadratic programme of the predictive law, condensed to the inputs: min ½ uᵀ H u + fᵀ u under bounds.

Notation: u (n,) commanded curvatures [1/m], x_k = (e, ψ, κ) after k steps, x_{k+1} = A_k x_k + b_k u_k + c_k,
h_k length of step k, κ_k mean path curvature of step k, Δu_k = u_k − u_{k−1} over the time Δt_k between the
middles of the two steps (u_{−1}: the last command). With weights q = 1/tolerance² the cost is

    ½ Σ h_k (q_e e²_{k+1} + q_ψ(v) ψ²_{k+1} + r(v_k) (u_k − κ_k)²) + Δt_k r_Δ(v_k) (Δu_k/Δt_k)²  +  ½ zᵀ P z,

an integral over time, so the horizon's step does not change what the tolerances mean. With Φ the transition
matrices, Γ_{k,i} = Φ_{k,i+1} b_i and M_k = Q_k + A_kᵀ M_{k+1} A_k, the Hessian of the states' cost is
H_ij = b_jᵀ M_{j+1} Γ_{j+1,i} for i ≤ j, which takes n² steps where the product of the stacked matrices takes n³.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.laws.mpc_model import lag_terms, step_model
from tracker.laws.mpc_preview import UNBOUNDED, corridor_at, preview
from tracker.laws.mpc_terminal import TERMS, look_up
from tracker.laws.mpc_values import MpcValues, angle_weight, input_weight, rate_weight
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays

__all__ = ["Work", "condense", "new_work"]

_MODEL_TERMS = 12

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
    inputs 0; `weighed` (n, 3) M_{k+1} b_k; `reach` (3, n) Γ; `terminal` (10,) P; `table` (rows, 10) of P over speed.
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
        np.zeros(n + 1), np.zeros(n), np.zeros(n), np.zeros(n + 1), np.zeros((n, _MODEL_TERMS)),
        np.zeros((n + 1, 3)), np.zeros((n, 3)), np.zeros((3, n)), np.zeros(TERMS), table,
    )  # fmt: skip


@equation
def predict_free(values: MpcValues, work: Work, lateral_error, heading_error, curvature) -> None:
    """Fill the step models, and the states that follow if every input is 0."""
    models, free = work.models, work.free
    free[0, 0], free[0, 1], free[0, 2] = lateral_error, heading_error, curvature
    first, other = lag_terms(values.lag, work.spans[0]), lag_terms(values.lag, values.step)
    for k in range(work.spans.shape[0]):
        m = step_model(work.means[k], work.bends[k], work.spans[k], values.lag, first if k == 0 else other)
        for i in range(_MODEL_TERMS):
            models[k, i] = m[i]
        e, p, c, bend = free[k, 0], free[k, 1], free[k, 2], work.bends[k]
        free[k + 1, 0] = m.a_ee * e + m.a_ep * p + m.a_ek * c + m.c_e * bend
        free[k + 1, 1] = m.a_pe * e + m.a_pp * p + m.a_pk * c + m.c_p * bend
        free[k + 1, 2] = m.a_kk * c


@equation
def weigh_states(values: MpcValues, work: Work, scale: float) -> None:
    """Go backward over the horizon: fill M_{k+1} b_k, and the states' part of the gradient."""
    n = work.spans.shape[0]
    p, models, free = work.terminal, work.models, work.free
    last = work.bends[n - 1]
    # M as (ee, eψ, eκ, ψψ, ψκ, κκ), and the adjoint λ = Σ Φᵀ Q x of the free motion.
    ee, ep, ek, pp, pk, kk = (
        scale * p[0],
        scale * p[1],
        scale * p[2],
        scale * p[4],
        scale * p[5],
        scale * p[7],
    )
    e, h, c = free[n, 0], free[n, 1], free[n, 2] - last
    le = ee * e + ep * h + ek * c - scale * p[3] * last
    lp = ep * e + pp * h + pk * c - scale * p[6] * last
    lk = ek * e + pk * h + kk * c - scale * p[8] * last
    for k in range(n - 1, -1, -1):
        q_e = scale * work.spans[k] * values.lateral_weight
        q_p = scale * work.spans[k] * angle_weight(values, work.nodes[k + 1])
        ee += q_e
        pp += q_p
        le += q_e * free[k + 1, 0]
        lp += q_p * free[k + 1, 1]
        a_ee, a_ep, a_ek = models[k, 0], models[k, 1], models[k, 2]
        a_pe, a_pp, a_pk, a_kk = models[k, 3], models[k, 4], models[k, 5], models[k, 6]
        b_e, b_p, b_k = models[k, 7], models[k, 8], models[k, 9]
        work.weighed[k, 0] = ee * b_e + ep * b_p + ek * b_k
        work.weighed[k, 1] = ep * b_e + pp * b_p + pk * b_k
        work.weighed[k, 2] = ek * b_e + pk * b_p + kk * b_k
        work.gradient[k] = b_e * le + b_p * lp + b_k * lk
        # M ← Aᵀ M A and λ ← Aᵀ λ, with A = [[a_ee, a_ep, a_ek], [a_pe, a_pp, a_pk], [0, 0, a_kk]].
        me_e, me_p, me_k = ee * a_ee + ep * a_pe, ee * a_ep + ep * a_pp, ee * a_ek + ep * a_pk + ek * a_kk
        mp_e, mp_p, mp_k = ep * a_ee + pp * a_pe, ep * a_ep + pp * a_pp, ep * a_ek + pp * a_pk + pk * a_kk
        mk_k = ek * a_ek + pk * a_pk + kk * a_kk
        ee, ep, ek = a_ee * me_e + a_pe * mp_e, a_ee * me_p + a_pe * mp_p, a_ee * me_k + a_pe * mp_k
        pp, pk = a_ep * me_p + a_pp * mp_p, a_ep * me_k + a_pp * mp_k
        kk = a_ek * me_k + a_pk * mp_k + a_kk * mk_k
        le, lp, lk = a_ee * le + a_pe * lp, a_ep * le + a_pp * lp, a_ek * le + a_pk * lp + a_kk * lk


@equation
def couple_states(work: Work, scale: float, corridor: bool) -> None:
    """Go forward over the horizon: fill Γ, the states' part of the Hessian, and the corridor's rows."""
    n = work.spans.shape[0]
    models, reach, hessian, rows, p = work.models, work.reach, work.hessian, work.rows, work.terminal
    for k in range(n):
        a_ee, a_ep, a_ek = models[k, 0], models[k, 1], models[k, 2]
        a_pe, a_pp, a_pk, a_kk = models[k, 3], models[k, 4], models[k, 5], models[k, 6]
        for i in range(k):
            e, h, c = reach[0, i], reach[1, i], reach[2, i]
            reach[0, i] = a_ee * e + a_ep * h + a_ek * c
            reach[1, i] = a_pe * e + a_pp * h + a_pk * c
            reach[2, i] = a_kk * c
        reach[0, k], reach[1, k], reach[2, k] = models[k, 7], models[k, 8], models[k, 9]
        w_e, w_p, w_k = work.weighed[k, 0], work.weighed[k, 1], work.weighed[k, 2]
        for i in range(k + 1):
            hessian[k, i] = w_e * reach[0, i] + w_p * reach[1, i] + w_k * reach[2, i]
        if corridor and k > 0:
            for i in range(k + 1):
                rows[n + k - 2, i] = reach[0, i]
    last = work.bends[n - 1]
    for i in range(n):
        cross = scale * (reach[0, i] * p[3] + reach[1, i] * p[6] + reach[2, i] * p[8])
        hessian[n - 1, i] += cross
        if i == n - 1:
            hessian[i, i] += cross + scale * p[9]
    e, h, c = work.free[n, 0], work.free[n, 1], work.free[n, 2] - last
    work.gradient[n - 1] += scale * (p[3] * e + p[6] * h + p[8] * c - p[9] * last)


@equation
def weigh_inputs(values: MpcValues, work: Work, previous: float, scale: float) -> None:
    """Add the cost of the inputs and of their changes, and mirror the Hessian's lower triangle."""
    n = work.spans.shape[0]
    hessian, gradient = work.hessian, work.gradient
    for k in range(n):
        effort = scale * work.spans[k] * input_weight(values, work.means[k])
        change = scale * rate_weight(values, work.nodes[k]) / work.changes[k]
        hessian[k, k] += effort + change
        gradient[k] -= effort * work.bends[k]
        if k == 0:
            gradient[0] -= change * previous
        else:
            hessian[k - 1, k - 1] += change
            hessian[k, k - 1] -= change
    for k in range(n):
        for i in range(k):
            hessian[i, k] = hessian[k, i]


@equation
def bound_inputs(values: MpcValues, work: Work, previous: float) -> None:
    """Fill the bounds on the inputs from the limits on curvature, lateral acceleration and, at first, rate.

    The lagging curvature stays between those commanded, so |κ| v² keeps its limit where u does, at the faster
    end of each step. A bound that the rate cannot reach in time is widened to what it can: the programme always
    has a solution, which turns back as fast as it may.
    """
    low, high = previous, previous
    for k in range(work.spans.shape[0]):
        fastest = np.maximum(work.nodes[k], work.nodes[k + 1])
        limit = np.minimum(values.curvature, values.lateral_acceleration / (fastest * fastest))
        step = values.curvature_rate * work.changes[k]
        low -= step
        high += step
        work.upper[k] = np.maximum(limit, low)
        work.lower[k] = np.minimum(-limit, high)
        if k == 0:
            work.upper[0] = np.minimum(work.upper[0], high)
            work.lower[0] = np.maximum(work.lower[0], low)


@equation
def bound_corridor(values: MpcValues, track: TrackArrays, work: Work, scale: float) -> None:
    """Fill the bounds of the corridor's rows; rows are left out where there is no room for the vehicle."""
    n = work.spans.shape[0]
    for k in range(1, n):
        left, right = corridor_at(track, work.stations[k + 1])
        high, low = left - values.half_width, values.half_width - right
        row, at = n + k - 2, 2 * n + k - 2
        bounded = high > low and (high < UNBOUNDED or low > -UNBOUNDED)
        work.kinds[at] = SOFT if bounded else IGNORED
        weight = np.sqrt(scale * work.spans[k] * values.corridor_weight)
        free = work.free[k + 1, 0]
        for i in range(k + 1):
            work.rows[row, i] *= weight
        work.upper[at] = select(bounded, clip(weight * (high - free), -UNBOUNDED, UNBOUNDED), UNBOUNDED)
        work.lower[at] = select(bounded, clip(weight * (low - free), -UNBOUNDED, UNBOUNDED), -UNBOUNDED)


@equation
def condense(
    values: MpcValues,
    track: TrackArrays,
    work: Work,
    corridor: bool,
    s: float,
    lateral_error: float,
    heading_error: float,
    curvature: float,
    speed: float,
    previous: float,
) -> None:
    """Fill `work` with the programme at arc length s [m] for the vehicle's errors, curvature and speed.

    `previous` is the last command [1/m], within the limit on curvature. The cost is scaled so that the largest
    weight of a change is 1: the solver's tolerances are absolute.
    """
    preview(values, track, s, speed, work.spans, work.nodes, work.means, work.bends, work.stations)
    fastest = 0.0
    for k in range(work.nodes.shape[0]):
        fastest = np.maximum(fastest, work.nodes[k])
    scale = values.step / rate_weight(values, fastest)
    predict_free(values, work, lateral_error, heading_error, curvature)
    look_up(work.table, values, work.nodes[work.nodes.shape[0] - 1], work.terminal)
    weigh_states(values, work, scale)
    couple_states(work, scale, corridor)
    weigh_inputs(values, work, previous, scale)
    bound_inputs(values, work, previous)
    if corridor:
        bound_corridor(values, track, work, scale)
