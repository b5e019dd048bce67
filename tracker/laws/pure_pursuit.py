"""Pure pursuit: steer on the circle that leads from the rear axle to a point ahead on the path.

Notation: L_d lookahead distance [m], y_g lateral position of the target in the vehicle's axes [m, + left],
κ = 2 y_g / L_d² (R. C. Coulter, CMU-RI-TR-92-01, 1992; formula from memory).

On a curve of changing curvature the circle cuts the corner. With feed-forward the path's own curvature, read ahead by
the lag, takes the place of what a vehicle on the path would pursue, so that only errors are pursued:
κ = κ_path + κ(vehicle) − κ(vehicle on the path). On straights and arcs the two forms have the same linear part.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from tracker.envelope import EnvelopeValues
from tracker.laws.base import Gain, Law, View
from tracker.response import Response, ResponseValues
from tracker.schedule import (
    KNOTS,
    NotNegative,
    Place,
    Positive,
    Schedule,
    gain_at,
    place_at,
    table,
    value_at,
)
from tracks.geometry import PathArrays, evaluate
from tracks.one_source import clip, close, equation, select, sine_cosine

__all__ = ["PurePursuit", "PurePursuitTerms", "pure_pursuit"]

_ITERATIONS = 12
_CLOSE_ENOUGH = 1e-10  # of the lookahead distance
_STRAIGHT = 1e-9  # 1/m
_STANDING = 0.5  # m/s: below it nothing is integrated
_MOST = 0.5  # m: the lateral offset that the integral may stand for
_SAME = 1e-9  # 1/m: the envelope let pass what was wanted
_LASTING = 0.3  # m: a larger lateral error is one that the vehicle comes back from, none that lasts

# Slots of the law's state.
_INTEGRAL, _WANTED = 0, 1


class PurePursuitTerms(NamedTuple):
    """What the answer is made of; the curvatures add up to `curvature`.

    Attributes:
        lookahead: distance to the target, m.
        pursuit: of the circle to the target, 1/m, + left.
        feed_forward: the path's curvature less what a vehicle on the path would pursue, 1/m; 0 without feed-forward.
        integral: 1/m.
        curvature: wanted, 1/m, + left.
    """

    lookahead: float
    pursuit: float
    feed_forward: float
    integral: float
    curvature: float


@equation
def lookahead_point(path: PathArrays, x, y, s, offset, lookahead):
    """Give the point of the path, ahead of s, at the lookahead distance from the rear axle at (x, y), all m.

    Newton's method on |P(s) − p| = L_d, so it lies on the path itself. Where the vehicle, `offset` from the path, is
    further away than L_d there is no such point; then the one L_d further along the path than the vehicle is taken.
    """
    aside = np.minimum(np.abs(offset), lookahead)
    far = aside >= 0.999 * lookahead
    ahead = s + select(far, lookahead, np.sqrt(lookahead * lookahead - aside * aside))
    point = evaluate(path, ahead)
    for _ in range(_ITERATIONS):
        dx, dy = point.x - x, point.y - y
        distance = np.sqrt(dx * dx + dy * dy)
        away = (dx * point.tangent_x + dy * point.tangent_y) / np.maximum(distance, 1e-9)
        # On a tight bend the path may hardly lead away from the vehicle: keep the step short and forward.
        step = clip((lookahead - distance) / np.maximum(away, 0.3), -0.5 * lookahead, 0.5 * lookahead)
        step = select(far, 0.0, step)
        ahead += step
        point = evaluate(path, ahead)
        if close(step, _CLOSE_ENOUGH * lookahead):
            break
    return point


@equation
def circle_to(path: PathArrays, x, y, heading, s, offset, lookahead):
    """Give the curvature of the circle from a pose (m, rad) to the lookahead point, 1/m, + left (Coulter 1992)."""
    target = lookahead_point(path, x, y, s, offset, lookahead)
    dx, dy = target.x - x, target.y - y
    sine, cosine = sine_cosine(heading)
    return 2.0 * (dy * cosine - dx * sine) / (dx * dx + dy * dy)


@equation
def lookahead_of(gains: np.ndarray, place: Place, path: PathArrays, view: View) -> float:
    """Give the lookahead distance, m: by speed, and in bends no longer than the height of its chord allows."""
    shortest = gain_at(gains, place, 1)
    lookahead = clip(gain_at(gains, place, 0) * view.speed, shortest, gain_at(gains, place, 2))
    height = gain_at(gains, place, 3)
    bend = np.maximum(np.abs(view.path_curvature), np.abs(evaluate(path, view.s + lookahead).curvature))
    # A chord of length L_d over an arc of curvature κ is κ L_d²/8 high.
    chord = np.sqrt(8.0 * height / np.maximum(bend, _STRAIGHT))
    return select(height > 0.0, np.maximum(np.minimum(lookahead, chord), shortest), lookahead)


@equation
def pure_pursuit(
    gains: np.ndarray, response: ResponseValues, path: PathArrays, view: View, state: np.ndarray
) -> PurePursuitTerms:
    """Give the curvature wanted and its terms, and bring the integral in `state` up to date.

    The integral is frozen while the envelope limits the command, far from the path and at standstill.
    """
    place = place_at(gains, view.speed)
    lookahead = lookahead_of(gains, place, path, view)
    pursuit = circle_to(path, view.x, view.y, view.heading, view.s, view.lateral_error, lookahead)
    feed_forward = 0.0
    if gain_at(gains, place, 4) > 0.0:
        on = evaluate(path, view.s)
        feed_forward = view.ahead_curvature - circle_to(path, on.x, on.y, on.heading, view.s, 0.0, lookahead)
    rate = gain_at(gains, place, 5)
    most = _MOST / np.maximum(rate, 1e-9)
    free = np.abs(view.asked - state[_WANTED]) < _SAME
    step = select(free, view.since * view.lateral_error, 0.0)
    step = select(np.abs(view.lateral_error) < _LASTING, step, 0.0)
    step = select(view.speed > _STANDING, step, 0.0)
    state[_INTEGRAL] = clip(state[_INTEGRAL] + step, -most, most)
    integral = -2.0 * rate * state[_INTEGRAL] / (lookahead * lookahead)
    state[_WANTED] = pursuit + feed_forward + integral
    return PurePursuitTerms(lookahead, pursuit, feed_forward, integral, pursuit + feed_forward + integral)


class PurePursuit(Law):
    """Pure pursuit on the rear axle, the lookahead distance proportional to speed between two bounds.

    On a straight its linear form is s² + (2/T) s + 2/T² with T = L_d/V, damped by 1/√2 whatever the gains;
    steering lag and dead time set the smallest stable `lookahead_time`. Reversing, it pursues a point behind the
    vehicle with the rear axle, which is the same law in the direction of travel.
    """

    kernel: ClassVar[int] = 1
    term_units: ClassVar[dict[str, str]] = {
        "lookahead": "m", "pursuit": "1/m", "feed_forward": "1/m", "integral": "1/m", "curvature": "1/m",
    }  # fmt: skip

    lookahead_time: Positive = Field(default=1.5, description="s: lookahead distance over speed")
    shortest_lookahead: Positive = Field(default=3.0, description="m")
    longest_lookahead: Positive = Field(default=40.0, description="m")
    chord_height: NotNegative = Field(
        default=0.0,
        description="m: in bends the lookahead is shortened until its chord is no higher over the arc; 0: never",
    )
    feed_forward: bool = Field(
        default=True, description="steer by the path's own curvature and pursue errors only; else cut corners"
    )
    integral: NotNegative = Field(
        default=0.0, description="1/s: rate at which a lasting lateral error is integrated; 0: not"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for speed in _knots(self.shortest_lookahead, self.longest_lookahead):
            shortest, longest = (
                value_at(self.shortest_lookahead, speed),
                value_at(self.longest_lookahead, speed),
            )
            if longest < shortest:
                raise ValueError(
                    f"longest_lookahead is {longest:g} m, below shortest_lookahead, {shortest:g} m"
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

    def gain_table(self, response: Response, envelope: EnvelopeValues, period: float) -> NDArray[np.float64]:
        """Give lookahead time, shortest and longest lookahead, chord height, feed-forward and integral over speed."""
        return table(
            self.lookahead_time, self.shortest_lookahead, self.longest_lookahead, self.chord_height,
            float(self.feed_forward), self.integral,
        )  # fmt: skip


def _knots(*gains: float | Schedule) -> list[float]:
    """Give the speeds at which gains may stand in another order than between them."""
    speeds = {0.0, *(speed for gain in gains if isinstance(gain, Schedule) for speed in gain.speeds)}
    return sorted(speeds)[: 2 * KNOTS]
