"""The quadratic programme of the predictive law, condensed to its knots: min ½ zᵀ H z + fᵀ z under bounds.

Notation: z (f,) commanded curvatures at the knots [1/m], linear in between, so that u_k = (1 − θ_k) z_j + θ_k z_{j+1} in
step k; x_k = (e, ψ, w, r, c) after k steps, x_{k+1} = A_k x_k + b_k u_k + d_k κ_k with the mean path curvature κ_k of
the step; χ = ψ + w/v the course of the rear axle against the path; h_k length of step k; Δt_j time from knot j − 1 to
knot j (z_{−1}: the last command). With weights q = 1/tolerance² the cost is

    ½ Σ h_k (q_e e²_{k+1} + q_χ(v) χ²_{k+1} + r(v) (u_k − κ_k)²)  +  ½ Σ r_Δ(v) (z_j − z_{j−1})²/Δt_j  +  ½ ζᵀ P ζ,

an integral over time, so the horizon's step does not change what the tolerances mean; ζ is the last state and input
against the steady turn of the last bend. In any steady turn every term is 0: e, and the course, not the heading, since
the body then points into the bend by the slip of its rear axle.
"""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_bounds import bound_corridor, bound_inputs
from tracker.laws.mpc_excess import judge_plan
from tracker.laws.mpc_model import StepModel, step_model, tyres_known
from tracker.laws.mpc_preview import preview
from tracker.laws.mpc_speed import SpeedWork, prepare_speed
from tracker.laws.mpc_terminal import TERMS, look_up
from tracker.laws.mpc_values import MpcValues, Weights, weights_of
from tracker.laws.mpc_work import PLANNED, SCALE, Work
from tracker.prediction import rear_slip
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays

__all__ = ["condense"]

# Largest lateral error planned with, over the distance of the horizon: further out the model's small angles no
# longer hold, and the plan leads in at about this slope instead of across the path. A rule of thumb.
_STEEPEST = 0.5


@equation
def _weights_at(work: Work, k: int) -> Weights:
    """Give the `Weights` at node k."""
    return weights_of(work.weights[k], work.nodes[k])


@equation
def _carry(work: Work, m: StepModel, k: int) -> None:
    """Carry the free motion and what the knots add to the state over step k, whose model is m."""
    x, reach = work.free, work.reach
    e, p, w, r, c, bend = x[k, 0], x[k, 1], x[k, 2], x[k, 3], x[k, 4], work.bends[k]
    x[k + 1, 0] = m.ee * e + m.ep * p + m.ew * w + m.er * r + m.ec * c + m.ek * bend
    x[k + 1, 1] = m.pe * e + m.pp * p + m.pw * w + m.pr * r + m.pc * c + m.pk * bend
    x[k + 1, 2] = m.ww * w + m.wr * r + m.wc * c
    x[k + 1, 3] = m.rw * w + m.rr * r + m.rc * c
    x[k + 1, 4] = m.cc * c
    j = work.left[k]
    last = min(j + 1, work.knots.shape[0] - 1)
    for i in range(last + 1):
        e, p, w, r, c = reach[0, i], reach[1, i], reach[2, i], reach[3, i], reach[4, i]
        reach[0, i] = m.ee * e + m.ep * p + m.ew * w + m.er * r + m.ec * c
        reach[1, i] = m.pe * e + m.pp * p + m.pw * w + m.pr * r + m.pc * c
        reach[2, i] = m.ww * w + m.wr * r + m.wc * c
        reach[3, i] = m.rw * w + m.rr * r + m.rc * c
        reach[4, i] = m.cc * c
    for i in range(j, last + 1):
        part = select(i == j, 1.0 - work.share[k], work.share[k])
        reach[0, i] += part * m.eu
        reach[1, i] += part * m.pu
        reach[2, i] += part * m.wu
        reach[3, i] += part * m.ru
        reach[4, i] += part * m.cu


@equation
def _weigh_states(work: Work, k: int, scale: float) -> None:
    """Add the cost of e and χ after step k."""
    weights, h = _weights_at(work, k + 1), scale * work.spans[k]
    lateral, course = h * weights.lateral, h * weights.course
    errors, courses, reach, hessian = work.errors, work.courses, work.reach, work.hessian
    along = 1.0 / work.nodes[k + 1]
    free_error = lateral * work.free[k + 1, 0]
    free_course = course * (work.free[k + 1, 1] + along * work.free[k + 1, 2])
    used = min(work.left[k] + 2, work.knots.shape[0])
    for i in range(used):
        e, x = reach[0, i], reach[1, i] + along * reach[2, i]
        errors[k, i], courses[k, i] = e, x
        work.gradient[i] += e * free_error + x * free_course
    for i in range(used):
        e, x = lateral * errors[k, i], course * courses[k, i]
        for j in range(i + 1):
            hessian[i, j] += e * errors[k, j] + x * courses[k, j]


@equation
def _weigh_inputs(work: Work, previous: float, scale: float) -> None:
    """Add the cost of the inputs against the path's curvature, and of their rates."""
    f = work.knots.shape[0]
    hessian, gradient = work.hessian, work.gradient
    for k in range(work.spans.shape[0]):
        effort = scale * work.spans[k] * _weights_at(work, k).effort
        i, right = work.left[k], work.share[k]
        j, here = min(i + 1, f - 1), 1.0 - right
        hessian[i, i] += effort * here * here
        gradient[i] -= effort * here * work.bends[k]
        if right > 0.0:
            hessian[j, i] += effort * here * right
            hessian[j, j] += effort * right * right
            gradient[j] -= effort * right * work.bends[k]
    for j in range(f):
        change = scale * _weights_at(work, work.knots[j]).rate / work.changes[j]
        hessian[j, j] += change
        if j == 0:
            gradient[0] -= change * previous
        else:
            hessian[j - 1, j - 1] += change
            hessian[j, j - 1] -= change


