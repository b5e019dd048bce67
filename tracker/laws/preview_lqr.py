"""Linear-quadratic feedback with preview: the optimum for small errors, and for the bends that come.

Notation: e lateral error [m, + left], ψ heading error of the body [rad], v_r lateral velocity of the rear-axle middle
[m/s, + left], r yaw rate [rad/s], κ_δ curvature that belongs to the road-wheel angle, u curvature asked for, κ the
path's at the vehicle, m_i its means over stretches ahead [1/m]; σ slip of the rear axle per the steady turn [rad].
With the gains K of `preview_lqr_design` the curvature asked for changes by

    Δu = −K_e e − K_ψ (ψ − σ) − K_v (v_r + V σ) − K_r (r − V κ) − K_δ (κ_δ − κ) − K_u (u − κ) − K_q ∫e dt
         + Σ_i F_i (m_i − κ)

which leaves nothing to do in a steady turn on the path. Without feed-forward κ, σ and F are left out.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from tracker.envelope import EnvelopeValues
from tracker.laws.base import View
from tracker.laws.mpc_preview import heading_at
from tracker.laws.preview_lqr_model import (
    ASKED,
    HEADING,
    INTEGRAL,
    LATERAL,
    SIDEWAYS,
    STEERED,
    YAW_RATE,
)
from tracker.laws.preview_lqr_table import (
    FEED_FORWARD,
    FEEDBACK,
    PREVIEW,
    SPACING,
    Tolerances,
    gain_rows,
)
from tracker.laws.tolerances import Tolerant
from tracker.response import Response, ResponseValues
from tracker.schedule import Place, gain_at, place_at
from tracks.geometry import PathArrays
from tracks.one_source import clip, equation, select

__all__ = ["PreviewLQR", "PreviewLQRTerms", "preview_lqr"]

# rad. Far from the path the lateral error counts for no more than what leads back to it at this angle: the optimum of
# the linear model would turn across it.
_STEEPEST_RETURN = 0.6

# Slots of the law's state.
_SUM = 0  # ∫e dt, m s
_WANTED = 1  # wanted last, 1/m


class PreviewLQRTerms(NamedTuple):
    """What the wanted curvature is made of, each 1/m: `curvature` = `asked` + all others.

    Attributes:
        curvature: wanted.
        asked: asked for last.
        lateral, heading: by the lateral error, and by the heading error of the body.
        motion: by lateral velocity of the rear axle and yaw rate.
        steering: by the road wheels, which lag, and what is asked of them.
        slip: that the heading and the lateral velocity of a steady turn are no errors.
        integral: by the integral of the lateral error.
        preview: by the path ahead.
    """

    curvature: float
    asked: float
    lateral: float
    heading: float
    motion: float
    steering: float
    slip: float
    integral: float
    preview: float


@equation
def previewed(gains: np.ndarray, place: Place, path: PathArrays, view: View, speed: float) -> float:
    """Give Σ F_i (m_i − κ), 1/m: the share of what lies ahead, at a `speed` [m/s] that is kept."""
    ahead = speed * gain_at(gains, place, SPACING)
    heading, total, s = heading_at(path, view.s), 0.0, view.s
    for i in range(PREVIEW, (gains.shape[0] - 1) // 2):
        s += ahead
        following = heading_at(path, s)
        total += gain_at(gains, place, i) * ((following - heading) / ahead - view.path_curvature)
        heading = following
    return total


@equation
def preview_lqr(
    gains: np.ndarray, response: ResponseValues, path: PathArrays, view: View, state: np.ndarray
) -> PreviewLQRTerms:
    """Give the wanted curvature and its parts; the integral and the last answer are kept in `state`."""
    place = place_at(gains, view.speed)
    to_lateral = gain_at(gains, place, FEEDBACK + LATERAL)
    to_heading = gain_at(gains, place, FEEDBACK + HEADING)
    to_sideways = gain_at(gains, place, FEEDBACK + SIDEWAYS)
    feed = gain_at(gains, place, FEED_FORWARD)
    bend = feed * view.path_curvature
    reach = _STEEPEST_RETURN * to_heading / to_lateral
    lateral = -to_lateral * clip(view.lateral_error, -reach, reach)
    heading = -to_heading * (view.heading_error + view.slip)
    motion = -to_sideways * view.rear_velocity - gain_at(gains, place, FEEDBACK + YAW_RATE) * (
        view.yaw_rate - view.speed * bend
    )
    steering = -gain_at(gains, place, FEEDBACK + STEERED) * (view.steered - bend) - gain_at(
        gains, place, FEEDBACK + ASKED
    ) * (view.asked - bend)
    slip = feed * (to_heading - to_sideways * view.speed) * view.slip
    integral = -gain_at(gains, place, FEEDBACK + INTEGRAL) * state[_SUM]
    preview = feed * previewed(gains, place, path, view, np.maximum(view.speed, gains[0, 0]))
    wanted = view.asked + lateral + heading + motion + steering + slip + integral + preview
    # The envelope held the last answer back: what pushes further against it is not summed up.
    held_back = (state[_WANTED] - view.asked) * view.lateral_error < 0.0
    error = clip(view.lateral_error, -reach, reach)
    state[_SUM] = state[_SUM] + select(held_back, 0.0, error * view.since)
    state[_WANTED] = wanted
    return PreviewLQRTerms(wanted, view.asked, lateral, heading, motion, steering, slip, integral, preview)


class PreviewLQR(Tolerant):
    """Error-state feedback, optimal for the identified vehicle, with preview of the path's curvature.

    What the tolerances mean and which bandwidth they make, `Tolerant` says.
    """

    kernel: ClassVar[int] = 3
    term_units: ClassVar[dict[str, str]] = dict.fromkeys(PreviewLQRTerms._fields, "1/m")

    integral_rate: float = Field(
        default=0.0,
        ge=0.0,
        le=10.0,
        allow_inf_nan=False,
        description="1/s: rate at which a lasting lateral error is worked off; 0 leaves it",
    )
    preview_time: float = Field(
        default=4.0,
        ge=0.1,
        le=20.0,
        allow_inf_nan=False,
        description="s: how far ahead the path is looked at",
    )
    smoothing: float = Field(
        default=0.0,
        ge=0.0,
        le=1.0,
        allow_inf_nan=False,
        description="share of the path's own steering that costs as much as a correction: 0 follows the path as it is "
        "drawn, 1 cuts it where that spares steering",
    )
    feed_forward: bool = Field(
        default=True, description="steer by the path's own curvature, and ahead of bends"
    )

    def gain_table(self, response: Response, envelope: EnvelopeValues, period: float) -> NDArray[np.float64]:
        """Give the gains over speed, designed for the vehicle and the period; some milliseconds, then remembered."""
        tolerances = Tolerances(
            self.lateral_tolerance,
            self.heading_tolerance,
            self.lateral_velocity_tolerance,
            self.curvature_rate_tolerance,
            self.lateral_jerk_tolerance,
            self.integral_rate,
            self.preview_time,
            self.smoothing,
            self.feed_forward,
        )
        return gain_rows(response.values, float(period), tolerances)
