"""The highest speeds at which a vehicle can hold a track: what the plan asks for where it is drivable, else less.

Made once for a drive, over the whole track, so that the horizon need not be as long as the longest braking.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.envelope import EnvelopeValues
from tracks import Track
from tracks.speed_plan import plan_speed

__all__ = ["holdable_speed"]

# A plan that a limit cuts by no more than this keeps its own numbers.
_SAME = 1e-6
# Of the limit on curvature. A survey's curvature is no better known.
_SPARE = 1.02
_SLOWEST = 1e-3  # m/s: what stands for 0 where a plan must be positive
# Nodes to a wheelbase at which changes of curvature are looked for.
_LOOKS = 4


def holdable_speed(
    track: Track,
    envelope: EnvelopeValues,
    length: float,
    creep: float,
    speed_factor: float,
) -> NDArray[np.float64]:
    """Give the speed at the nodes, m/s (n + 1,): the plan's, no more than limits allow, under acceleration limits.

    - lateral acceleration: v² |κ| within the limit;
    - rates: the path's curvature changes by Δκ over one `length`, so v Δκ/length within the limit of the curvature's
      rate and v³ Δκ/length within that of the lateral jerk. Over a length, not by the slope: the noise of a survey
      has slopes that no vehicle follows, and a jump within a wheelbase costs millimetres (length² Δκ/24 or so);
    - curvature: where |κ|, mean over a length, is beyond the limit, `creep`, since no speed can hold it;
    - acceleration and deceleration within the envelope.

    Args:
        track: its path and plan.
        envelope: limits on what is asked for.
        length: the wheelbase, m.
        creep: speed where nothing helps, m/s.
        speed_factor: of the plan.
    """
    planned = speed_factor * track.speed
    top = np.minimum(planned, _steering_bound(track, envelope, length, creep))
    # An open plan ends at rest with its own last value; `plan_speed` wants speeds above 0.
    able = plan_speed(
        track.path, np.maximum(top, _SLOWEST), lateral_acceleration=envelope.lateral_acceleration,
        acceleration=envelope.acceleration, deceleration=envelope.deceleration,
    )  # fmt: skip
    return np.where(able >= (1.0 - _SAME) * planned, planned, np.minimum(able, planned))


def _steering_bound(
    track: Track, envelope: EnvelopeValues, length: float, creep: float
) -> NDArray[np.float64]:
    """Give the highest speed at the nodes for which the steering can follow the path's curvature, m/s (n + 1,)."""
    path = track.path
    steps = np.arange(-_LOOKS, _LOOKS + 1) * (length / _LOOKS)
    at = path.s[:, None] + steps
    at = np.mod(at, path.length) if path.closed else np.clip(at, 0.0, path.length)
    heading = np.interp(at, path.s, path.heading)
    curvature = np.interp(at, path.s, path.curvature)
    change = np.abs(curvature[:, _LOOKS:] - curvature[:, : _LOOKS + 1]).max(axis=1) / length
    change = np.maximum(change, 1e-12)
    bound = np.minimum(envelope.curvature_rate / change, np.cbrt(envelope.lateral_jerk / change))
    turn = np.abs(np.mod(heading[:, -1] - heading[:, 0] + np.pi, 2.0 * np.pi) - np.pi) / (2.0 * length)
    return np.where(turn > _SPARE * envelope.curvature, np.minimum(bound, creep), bound)