@equation
def _weigh_end(values: MpcValues, work: Work, scale: float) -> None:
    """Add the cost of what lies beyond the horizon: ½ ζᵀ P ζ."""
    n, f = work.spans.shape[0], work.knots.shape[0]
    p, reach, x = work.terminal, work.reach, work.free
    bend, v = float(work.bends[n - 1]), float(work.nodes[n])
    slip = select(tyres_known(values.response), rear_slip(values.response, v, bend), 0.0)
    turning = select(tyres_known(values.response), v * bend, 0.0)
    free = (x[n, 0], x[n, 1] - slip, x[n, 2] + v * slip, x[n, 3] - turning, x[n, 4] - bend, -bend)
    for i in range(f):
        last = select(i == f - 1, 1.0, 0.0)
        z = (reach[0, i], reach[1, i], reach[2, i], reach[3, i], reach[4, i], last)
        # P z, by the entries of the upper triangle.
        t0 = p[0] * z[0] + p[1] * z[1] + p[2] * z[2] + p[3] * z[3] + p[4] * z[4] + p[5] * z[5]
        t1 = p[1] * z[0] + p[6] * z[1] + p[7] * z[2] + p[8] * z[3] + p[9] * z[4] + p[10] * z[5]
        t2 = p[2] * z[0] + p[7] * z[1] + p[11] * z[2] + p[12] * z[3] + p[13] * z[4] + p[14] * z[5]
        t3 = p[3] * z[0] + p[8] * z[1] + p[12] * z[2] + p[15] * z[3] + p[16] * z[4] + p[17] * z[5]
        t4 = p[4] * z[0] + p[9] * z[1] + p[13] * z[2] + p[16] * z[3] + p[18] * z[4] + p[19] * z[5]
        t5 = p[5] * z[0] + p[10] * z[1] + p[14] * z[2] + p[17] * z[3] + p[19] * z[4] + p[20] * z[5]
        for j in range(i + 1):
            at = select(j == f - 1, 1.0, 0.0)
            work.hessian[i, j] += scale * (
                t0 * reach[0, j]
                + t1 * reach[1, j]
                + t2 * reach[2, j]
                + t3 * reach[3, j]
                + t4 * reach[4, j]
                + t5 * at
            )
        work.gradient[i] += scale * (
            t0 * free[0] + t1 * free[1] + t2 * free[2] + t3 * free[3] + t4 * free[4] + t5 * free[5]
        )


@equation
def condense(
    values: MpcValues, track: TrackArrays, work: Work, speed_work: SpeedWork, planning: bool, corridor: bool,
    s: float, lateral_error: float, heading_error: float, rear_velocity: float, yaw_rate: float, steered: float,
    speed: float, previous: float,
) -> None:  # fmt: skip
    """Fill both works with the programmes at arc length s [m].

    Args:
        values: settings.
        track: with `planning`, its plan is what can be held.
        work: of the lateral programme, with the last plan still in it.
        speed_work: of the speed's programme.
        planning: whether the law plans its speed.
        corridor: whether `work` has rows for a corridor.
        s, lateral_error, heading_error: m, m, rad: the heading error of the body where tyres are known, else of
            the rear axle's motion.
        rear_velocity, yaw_rate: m/s and rad/s; taken as 0 where the tyres are not known.
        steered: curvature of the steady turn that belongs to the road-wheel angle, 1/m.
        speed: m/s.
        previous: last command, within the limit on curvature, 1/m.

    The cost is scaled so that the largest weight of a change is 1: the solver's tolerances are absolute.
    """
    judge_plan(values, track, work)
    work.told[PLANNED] = 0.0
    if planning:
        prepare_speed(values, track, work, speed_work, s, speed)
    preview(values, track, work, speed_work, planning, s, speed)
    n, f = work.spans.shape[0], work.knots.shape[0]
    fastest = 0.0
    for k in range(n + 1):
        look_up(work.table, values, float(work.nodes[k]), TERMS, work.weights[k])
        fastest = np.maximum(fastest, _weights_at(work, k).rate)
    scale = float(work.spans[n - 1] / fastest)
    work.told[SCALE] = scale
    for i in range(f):
        work.gradient[i] = 0.0
        for j in range(i + 1):
            work.hessian[i, j] = 0.0
        for j in range(5):
            work.reach[j, i] = 0.0
    furthest = _STEEPEST * (work.stations[n] - s)
    known = tyres_known(values.response)
    work.free[0, 0], work.free[0, 1] = clip(lateral_error, -furthest, furthest), heading_error
    work.free[0, 2], work.free[0, 3] = select(known, rear_velocity, 0.0), select(known, yaw_rate, 0.0)
    work.free[0, 4] = steered
    for k in range(n):
        m = step_model(values.response, work.means[k], work.bends[k], work.spans[k])
        _carry(work, m, k)
        _weigh_states(work, k, scale)
    look_up(work.table, values, float(work.nodes[n]), 0, work.terminal)
    _weigh_end(values, work, scale)
    _weigh_inputs(work, previous, scale)
    for i in range(f):
        for j in range(i):
            work.hessian[j, i] = work.hessian[i, j]
    bound_inputs(values, work, previous)
    if corridor:
        bound_corridor(values, track, work, scale)
