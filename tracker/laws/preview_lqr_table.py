"""The preview law's gains over speed, as compiled code takes them."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from tracker.laws.preview_lqr_design import Foresight, Weights, optimal, preview_weights, stage_cost
from tracker.laws.preview_lqr_model import STATES, error_plant, tyres_known, understeer_of
from tracker.prediction import lag_at
from tracker.response import ResponseValues
from tracker.schedule import KNOTS, Schedule

__all__ = ["FEEDBACK", "FEED_FORWARD", "PREVIEW", "SPACING", "Tolerances", "design_speeds", "gain_rows"]

# Places of the gains in the table, as `gain_at` counts them.
FEED_FORWARD = 0  # 1.0 or 0.0
SPACING = 1  # length of a stretch of the preview, s
FEEDBACK = 2  # of the STATES, in their order
PREVIEW = FEEDBACK + STATES  # of the path's mean curvature over each stretch

_CREEP = 0.2  # 1/s, times the wheelbase: the lowest speed designed for; at rest no input moves the errors
_FASTEST = 12.0  # times √(g L): 63 m/s for a car, 15 m/s for one of a tenth of its size
_SHORT_OF_CRITICAL = 0.8  # of the speed at which an oversteering vehicle cannot be steered any more
_STRETCH = 0.05  # s: what the preview resolves; a fraction of what any by-wire steering takes to answer
_GRAVITY = 9.81  # m/s²


class Tolerances(NamedTuple):
    """Settings of the law, each a number or a schedule over speed; units as in `PreviewLQR`."""

    lateral: float | Schedule
    heading: float | Schedule
    velocity: float | Schedule
    rate: float | Schedule
    jerk: float | Schedule
    integral_rate: float
    preview_time: float
    smoothing: float
    feed_forward: bool


def design_speeds(response: ResponseValues) -> NDArray[np.float64]:
    """Give the speeds that gains are designed for, in geometric progression, m/s, shape (KNOTS,).

    Beyond them the gains of the nearest hold.
    """
    length = response.wheelbase
    understeer = understeer_of(response) if tyres_known(response) else 0.0
    fastest = _FASTEST * np.sqrt(_GRAVITY * length)
    if understeer < 0.0:
        fastest = min(fastest, _SHORT_OF_CRITICAL * np.sqrt(-length / understeer))
    slowest = _CREEP * length
    return np.geomspace(slowest, max(fastest, 2.0 * slowest), KNOTS)


def gain_rows(response: ResponseValues, period: float, tolerances: Tolerances) -> NDArray[np.float64]:
    """Give the table of gains: row 0 the speeds, then for each gain its values and its slopes, `tracker.schedule`.

    Args:
        response: what is known of the vehicle.
        period: between two commands, s.
        tolerances: the law's settings.
    """
    return _designed(response, period, tolerances).copy()


# A study asks for each candidate's gains once on every course.
@lru_cache(maxsize=64)
def _designed(response: ResponseValues, period: float, tolerances: Tolerances) -> NDArray[np.float64]:
    speeds = design_speeds(response)
    lateral, heading, velocity, rate, jerk = (_over(value, speeds) ** -2 for value in tolerances[:5])
    integral = tolerances.integral_rate > 0.0
    weights = Weights(lateral, heading, velocity, lateral * tolerances.integral_rate**2, rate, jerk)
    plant = error_plant(response, speeds, period, integral)
    q, r = stage_cost(plant, weights, speeds, period)
    k, p = optimal(plant, q, r)
    steps = max(1, round(_STRETCH / period))
    count = max(2, round(tolerances.preview_time / (steps * period)))
    stretch = steps * period
    leads = np.array([round(float(lag_at(response, float(speed))) / stretch) for speed in speeds])
    leads = steps * np.clip(leads, 1, max(1, count - 1))
    gains = np.zeros((PREVIEW + count, speeds.size))
    gains[FEED_FORWARD] = float(tolerances.feed_forward)
    gains[SPACING] = stretch
    gains[[FEEDBACK + place for place in plant.places]] = k.T
    if tolerances.feed_forward:
        gains[PREVIEW:] = preview_weights(
            plant, r, k, p, Foresight(steps, count, leads, 1.0 - tolerances.smoothing)
        ).T
    rows = np.empty((1 + 2 * gains.shape[0], speeds.size))
    rows[0], rows[1::2], rows[2::2] = speeds, gains, _slopes(speeds, gains)
    return rows


def _over(value: float | Schedule, speeds: NDArray[np.float64]) -> NDArray[np.float64]:
    return value.at(speeds) if isinstance(value, Schedule) else np.full(speeds.size, float(value))


def _slopes(speeds: NDArray[np.float64], gains: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the slopes of a monotone cubic at its knots, 0 at both ends, where the gains go on unchanged."""
    slopes = PchipInterpolator(speeds, gains, axis=1).derivative()(speeds)
    slopes[:, [0, -1]] = 0.0
    return slopes
