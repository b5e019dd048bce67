"""The predictive law's speed: a small programme over the accelerations ahead, under limits on them and their rate.

Notation: v_k speed asked for at time t_k (t_0 = 0 now, t_1 one period ahead, then every `speed_step`), a acceleration,
linear between knots z_j at some of these times and constant beyond the last; V_k the highest speed that can be held,
read from the track as far ahead as drive or brake are late, and 2 cm/s (`_ABOVE`). The programme is

    min ½ Σ Δt_k ((v_k − V_k)/v_t)² + ½ ∫ (ȧ/j)² dt + soft: v_k ≤ V_k,    |ȧ| ≤ j, −a_brake ≤ a ≤ a_drive hard.

Its Hessian and rows never change. It starts from what was asked for last, not from what was measured, so the noise of
the speed sensor does not come back as acceleration.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.laws.mpc_values import MpcValues
from tracker.laws.mpc_work import HARD, SOFT, UNBOUNDED, Work, knots_of
from tracker.speed_command import reference_speed
from tracks.one_source import clip, equation
from tracks.track import TrackArrays

__all__ = ["SPEED_NODES", "SpeedWork", "new_speed_work", "prepare_speed", "profile_at"]

SPEED_NODES = 16
_MOVES = 8
_TOLERANCE = 0.1  # m/s: a speed below V that costs as much as the limit of jerk
_ABOVE = 0.02  # m/s


class SpeedWork(NamedTuple):
    """Preallocated arrays of the speed's programme: p nodes (SPEED_NODES), q knots.

    The solver's: `hessian` (q, q), `gradient` (q,), `rows` (q − 1 + p, q), `upper`, `lower`, `kinds` (2q − 1 + p,).
    Its making: `times` (p + 1,) t_k [s]; `gain` (p, q) what the knots add to v_k [s]; `weights` (p,) of (v_k − V_k)²;
    `profile` (p + 1,) the speeds planned last [m/s]; `bounds` (p,) V_k [m/s]; `lead` (1,) acceleration of
    V now [m/s²]; `asked` (2,) speed and acceleration asked
    for last [m/s, m/s²].
    """

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    times: np.ndarray
    gain: np.ndarray
    weights: np.ndarray
    profile: np.ndarray
    bounds: np.ndarray
    lead: np.ndarray
    asked: np.ndarray


def new_speed_work(values: MpcValues) -> SpeedWork:
    """Allocate the arrays and write what never changes."""
    jerk, p, knots = values.jerk, SPEED_NODES, knots_of(_MOVES, SPEED_NODES)
    q = knots.size
    times = np.concatenate([[0.0], values.period + values.speed_step * np.arange(p)])
    spans = np.diff(times)
    # Hat functions: the acceleration at each node per knot, held beyond the last; before the first it begins at the
    # acceleration asked for last.
    hats = np.array([np.interp(np.arange(p), knots, row) for row in np.eye(q)]).T
    before = np.vstack([np.zeros(q), hats[:-1]])
    gain = np.cumsum(0.5 * spans[:, None] * (before + hats), axis=0)
    apart = values.speed_step * np.diff(knots)
    rows = np.zeros((q - 1 + p, q))
    smooth = np.zeros((q, q))
    for j in range(q - 1):
        rows[j, j], rows[j, j + 1] = -1.0, 1.0
        smooth += np.outer(rows[j], rows[j]) / (apart[j] * jerk * jerk)
    smooth[0, 0] += 1.0 / (values.period * jerk * jerk)
    soft = np.sqrt(spans * values.speed_weight)
    rows[q - 1 :] = soft[:, None] * gain
    weights = spans / _TOLERANCE**2
    upper, kinds = np.full(2 * q - 1 + p, UNBOUNDED), np.full(2 * q - 1 + p, HARD, dtype=np.intc)
    upper[q : 2 * q - 1] = jerk * apart
    kinds[2 * q - 1 :] = SOFT
    lower = -upper
    return SpeedWork(
        gain.T @ (weights[:, None] * gain) + smooth, np.zeros(q), rows, upper, lower, kinds,
        times, gain, weights, np.zeros(p + 1), np.zeros(p), np.zeros(1), np.zeros(2),
    )  # fmt: skip


@equation
def profile_at(values: MpcValues, work: SpeedWork, time: float) -> float:
    """Give the speed planned last at a time from then on [s], m/s; linear between nodes, constant at the ends."""
    place = clip((time - values.period) / values.speed_step + 1.0, 1.0, work.times.shape[0] - 1.000001)
    k = int(place)
    share = place - k
    later = work.profile[k] + share * (work.profile[k + 1] - work.profile[k])
    early = clip(time / values.period, 0.0, 1.0)
    return work.profile[0] + early * (later - work.profile[0]) if time < values.period else later


@equation
def prepare_speed(
    values: MpcValues, track: TrackArrays, lateral: Work, work: SpeedWork, s: float, driven: float
) -> None:
    """Fill gradient and bounds at arc length s [m] and a speed driven [m/s]; `track` has the speeds that can be held for its plan.

    Where the last lateral plan calls for less (`lateral.slower`), V is less.
    """
    p, q, jerk = work.bounds.shape[0], work.gradient.shape[0], values.jerk
    speed, acceleration = work.asked[0], work.asked[1]
    steps = lateral.spans.shape[0]
    step = lateral.spans[steps - 1]
    begin = speed + 0.5 * values.period * acceleration
    for j in range(q):
        work.gradient[j] = 0.0
    reached = s
    for k in range(p):
        # V at the beginning of the period is what is asked for at its end, as the plan is.
        then = work.times[k + 1] - values.period
        quick = profile_at(values, work, then + values.period)
        # Now, as the tracker reads its plan.
        reading = driven if k == 0 else quick
        bound, lead = reference_speed(
            values.response, track, values.envelope, values.options, reached, reading
        )
        at = int(clip((then - values.period) / step + 1.0, 0.0, float(steps)))
        bound = np.minimum(bound, lateral.slower[at])
        work.bounds[k] = bound
        if k == 0:
            work.lead[0] = lead
        # Aimed at from a little above, so that a drivable plan is left to itself, to the last digit.
        bound += _ABOVE
        for j in range(q):
            work.gradient[j] += work.weights[k] * (begin - bound) * work.gain[k, j]
        weight = np.sqrt((work.times[k + 1] - work.times[k]) * values.speed_weight)
        work.upper[2 * q - 1 + k] = weight * (bound - begin)
        reached += np.maximum(quick, values.creep) * values.speed_step
    smooth = 1.0 / (values.period * jerk * jerk)
    work.gradient[0] -= smooth * acceleration
    for j in range(q):
        work.upper[j] = values.envelope.acceleration
        work.lower[j] = -values.envelope.deceleration
    work.upper[0] = np.minimum(work.upper[0], acceleration + jerk * values.period)
    work.lower[0] = np.maximum(work.lower[0], acceleration - jerk * values.period)
