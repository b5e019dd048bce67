"""The driver who takes over: looks a second ahead and steers there, holds a speed with the pedals.

A simple driver is enough for what is asked here: to hand the vehicle back off the path, wheels turned, at another speed.
"""

from __future__ import annotations

import numpy as np

from tracks.geometry import evaluate
from tracks.one_source import clip, equation
from tracks.track import TrackArrays
from tuning.vehicle.parameters import PlantParameters
from tuning.vehicle.state import State

__all__ = ["driver_angle", "driver_demand"]

_PREVIEW = 1.2  # s that the driver looks ahead; common practice, no source
_NEAREST = 4.0  # m that the driver looks ahead at least
_PEDAL_GAIN = 0.8  # 1/s
_COMFORTABLE = 2.0  # m/s² that the driver asks of drive or brake at most


@equation
def driver_angle(p: PlantParameters, track: TrackArrays, state: State, s, offset):
    """Give the road-wheel angle (rad, + left) that leads to a point ahead, `offset` [m, + left] beside the path.

    Args:
        p: PlantParameters.
        track: that is driven along.
        state: State.
        s: true arc length, m.
        offset: m.
    """
    ahead = np.maximum(_PREVIEW * np.abs(state.speed), _NEAREST)
    point = evaluate(track.path, s + ahead)
    x = point.x - offset * point.tangent_y - state.x
    y = point.y + offset * point.tangent_x - state.y
    across = y * np.cos(state.heading) - x * np.sin(state.heading)
    curvature = 2.0 * across / (x * x + y * y)
    length = p.wheelbase + p.understeer_gradient * state.speed * state.speed
    return clip(np.arctan(curvature * length), -p.angle_limit, p.angle_limit)


@equation
def driver_demand(speed, held):
    """Give the acceleration (m/s²) that the driver asks for to come from a speed to the one `held`, both m/s."""
    return clip(_PEDAL_GAIN * (held - speed), -_COMFORTABLE, _COMFORTABLE)
