"""The prediction model of the predictive law: errors against the path, tyres and steering, exact over a step.

Notation: e lateral error of the rear-axle middle [m, + left], ψ heading error of the body [rad], w lateral velocity of
the rear-axle middle in the vehicle's axes [m/s, + left], r yaw rate [rad/s], c curvature of the steady turn that
belongs to the road-wheel angle [1/m, + left], u commanded curvature [1/m], κ_r the path's curvature [1/m], v speed
[m/s], T lag of the steering [s], m mass, I yaw inertia, a and b centre of gravity to front and rear axle, L = a + b,
C_f and C_r cornering stiffness of an axle, F_f and F_r their side forces.

    ė = v ψ + w                      m (ẇ + b ṙ + v r) = F_f + F_r,   F_f = C_f (δ − (w + L r)/v)
    ψ̇ = r − v κ_r − v κ_r² e          I ṙ = a F_f − b F_r,             F_r = −C_r w/v
    ċ = (u − c)/T                     δ = c (L + K v²),   K = m (b C_r − a C_f)/(L C_f C_r)

That is the linear single-track body (Rajamani, Vehicle Dynamics and Control, ch. 2: from memory) along the path,
linearised about e = ψ = 0. Scaled by the vehicle's own K, a command of κ ends in the steady turn κ, as the tracker
makes it for every law. Where the tyres are not known the body follows the steering: w = 0, ψ̇ = v (c − κ_r) − v κ_r² e,
the kinematic rear-axle model. The tyres are singular at v = 0, but their exact step is not: their motion decays ever
faster as v falls and ends in the kinematic one. So there is no hand-over; the speed is only kept above a creep.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.response import ResponseValues
from tracks.one_source import equation, select

__all__ = ["StepModel", "exponential", "rates", "squarings", "step_model", "tyres_known"]

_SHORTEST_LAG = 1e-3  # s: a tenth of the shortest control period or less: what is faster follows at once
_LEAST_LENGTH = 0.1  # of the wheelbase: an oversteering vehicle's L + K v² at and beyond its critical speed
# Norm up to which the series of degree 12 leaves less than a rounding: 0.5¹³/13! = 2e-14.
_SMALL = 0.5
_IDLE = 1.0  # 1/s: decay of the states that stand idle where the tyres are not known


class StepModel(NamedTuple):
    """One step x⁺ = A x + b u + d κ_r with x = (e, ψ, w, r, c), or the rates ẋ likewise.

    Entries by row and column: e, p for ψ, w, r, c, then u and k for κ_r; those that are always 0 are left out.
    """

    ee: float
    ep: float
    ew: float
    er: float
    ec: float
    eu: float
    ek: float
    pe: float
    pp: float
    pw: float
    pr: float
    pc: float
    pu: float
    pk: float
    ww: float
    wr: float
    wc: float
    wu: float
    rw: float
    rr: float
    rc: float
    ru: float
    cc: float
    cu: float


@equation
def tyres_known(response: ResponseValues):
    """Say whether mass, its place and both stiffnesses are known, so that the body can be predicted."""
    stiffness = response.cornering_stiffness_front * response.cornering_stiffness_rear
    return response.mass * response.front_axle_distance * stiffness > 0.0


@equation
def rates(response: ResponseValues, speed: float, bend: float) -> StepModel:
    """Give the rates of the state at a speed [m/s] above 0 along a path of curvature `bend` [1/m]."""
    known = tyres_known(response)
    length, v = response.wheelbase, speed
    m, a = select(known, response.mass, 1.0), select(known, response.front_axle_distance, 0.5 * length)
    front = select(known, response.cornering_stiffness_front, 1.0)
    rear = select(known, response.cornering_stiffness_rear, 1.0)
    b = length - a
    inertia = select(response.yaw_inertia > 0.0, response.yaw_inertia, m * a * b)
    gradient = m * (b * rear - a * front) / (length * front * rear)
    geared = np.maximum(length + gradient * v * v, _LEAST_LENGTH * length)
    # A side force at the front moves the rear axle by `across`, one at the rear by `along` of its acceleration.
    across, along = 1.0 / m - a * b / inertia, 1.0 / m + b * b / inertia
    lag = np.maximum(response.lag, _SHORTEST_LAG)
    return StepModel(
        0.0, v, 1.0, 0.0, 0.0, 0.0, 0.0,
        -v * bend * bend, 0.0, 0.0, select(known, 1.0, 0.0), select(known, 0.0, v), 0.0, -v,
        select(known, -(across * front + along * rear) / v, -_IDLE),
        select(known, -across * front * length / v - v, 0.0),
        select(known, across * front * geared, 0.0), 0.0,
        select(known, (b * rear - a * front) / (inertia * v), 0.0),
        select(known, -a * front * length / (inertia * v), -_IDLE),
        select(known, a * front * geared / inertia, 0.0), 0.0,
        -1.0 / lag, 1.0 / lag,
    )  # fmt: skip


@equation
def squarings(x: StepModel, span: float):
    """Give how often `span` [s] must be halved until the rates over it are small enough for the series."""
    norm = np.maximum(np.abs(x.ep) + np.abs(x.ew), np.abs(x.pe) + np.abs(x.pr) + np.abs(x.pc) + np.abs(x.pk))
    norm = np.maximum(norm, np.abs(x.ww) + np.abs(x.wr) + np.abs(x.wc))
    norm = np.maximum(norm, np.abs(x.rw) + np.abs(x.rr) + np.abs(x.rc))
    norm = np.maximum(norm, np.abs(x.cc) + np.abs(x.cu)) * span
    return int(np.ceil(np.log(np.maximum(norm / _SMALL, 1.0)) / np.log(2.0)))


@equation
def _times(x: StepModel, y: StepModel, held: float) -> StepModel:
    """Give x·y as matrices on (state, inputs), the inputs held `held` times by y."""
    return StepModel(
        x.ee * y.ee + x.ep * y.pe,
        x.ee * y.ep + x.ep * y.pp,
        x.ee * y.ew + x.ep * y.pw + x.ew * y.ww + x.er * y.rw,
        x.ee * y.er + x.ep * y.pr + x.ew * y.wr + x.er * y.rr,
        x.ee * y.ec + x.ep * y.pc + x.ew * y.wc + x.er * y.rc + x.ec * y.cc,
        x.ee * y.eu + x.ep * y.pu + x.ew * y.wu + x.er * y.ru + x.ec * y.cu + held * x.eu,
        x.ee * y.ek + x.ep * y.pk + held * x.ek,
        x.pe * y.ee + x.pp * y.pe,
        x.pe * y.ep + x.pp * y.pp,
        x.pe * y.ew + x.pp * y.pw + x.pw * y.ww + x.pr * y.rw,
        x.pe * y.er + x.pp * y.pr + x.pw * y.wr + x.pr * y.rr,
        x.pe * y.ec + x.pp * y.pc + x.pw * y.wc + x.pr * y.rc + x.pc * y.cc,
        x.pe * y.eu + x.pp * y.pu + x.pw * y.wu + x.pr * y.ru + x.pc * y.cu + held * x.pu,
        x.pe * y.ek + x.pp * y.pk + held * x.pk,
        x.ww * y.ww + x.wr * y.rw,
        x.ww * y.wr + x.wr * y.rr,
        x.ww * y.wc + x.wr * y.rc + x.wc * y.cc,
        x.ww * y.wu + x.wr * y.ru + x.wc * y.cu + held * x.wu,
        x.rw * y.ww + x.rr * y.rw,
        x.rw * y.wr + x.rr * y.rr,
        x.rw * y.wc + x.rr * y.rc + x.rc * y.cc,
        x.rw * y.wu + x.rr * y.ru + x.rc * y.cu + held * x.ru,
        x.cc * y.cc,
        x.cc * y.cu + held * x.cu,
    )


@equation
def _add(x: StepModel, one: float, first: float, y: StepModel, second: float, z: StepModel) -> StepModel:
    """Give x + one·I + first·y + second·z on the state; the inputs' columns likewise without I."""
    return StepModel(
        x.ee + first * y.ee + second * z.ee + one, x.ep + first * y.ep + second * z.ep,
        x.ew + first * y.ew + second * z.ew, x.er + first * y.er + second * z.er,
        x.ec + first * y.ec + second * z.ec, x.eu + first * y.eu + second * z.eu,
        x.ek + first * y.ek + second * z.ek,
        x.pe + first * y.pe + second * z.pe, x.pp + first * y.pp + second * z.pp + one,
        x.pw + first * y.pw + second * z.pw, x.pr + first * y.pr + second * z.pr,
        x.pc + first * y.pc + second * z.pc, x.pu + first * y.pu + second * z.pu,
        x.pk + first * y.pk + second * z.pk,
        x.ww + first * y.ww + second * z.ww + one, x.wr + first * y.wr + second * z.wr,
        x.wc + first * y.wc + second * z.wc, x.wu + first * y.wu + second * z.wu,
        x.rw + first * y.rw + second * z.rw, x.rr + first * y.rr + second * z.rr + one,
        x.rc + first * y.rc + second * z.rc, x.ru + first * y.ru + second * z.ru,
        x.cc + first * y.cc + second * z.cc + one, x.cu + first * y.cu + second * z.cu,
    )  # fmt: skip


