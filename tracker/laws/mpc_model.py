"""The prediction model of the predictive law: errors against the path and a lagging curvature, exact over a step.

Notation: e lateral error [m, + left], ψ heading error [rad], κ the vehicle's curvature [1/m, + left],
u commanded curvature [1/m], κ_r the path's curvature [1/m], v speed [m/s], T lag of the steering [s], h step [s]:

    ė = v ψ,   ψ̇ = v (κ − κ_r) − v κ_r² e,   κ̇ = (u − κ)/T.

It is the kinematic model of the rear axle, ė = v sin ψ, ψ̇ = v κ − v κ_r cos ψ / (1 − κ_r e), linearised about
e = ψ = 0. With u, v and κ_r constant over a step, ë + Ω² e = v² (κ − κ_r) with Ω = v |κ_r|, and κ is an
exponential, so the step has a closed form; no matrix exponential is needed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation, select

__all__ = ["LagTerms", "StepModel", "lag_terms", "step_model"]

# Below these arguments a power series is used: the differences would lose more digits than its remainder.
_SMALL_LAG_RATIO = 0.1
_SMALL_ANGLE = 1e-3  # rad: the remainder of sin x/x after x⁴ is then 2e-22


class LagTerms(NamedTuple):
    """What a first-order lag does over a step h: with x = h/T, e⁻ˣ, T (1 − e⁻ˣ) [s], T² (e⁻ˣ − 1 + x) [s²]."""

    decay: float
    settled: float
    ramp: float


class StepModel(NamedTuple):
    """One exact step x⁺ = A x + b u + c with x = (e, ψ, κ); entries of A by row and column, zeros left out."""

    a_ee: float
    a_ep: float
    a_ek: float
    a_pe: float
    a_pp: float
    a_pk: float
    a_kk: float
    b_e: float
    b_p: float
    b_k: float
    c_e: float
    c_p: float


@equation
def lag_terms(lag: float, step: float) -> LagTerms:
    """Give the `LagTerms` of a lag [s] (0: the curvature follows at once) over a step [s]."""
    x = step / np.maximum(lag, 1e-9 * step)
    decay = np.exp(-x)
    # e⁻ˣ − 1 + x = x²/2 (1 − x/3 (1 − x/4 (…))), to a relative 5e-15 at the limit.
    series = 1.0 - x / 3.0 * (
        1.0 - x / 4.0 * (1.0 - x / 5.0 * (1.0 - x / 6.0 * (1.0 - x / 7.0 * (1.0 - x / 8.0))))
    )
    ramp = select(x < _SMALL_LAG_RATIO, 0.5 * step * step * series, lag * lag * (decay - 1.0 + x))
    return LagTerms(decay, lag * (1.0 - decay), ramp)


@equation
def sinc(x):
    """Give sin(x)/x, 1 at 0."""
    near = 1.0 - x * x / 6.0 * (1.0 - x * x / 20.0)
    return select(np.abs(x) < _SMALL_ANGLE, near, np.sin(x) / select(x == 0.0, 1.0, x))


@equation
def step_model(speed: float, bend: float, step: float, lag: float, terms: LagTerms) -> StepModel:
    """Give the exact model of one step at constant speed [m/s] along a path of constant curvature `bend` [1/m].

    `terms` are the `lag_terms` of the same lag and step [s].
    """
    v = speed
    omega = v * bend
    square = omega * omega
    half = sinc(0.5 * omega * step)
    parabola = 0.5 * step * step * half * half  # (1 − cos Ωh)/Ω²
    cosine = 1.0 - square * parabola
    sine = step * sinc(omega * step)  # sin(Ωh)/Ω
    # Response of ë + Ω² e to the decaying exponential e^(−t/T): e and ė at the step's end.
    share = 1.0 / (1.0 + square * lag * lag)
    lagging = share * (terms.ramp + lag * lag * square * parabola + lag * (sine - step))
    lagging_rate = share * (terms.settled - lag * square * (parabola - lag * sine))
    return StepModel(
        cosine, v * sine, v * v * lagging,
        -v * bend * bend * sine, cosine, v * lagging_rate,
        terms.decay,
        v * v * (parabola - lagging), v * (sine - lagging_rate), 1.0 - terms.decay,
        -v * v * parabola, -v * sine,
    )  # fmt: skip
