"""The Stanley law: heading error plus a cross-track term that weakens with speed.

Notation: δ road-wheel angle [rad, + left], θ_e path heading − vehicle heading at the front axle [rad],
e lateral position of the path from the front axle [m, + left], v speed [m/s], k gain [1/s], k_s softening [m/s]:
δ = θ_e + atan(k e / (k_s + v)) (G. M. Hoffmann, C. J. Tomlin, M. Montemerlo, S. Thrun, ACC 2007).
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

import numpy as np
from pydantic import Field

from tracker.laws.base import Gain, Law, View, padded
from tracker.response import Response, ResponseValues
from tracks.geometry import PathArrays, evaluate, project
from tracks.one_source import clip, equation, wrap_angle

__all__ = ["Stanley", "StanleyGains", "stanley"]

_STEEPEST = 1.3  # rad: past any road wheel's stop, short of the pole of the tangent


class StanleyGains(NamedTuple):
    """The gains as floats for compiled code; units as in `Stanley`."""

    gain: float
    softening: float
    feed_forward: float


@equation
def stanley(gains: StanleyGains, response: ResponseValues, path: PathArrays, view: View) -> float:
    """Give the path curvature tan δ / L that the law asks for, 1/m, + left (Hoffmann et al. 2007).

    With feed-forward the errors are those of the rear axle, carried to the front one along a path that is
    straight on, and the steering angle of the path's own curvature, read ahead by the lag, is added: on a straight
    the two forms have the same linear part, and in a steady curve this one leaves no error at the rear axle.
    """
    length = response.wheelbase
    if gains.feed_forward > 0.0:
        heading_error = -view.heading_error
        cross_track = -(view.lateral_error + length * np.sin(view.heading_error))
        path_angle = np.arctan(length * view.ahead_curvature)
    else:
        front_x = view.x + length * np.cos(view.heading)
        front_y = view.y + length * np.sin(view.heading)
        s, offset = project(path, front_x, front_y, view.s + length)
        heading_error = wrap_angle(evaluate(path, s).heading - view.heading)
        cross_track = -offset
        path_angle = 0.0
    correction = np.arctan(gains.gain * cross_track / (gains.softening + np.maximum(view.speed, 0.0)))
    angle = clip(path_angle + heading_error + correction, -_STEEPEST, _STEEPEST)
    return np.tan(angle) / length


class Stanley(Law):
    """Heading error at the front axle plus atan(k e / (k_s + v)).

    On a straight, without softening, its poles are exactly −k and −v/L.
    """

    kernel: ClassVar[int] = 2

    gain: float = Field(
        default=1.0, gt=0, allow_inf_nan=False, description="1/s: k, rate at which lateral error decays"
    )
    softening: float = Field(
        default=1.0, ge=1e-3, allow_inf_nan=False, description="m/s: added to the speed below the line"
    )
    feed_forward: bool = Field(
        default=True, description="add the path's own curvature, with errors of the rear axle"
    )

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give the gain and the softening speed."""
        return {
            "gain": Gain(0.1, 8.0, True, "1/s", "rate at which lateral error decays"),
            "softening": Gain(0.05, 5.0, True, "m/s", "weakens the law at low speed"),
        }

    def gain_values(self) -> np.ndarray:
        """Give the gains in the order of `StanleyGains`."""
        return padded(self.gain, self.softening, float(self.feed_forward))
