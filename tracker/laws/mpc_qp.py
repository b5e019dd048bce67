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

import numpy as np

from tracker.laws.mpc_bounds import bound_corridor, bound_inputs
from tracker.laws.mpc_model import lag_terms, step_model
from tracker.laws.mpc_preview import preview
from tracker.laws.mpc_terminal import TERMS, look_up
from tracker.laws.mpc_values import MpcValues, angle_weight, input_weight, rate_weight
from tracker.laws.mpc_work import MODEL_TERMS, Work
from tracker.prediction import lag_at
from tracks.one_source import clip, equation
from tracks.track import TrackArrays

__all__ = ["condense"]

# Largest lateral error planned with, over the distance of the horizon: further out the model's small angles no
# longer hold, and the plan leads in at about this slope instead of across the path. A rule of thumb.
_STEEPEST = 0.5


@equation
def predict_free(values: MpcValues, work: Work, lateral_error, heading_error, curvature) -> None:
    """Fill the step models, and the states that follow if every input is 0; the lag is that of the present speed."""
    models, free = work.models, work.free
    free[0, 0], free[0, 1], free[0, 2] = lateral_error, heading_error, curvature
    lag = lag_at(values.response, work.nodes[0])
    first, other = lag_terms(lag, work.spans[0]), lag_terms(lag, values.step)
    for k in range(work.spans.shape[0]):
        m = step_model(work.means[k], work.bends[k], work.spans[k], lag, first if k == 0 else other)
        for i in range(MODEL_TERMS):
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
    ee, ep, ek, pp, pk, kk = p[0], p[1], p[2], p[4], p[5], p[7]
    e, h, c = free[n, 0], free[n, 1], free[n, 2] - last
    le = ee * e + ep * h + ek * c - p[3] * last
    lp = ep * e + pp * h + pk * c - p[6] * last
    lk = ek * e + pk * h + kk * c - p[8] * last
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
def couple_states(work: Work, corridor: bool) -> None:
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
        cross = reach[0, i] * p[3] + reach[1, i] * p[6] + reach[2, i] * p[8]
        hessian[n - 1, i] += cross
        if i == n - 1:
            hessian[i, i] += cross + p[9]
    e, h, c = work.free[n, 0], work.free[n, 1], work.free[n, 2] - last
    work.gradient[n - 1] += p[3] * e + p[6] * h + p[8] * c - p[9] * last


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
    furthest = _STEEPEST * (work.stations[work.spans.shape[0]] - s)
    predict_free(values, work, clip(lateral_error, -furthest, furthest), heading_error, curvature)
    look_up(work.table, values, float(work.nodes[work.nodes.shape[0] - 1]), work.terminal)
    for i in range(TERMS):
        work.terminal[i] *= scale
    weigh_states(values, work, scale)
    couple_states(work, corridor)
    weigh_inputs(values, work, previous, scale)
    bound_inputs(values, work, previous)
    if corridor:
        bound_corridor(values, track, work, scale)