@equation
def exponential(x: StepModel, span: float, halvings: int) -> StepModel:
    """Give the step of `span` [s] that the rates `x` make with u and κ_r held: a matrix exponential.

    By scaling and squaring: the series of degree 12 in powers of three (M. S. Paterson, L. J. Stockmeyer, SIAM J.
    Comput. 2(1), 1973; from memory) over the span halved `halvings` times, then as many squarings. Five products and
    one a squaring, of 70 multiplications each, since zeros are left out.
    """
    none = x.ee * 0.0
    zero = StepModel(
        none, none, none, none, none, none, none, none, none, none, none, none,
        none, none, none, none, none, none, none, none, none, none, none, none,
    )  # fmt: skip
    m = _add(zero, 0.0, span * 0.5**halvings, x, 0.0, x)
    m2 = _times(m, m, 0.0)
    m3 = _times(m2, m, 0.0)
    y = _add(zero, 1.0 / 362880.0, 1.0 / 3628800.0, m, 1.0 / 39916800.0, m2)
    y = _add(y, 0.0, 1.0 / 479001600.0, m3, 0.0, m3)
    y = _add(_times(y, m3, 0.0), 1.0 / 720.0, 1.0 / 5040.0, m, 1.0 / 40320.0, m2)
    y = _add(_times(y, m3, 0.0), 1.0 / 6.0, 1.0 / 24.0, m, 1.0 / 120.0, m2)
    y = _add(_times(y, m3, 0.0), 1.0, 1.0, m, 0.5, m2)
    for _ in range(halvings):
        y = _times(y, y, 1.0)
    return y


@equation
def step_model(response: ResponseValues, speed: float, bend: float, span: float) -> StepModel:
    """Give the exact step of `span` [s] at constant speed [m/s] along a path of constant curvature `bend` [1/m]."""
    x = rates(response, speed, bend)
    return exponential(x, span, squarings(x, span))
