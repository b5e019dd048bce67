"""The predictive law where no bound is active: an affine law, whose gains its programme's own matrices give."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.response import Response
from tracks import Arc, Path, Straight, Track

if TYPE_CHECKING:
    from tracker.laws.mpc import MPC

__all__ = ["Feedback", "mpc_feedback"]

_STEP = 1e-3  # of a view's field, in its unit; any would do, as the law is affine
_SPARE = 20.0  # m of path beyond the horizon


class Feedback(NamedTuple):
    """The curvature wanted [1/m] by field of the `View`, at a steady turn; a field that is left out has no part.

    Attributes:
        lateral_error: 1/m².
        heading_error: 1/m per rad; of the body's heading, so of `slip` too, where tyres are known.
        rear_velocity: 1/m per m/s; 0 where no tyres are known.
        yaw_rate: 1/m per rad/s; 0 where no tyres are known.
        steered: 1.
        asked: 1; of the last command.
        feed_forward: 1/m: what is wanted in the steady turn itself, its curvature.
    """

    lateral_error: float
    heading_error: float
    rear_velocity: float
    yaw_rate: float
    steered: float
    asked: float
    feed_forward: float


def mpc_feedback(
    law: MPC,
    response: Response,
    envelope: EnvelopeValues,
    period: float,
    speed: float,
    curvature: float = 0.0,
) -> Feedback:
    """Give the law's unbounded optimum about a steady turn at constant speed, exact to rounding.

    The first input is −e₀ᵀ H⁻¹ f with the programme's Hessian H and gradient f, and f is affine in the view.

    Args:
        law: with its gains, its horizon and its moves.
        response: what the law believes of the vehicle.
        envelope: limits; they do not matter here.
        period: time between two commands, s.
        speed: m/s, above 0.
        curvature: of the path, 1/m, + left.
    """
    length = speed * (period + law.horizon * law.step) + law.reach + _SPARE
    length += speed * speed / (2.0 * envelope.deceleration)  # beyond the stop at the end of a path
    path = Path.from_segments([Arc(length, curvature) if curvature else Straight(length)])
    track = Track("steady turn", path, np.full(path.s.size, float(speed)))
    runner = law.with_gains({"plans_speed": False}).start(response, envelope, track, period, 1.0)
    first = np.zeros(runner._work.gradient.size)
    first[0] = 1.0

    def gradient(**change: float) -> np.ndarray:
        view = runner.steady_view(0.0, speed)
        runner.prepare(view._replace(**{name: getattr(view, name) + by for name, by in change.items()}))
        return runner._work.gradient.copy()

    nominal = gradient()
    row = -np.linalg.solve(runner._work.hessian, first)  # H is symmetric
    gains = {
        name: float(row @ (gradient(**{name: _STEP}) - nominal)) / _STEP
        for name in Feedback._fields
        if name != "feed_forward"
    }
    return Feedback(**gains, feed_forward=float(row @ nominal))
