"""What the steering had to do: its rate, time spent at a limit, and reversals."""

from __future__ import annotations

import math

import numpy as np

from tracks.one_source import equation
from tuning.measures.base import Measure, Recording
from tuning.measures.tracking import rms

__all__ = ["MEASURES", "REVERSAL", "count_reversals", "effort"]

# rad of the road wheels: 2° of a hand wheel geared 16:1, the usual gap of the steering reversal rate (from memory
# of SAE J2944). Less is not felt by riders and costs the actuator little.
REVERSAL = math.radians(2.0) / 16.0
_AT_LIMIT = 0.99  # of a limit: a lagging actuator closes in on its stop without end

MEASURES = (
    Measure(
        "steering_rate_rms", "rad/s", "root mean square of the road wheels' steering rate",
        "common practice, no source",
    ),
    Measure(
        "time_saturated", "%", "share of the time at the rate or angle limit of the steering",
        "common practice, no source",
    ),
    Measure(
        "steering_reversals", "1/km", "reversals of the steering by 2° of a hand wheel geared 16:1 or more",
        "in the manner of SAE J2944 (from memory)",
    ),
)  # fmt: skip


@equation
def count_reversals(angle: np.ndarray, gap: float) -> int:
    """Count the turning points of an angle (rad, shape (n,)) between moves of at least `gap` either way."""
    low = high = angle[0]
    direction = 0
    count = 0
    for i in range(1, angle.size):
        low, high = min(low, angle[i]), max(high, angle[i])
        if direction >= 0 and high - angle[i] >= gap:
            count += direction
            direction, low, high = -1, angle[i], angle[i]
        elif direction <= 0 and angle[i] - low >= gap:
            count -= direction
            direction, low, high = 1, angle[i], angle[i]
    return count


def effort(record: Recording) -> dict[str, float]:
    """Give RMS steering rate (rad/s), share of time at a limit (%) and reversals a kilometre, over the run."""
    rate = record.steering_rate
    at_limit = (np.abs(rate) >= _AT_LIMIT * record.rate_limit) | (
        np.abs(record.steering_angle) >= _AT_LIMIT * record.angle_limit
    )
    kilometres = float(record.s[-1] - record.s[0]) / 1000.0
    reversals = count_reversals(record.steering_angle, REVERSAL)
    return {
        "steering_rate_rms": rms(rate),
        "time_saturated": 100.0 * np.count_nonzero(at_limit) / rate.size,
        "steering_reversals": reversals / kilometres if kilometres > 0.0 else math.nan,
    }
