"""The Stanley law: heading error plus a cross-track term that weakens with speed, damped by yaw rate and steering.

Notation: δ road-wheel angle [rad, + left], θ_e path heading − vehicle heading at the front axle [rad],
e lateral position of the path from the front axle [m, + left], v speed [m/s], k gain [1/s], k_s softening [m/s],
r yaw rate [rad/s], κ_p curvature of the path [1/m]:

    δ = θ_e + atan(k e / (k_s + v)) − k_r (r − v κ_p) − k_δ δ̇

(G. M. Hoffmann, C. J. Tomlin, M. Montemerlo, S. Thrun, ACC 2007, where the last term is k (δ(i) − δ(i+1)) of the
measured angle: k_δ is that k times the period; terms beyond the first two from memory). The heading is less the slip of
the steady turn, which is the paper's ψ_ss. The third term damps the yaw of a body at speed, the fourth leads the
lag of the steering.

In reverse the same law steers along the direction of travel: a point one wheelbase beyond the rear axle, where it goes to,
takes the place of the front axle, so that the poles are −k and −v/L there too.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from tracker.envelope import EnvelopeValues
from tracker.laws.base import Gain, Law, View
from tracker.response import Response, ResponseValues
from tracker.schedule import NotNegative, Positive, gain_at, place_at, table
from tracks.geometry import PathArrays, evaluate, project
from tracks.one_source import clip, equation, select, sine_cosine, wrap_angle

__all__ = ["Stanley", "StanleyTerms", "stanley"]

_STEEPEST = 1.3  # rad: past any road wheel's stop, short of the pole of the tangent
_LEAST_SOFTENING = 1e-3  # m/s

# Slots of the law's state: the steering angle measured last, and whether there is one.
_ANGLE, _KNOWN = 0, 1


class StanleyTerms(NamedTuple):
    """What the answer is made of; the angles add up to tan⁻¹(L κ), short of the steepest.

    Attributes:
        path: the path's own steering angle, rad; 0 without feed-forward.
        heading: of the heading error, rad.
        cross_track: of the lateral error, rad.
        yaw_damping: rad.
        steer_damping: rad.
        curvature: wanted, 1/m, + left.
    """

    path: float
    heading: float
    cross_track: float
    yaw_damping: float
    steer_damping: float
    curvature: float


@equation
def stanley(
    gains: np.ndarray, response: ResponseValues, path: PathArrays, view: View, state: np.ndarray
) -> StanleyTerms:
    """Give the path curvature tan δ / L that the law asks for and its terms (Hoffmann et al. 2007).

    With feed-forward the errors are those of the rear axle, carried to the front one along a path that is
    straight on, and the steering angle of the path's own curvature, read ahead by the lag, is added: on a straight
    the two forms have the same linear part, and in a steady curve this one leaves no error at the rear axle.
    """
    length = response.wheelbase
    place = place_at(gains, view.speed)
    if gain_at(gains, place, 2) > 0.0:
        heading_error = -view.heading_error
        cross_track = -(view.lateral_error + length * sine_cosine(view.heading_error)[0])
        path_angle = np.arctan(length * view.ahead_curvature)
    else:
        # The front axle stands where the body points; the view's heading is less the slip.
        sine, cosine = sine_cosine(view.heading + view.slip)
        s, offset = project(path, view.x + length * cosine, view.y + length * sine, view.s + length)
        heading_error = wrap_angle(evaluate(path, s).heading - view.heading)
        cross_track = -offset
        path_angle = 0.0
    softening = np.maximum(gain_at(gains, place, 1), _LEAST_SOFTENING)
    correction = np.arctan(gain_at(gains, place, 0) * cross_track / (softening + np.maximum(view.speed, 0.0)))
    yaw_damping = -gain_at(gains, place, 3) * (view.yaw_rate - view.speed * view.path_curvature)
    rate = (view.steering_angle - state[_ANGLE]) / np.maximum(view.since, 1e-3)
    steer_damping = -gain_at(gains, place, 4) * select(state[_KNOWN] > 0.0, rate, 0.0)
    state[_ANGLE], state[_KNOWN] = view.steering_angle, 1.0
    angle = path_angle + heading_error + correction + yaw_damping + steer_damping
    curvature = np.tan(clip(angle, -_STEEPEST, _STEEPEST)) / length
    return StanleyTerms(path_angle, heading_error, correction, yaw_damping, steer_damping, curvature)


class Stanley(Law):
    """Heading error at the front axle plus atan(k e / (k_s + v)), with optional damping of yaw and steering.

    On a straight, without softening and damping, its poles are exactly −k and −v/L.
    """

    kernel: ClassVar[int] = 2
    term_units: ClassVar[dict[str, str]] = {
        "path": "rad", "heading": "rad", "cross_track": "rad", "yaw_damping": "rad", "steer_damping": "rad",
        "curvature": "1/m",
    }  # fmt: skip

    gain: Positive = Field(default=1.0, description="1/s: k, rate at which lateral error decays")
    softening: Positive = Field(default=1.0, description="m/s: added to the speed below the line")
    feed_forward: bool = Field(
        default=True, description="add the path's own curvature, with errors of the rear axle"
    )
    yaw_damping: NotNegative = Field(
        default=0.0, description="s: k_r, steering angle against yaw rate beyond the path's"
    )
    steer_damping: NotNegative = Field(
        default=0.0, description="s: k_δ, steering angle against the measured rate of the steering"
    )

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give the gain and the softening speed."""
        return {
            "gain": Gain(0.1, 8.0, True, "1/s", "rate at which lateral error decays"),
            "softening": Gain(0.05, 5.0, True, "m/s", "weakens the law at low speed"),
        }

    def gain_table(self, response: Response, envelope: EnvelopeValues, period: float) -> NDArray[np.float64]:
        """Give gain, softening, feed-forward, damping of yaw and of steering over speed."""
        return table(
            self.gain, self.softening, float(self.feed_forward), self.yaw_damping, self.steer_damping
        )
