"""Stand-by: what the tracker asks for while a driver steers, so that engaging makes no jump.

The command follows the vehicle (bumpless transfer, K. J. Åström, R. M. Murray, Feedback Systems, ch. on PID control:
from memory) and the memory stays current; so the first engaged command starts from what the vehicle does.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.memory import (
    CURVATURE,
    DEMAND,
    HELD,
    MEASURED,
    NEAR,
    PACE,
    RESUMING,
    SPEED,
    STOP,
    TIME,
    Memory,
    StopReason,
    keep_command,
)
from tracker.options import Options
from tracker.perceiving import usable
from tracker.prediction import driven_curvature
from tracker.reckoning import reckon
from tracker.response import ResponseValues
from tracker.step import asked_curvature
from tracks.geometry import project
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays

__all__ = ["restart", "stand_by"]

_DEMANDED = int(StopReason.DEMANDED)
_RELEASABLE = 3.0  # in DEMAND: category 2, power kept


@equation
def stand_by(
    response: ResponseValues, envelope: EnvelopeValues, track: TrackArrays, options: Options, memory: Memory,
    time, x, y, heading, speed, yaw_rate, steering_angle, pose_age,
):  # fmt: skip
    """Give the command (curvature, speed, acceleration) that matches what the vehicle does, and keep the memory.

    A stop is over, since engaging anew is a new start; so is a demand of category 0 or 1 that was obeyed. A demand of
    category 2 lasts until it is released, and one given in stand-by waits for the engagement. Any new pose is
    believed. An unusable measurement repeats the last command. The measurement is as `along_travel` gives it.
    """
    numbers = memory.numbers
    if numbers[STOP] == float(_DEMANDED) and numbers[DEMAND] < _RELEASABLE:
        numbers[DEMAND] = 0.0
    numbers[STOP] = 0.0
    numbers[RESUMING] = 1.0
    numbers[HELD] = 1.0
    for i in range(memory.law.shape[0]):
        memory.law[i] = 0.0
    if usable(memory, time, x, y, heading, speed, yaw_rate, steering_angle, pose_age) == 0:
        driven = driven_curvature(response, speed, yaw_rate, steering_angle)
        x, y, _ = reckon(
            response, options, memory, time, x, y, heading, speed, yaw_rate, driven, pose_age, True
        )
        numbers[NEAR], _ = project(track.path, x, y, numbers[NEAR] + speed * options.period)
        limited = clip(driven, -envelope.curvature, envelope.curvature)
        # An oversteering vehicle at its critical speed has no steady turn.
        keep_command(memory, time, select(np.abs(limited) < np.inf, limited, numbers[CURVATURE]))
        numbers[TIME], numbers[MEASURED], numbers[SPEED] = time, speed, np.maximum(speed, 0.0)
        numbers[HELD], numbers[PACE] = 0.0, speed
    asked = asked_curvature(response, numbers[CURVATURE], numbers[PACE])
    return track.direction * asked, track.direction * numbers[SPEED], 0.0


def restart(runner: Any, curvature: float) -> None:
    """Let the runner of a law in Python start anew, where it can; `curvature` is driven now, 1/m, + left."""
    again = getattr(runner, "restart", None)
    if again is not None:
        again(float(curvature))
