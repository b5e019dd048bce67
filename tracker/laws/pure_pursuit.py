"""Pure pursuit: steer on the circle that leads from the rear axle to a point ahead on the path.

Notation: L_d lookahead distance [m], y_g lateral position of the target in the vehicle's axes [m, + left],
κ = 2 y_g / L_d² (R. C. Coulter, CMU-RI-TR-92-01, 1992; formula from memory).
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple, Self

import numpy as np
from pydantic import Field, model_validator

from tracker.laws.base import Gain, Law, View, padded
from tracker.response import Response
from tracks.geometry import PathArrays, evaluate
from tracks.one_source import clip, equation, sine_cosine

__all__ = ["PurePursuit", "PurePursuitGains", "pure_pursuit"]

_ITERATIONS = 12
_CLOSE_ENOUGH = 1e-10  # of the lookahead distance


class PurePursuitGains(NamedTuple):
    """The gains as floats for compiled code; units as in `PurePursuit`."""

    lookahead_time: float
    shortest_lookahead: float
    longest_lookahead: float


@equation
def lookahead_point(path: PathArrays, view: View, lookahead: float):
    """Give the first point of the path, ahead of the vehicle, at the lookahead distance from the rear axle.

    Newton's method on |P(s) − p| = L_d. Where the vehicle is further away than L_d there is no such point;
    then the point that is L_d further along the path than the vehicle is taken.
    """
    offset = np.minimum(np.abs(view.lateral_error), lookahead)
    s = view.s + np.sqrt(lookahead * lookahead - offset * offset)
    if offset >= 0.999 * lookahead:
        return evaluate(path, view.s + lookahead)
    point = evaluate(path, s)
    for _ in range(_ITERATIONS):
        dx, dy = point.x - view.x, point.y - view.y
        distance = np.sqrt(dx * dx + dy * dy)
        away = (dx * point.tangent_x + dy * point.tangent_y) / np.maximum(distance, 1e-9)
        # On a tight bend the path may hardly lead away from the vehicle: keep the step short and forward.
        step = (lookahead - distance) / np.maximum(away, 0.3)
        s += clip(step, -0.5 * lookahead, 0.5 * lookahead)
        point = evaluate(path, s)
        if np.abs(step) < _CLOSE_ENOUGH * lookahead:
            break
    return point


@equation
def pure_pursuit(gains: PurePursuitGains, path: PathArrays, view: View) -> float:
    """Give the curvature of the circle to the lookahead point, 1/m, + left (Coulter 1992)."""
    lookahead = clip(gains.lookahead_time * view.speed, gains.shortest_lookahead, gains.longest_lookahead)
    target = lookahead_point(path, view, lookahead)
    dx, dy = target.x - view.x, target.y - view.y
    sine, cosine = sine_cosine(view.heading)
    lateral = dy * cosine - dx * sine
    return 2.0 * lateral / (dx * dx + dy * dy)


class PurePursuit(Law):
    """Pure pursuit on the rear axle, the lookahead distance proportional to speed between two bounds.

    On a straight its linear form is s² + (2/T) s + 2/T² with T = L_d/V, damped by 1/√2 whatever the gains;
    steering lag and dead time set the smallest stable `lookahead_time`.
    """

    kernel: ClassVar[int] = 1

    lookahead_time: float = Field(
        default=1.5, gt=0, allow_inf_nan=False, description="s: lookahead distance over speed"
    )
    shortest_lookahead: float = Field(default=3.0, gt=0, allow_inf_nan=False, description="m")
    longest_lookahead: float = Field(default=40.0, gt=0, allow_inf_nan=False, description="m")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.longest_lookahead < self.shortest_lookahead:
            raise ValueError(
                f"longest_lookahead is {self.longest_lookahead} m, "
                f"below shortest_lookahead, {self.shortest_lookahead} m"
            )
        return self

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give the two gains that matter: lookahead time, and the distance that holds at low speed."""
        quickest = max(0.25, 1.2 * (response.lag + response.dead_time))
        length = response.wheelbase
        return {
            "lookahead_time": Gain(quickest, 4.0, True, "s", "lookahead distance over speed"),
            "shortest_lookahead": Gain(0.5 * length, 4.0 * length, True, "m", "lookahead at low speed"),
        }

    def gain_values(self) -> np.ndarray:
        """Give the gains in the order of `PurePursuitGains`."""
        return padded(self.lookahead_time, self.shortest_lookahead, self.longest_lookahead)
