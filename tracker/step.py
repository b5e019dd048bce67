"""One step of a tracker, compiled: perceive the vehicle, ask the law, deliver a command within the envelope.

The bench simulates with these very functions, so what was tuned is what drives.
"""

from __future__ import annotations

import numpy as np

from tracker.envelope import EnvelopeValues, curvature_bound, curvature_step
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import (
    CURVATURE,
    HELD,
    MEASURED,
    NEAR,
    PACE,
    SPEED,
    TIME,
    Memory,
    StopReason,
    keep_command,
)
from tracker.options import Options
from tracker.perceiving import lost, perceive, since_last, usable
from tracker.response import ResponseValues
from tracker.speed_command import commanded_speed, note_stop
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays

__all__ = ["NO_SPEED", "asked_curvature", "decide", "deliver"]

NO_SPEED = np.inf  # m/s, of a law that leaves the speed to the plan

# rad. The command's tangent has its pole at π/2; a steering of small gain would otherwise be asked for an angle beyond.
_STEEPEST = 1.5

# `StopReason` as compiled code has it.
_USABLE = int(StopReason.NONE)
_NOT_FINITE = int(StopReason.MEASUREMENT_NOT_FINITE)
_NOT_INCREASING = int(StopReason.TIME_NOT_INCREASING)
_LAW_FAILED = int(StopReason.LAW_FAILED)


@equation
def asked_curvature(response: ResponseValues, wanted, speed):
    """Give the command that makes the vehicle drive a path curvature in a steady turn, 1/m.

    The steering angle atan(κ (L + K v²)) is corrected by the identified offset and gain of the steering; where the
    gain is too small for it, as much is asked for as the interface can say.
    """
    length = response.wheelbase + response.understeer_gradient * speed * speed
    angle = clip(np.arctan(wanted * length), -response.angle_limit, response.angle_limit)
    asked = clip((angle - response.offset) / response.gain, -_STEEPEST, _STEEPEST)
    return np.tan(asked) / response.wheelbase


@equation
def deliver(
    response: ResponseValues, envelope: EnvelopeValues, track: TrackArrays, options: Options, memory: Memory,
    reason, wanted, law_speed, law_acceleration, time, speed, s,
):  # fmt: skip
    """Turn the path curvature that a law wants into a command (curvature, speed, acceleration), for a vehicle that may
    back up.

    `law_speed` [m/s] and `law_acceleration` [m/s²] are what the law wants to ask for: infinite and 0 for a law that
    leaves the speed to the plan. `speed` is the one measured [m/s]; what depends on a speed takes the one believed.

    `reason` is the `StopReason` that was found, 0 for none: from then on the vehicle is brought to a stop, holding
    the curvature when there is no usable measurement to steer by. A demanded stop (slot DEMAND of the memory) and one
    for want of a believed pose are found here, and keep steering. The stop is kept once asked for, but for a
    demand of category 2 that is released.
    """
    numbers = memory.numbers
    last, pace = numbers[CURVATURE], numbers[PACE]
    period = select(reason == _USABLE, since_last(options, memory, time), options.period)
    if reason == _USABLE and not np.abs(wanted) < np.inf:
        reason = _LAW_FAILED
    measured = reason not in (_NOT_FINITE, _NOT_INCREASING)
    note_stop(options, memory, reason, time)
    bound, step = curvature_bound(envelope, pace), curvature_step(envelope, pace, period)
    if reason == _USABLE:
        wanted = clip(clip(wanted, -bound, bound), last - step, last + step)
    else:
        wanted = last
    target, acceleration = commanded_speed(
        response, track, envelope, options, memory, period, s, pace, law_speed, law_acceleration
    )
    if measured:
        numbers[TIME] = time
        numbers[MEASURED] = speed
    numbers[HELD] = select(measured, 0.0, 1.0)
    keep_command(memory, select(measured, time, numbers[TIME]), wanted)
    numbers[SPEED] = target
    direction = track.direction
    return direction * asked_curvature(response, wanted, pace), direction * target, direction * acceleration


@equation
def decide(
    kernel, gains, response: ResponseValues, envelope: EnvelopeValues, track: TrackArrays, options: Options,
    memory: Memory, time, x, y, heading, speed, yaw_rate, steering_angle, pose_age,
):  # fmt: skip
    """One whole step of a closed-form law: give the command (curvature, speed, acceleration).

    The measurement is as `along_travel` gives it.
    """
    reason = usable(memory, time, x, y, heading, speed, yaw_rate, steering_angle, pose_age)
    if reason != _USABLE:
        return deliver(
            response, envelope, track, options, memory, reason, 0.0, NO_SPEED, 0.0, time,
            memory.numbers[MEASURED], memory.numbers[NEAR],
        )  # fmt: skip
    view = perceive(
        response, track, options, memory, time, x, y, heading, speed, yaw_rate, steering_angle, pose_age
    )
    wanted = wanted_curvature(kernel, gains, response, track.path, view, memory.law)
    reason = lost(options, view)
    return deliver(
        response, envelope, track, options, memory, reason, wanted, NO_SPEED, 0.0, time, speed, view.s
    )
