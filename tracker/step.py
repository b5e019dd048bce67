"""One step of a tracker, compiled: perceive the vehicle, ask the law, deliver a command within the envelope.

The bench simulates with these very functions, so what was tuned is what drives.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.laws.base import View
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import COUNT, CURVATURE, MEASURED, NEAR, NEWEST, SPEED, STOP, TIME, Memory, StopReason
from tracker.prediction import driven_curvature, lag_at, predict, rear_slip
from tracker.response import ResponseValues
from tracks.geometry import evaluate, nearest
from tracks.one_source import clip, equation, select, wrap_angle
from tracks.track import TrackArrays, planned_speed

__all__ = ["Options", "asked_curvature", "decide", "deliver", "lost", "perceive", "reference_speed", "usable"]

# A gap longer than this is taken as this long, so that a late step does not let the command jump.
_LONGEST_PERIOD = 0.1  # s
# No measurement is larger, in its unit: a clock that counts from 1970 stands at 2e9 s, a map grid goes to 1e7 m.
# What is larger comes from a fault, and its products could overflow on the way to the command.
_LARGEST = 1e10
# rad. The command's tangent has its pole at π/2; a steering of small gain would otherwise be asked for an angle beyond.
_STEEPEST = 1.5

# `StopReason` as compiled code has it.
_USABLE = int(StopReason.NONE)
_NOT_FINITE = int(StopReason.MEASUREMENT_NOT_FINITE)
_NOT_INCREASING = int(StopReason.TIME_NOT_INCREASING)
_LAW_FAILED = int(StopReason.LAW_FAILED)
_LOST = int(StopReason.LOST)
_ROLLING_BACK = int(StopReason.ROLLING_BACK)

_STANDING = 0.05  # m/s
_FASTEST_BACK = 0.5  # m/s: more than noise about standstill; the laws drive forward
_ACROSS = 0.5 * np.pi  # rad: a vehicle turned further from the path drives against it


class Options(NamedTuple):
    """Settings of a tracker as floats for compiled code."""

    period: float
    speed_factor: float
    compensate_dead_time: float
    lost_beyond: float


@equation
def usable(memory: Memory, time, x, y, heading, speed, yaw_rate, steering_angle):
    """Give 0 for a usable measurement, else the `StopReason`."""
    # The sum of the sizes is bounded only if each is: a NaN or an infinity survives addition.
    total = np.abs(time) + np.abs(x) + np.abs(y) + np.abs(heading)
    total += np.abs(speed) + np.abs(yaw_rate) + np.abs(steering_angle)
    if not total < _LARGEST:
        return _NOT_FINITE
    elif time <= memory.numbers[TIME]:
        return _NOT_INCREASING
    elif speed < -_FASTEST_BACK:
        return _ROLLING_BACK
    else:
        return _USABLE


@equation
def perceive(
    response: ResponseValues, track: TrackArrays, options: Options, memory: Memory,
    time, x, y, heading, speed, yaw_rate, steering_angle,
):  # fmt: skip
    """Give the `View` of a usable measurement, carried forward through the dead time if so set.

    Laws take the rear axle to move where the vehicle points; in a fast curve it slides outward. So they are given
    the heading less the slip of a steady turn on the path: by feed-forward, since side-slip fed back costs margin
    (N. R. Kapania, J. C. Gerdes, Vehicle System Dynamics 53(12), 2015).
    """
    curvature = driven_curvature(response, speed, yaw_rate, steering_angle)
    slip = rear_slip(response, speed, evaluate(track.path, memory.numbers[NEAR]).curvature)
    heading -= slip
    if options.compensate_dead_time > 0.0 and response.dead_time > 0.0:
        x, y, heading, curvature = predict(response, memory, time, x, y, heading, speed, curvature)
    # The guess where it will be saves an iteration.
    s, offset, point = nearest(track.path, x, y, memory.numbers[NEAR] + speed * options.period)
    memory.numbers[NEAR] = s
    heading += slip - rear_slip(response, speed, point.curvature)
    ahead = evaluate(track.path, s + speed * lag_at(response, speed))
    return View(
        time, x, y, heading, speed, curvature, s, offset,
        wrap_angle(heading - point.heading), point.curvature, ahead.curvature,
    )  # fmt: skip


@equation
def lost(options: Options, view: View):
    """Give `StopReason.LOST` for a vehicle too far from the path or across it, else 0."""
    far = np.abs(view.lateral_error) > options.lost_beyond or np.abs(view.heading_error) > _ACROSS
    return _LOST if far else _USABLE


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
def _planned(track: TrackArrays, envelope: EnvelopeValues, options: Options, s):
    """Give (speed, acceleration) of the plan at s, bounded by a stop at the end of an open path."""
    speed, acceleration = planned_speed(track, s)
    speed *= options.speed_factor
    acceleration *= options.speed_factor * options.speed_factor
    remaining = np.maximum(track.path.length - s, 0.0)
    stopping = np.sqrt(2.0 * envelope.deceleration * remaining)
    must_stop = track.path.closed == 0.0 and stopping < speed
    return (
        select(must_stop, stopping, speed),
        select(must_stop, -envelope.deceleration, acceleration),
    )


@equation
def reference_speed(
    response: ResponseValues, track: TrackArrays, envelope: EnvelopeValues, options: Options, s, speed
):
    """Give (speed, acceleration) to ask for at s, read from the plan as far ahead as drive or brake are late.

    s is already carried through the steering's dead time where that is compensated; the lag counts as delay.
    """
    seen = options.compensate_dead_time * response.dead_time
    late_brake = np.maximum(response.brake_dead_time + response.brake_lag - seen, 0.0)
    late_drive = np.maximum(response.drive_dead_time + response.drive_lag - seen, 0.0)
    braking, deceleration = _planned(track, envelope, options, s + speed * late_brake)
    driving, acceleration = _planned(track, envelope, options, s + speed * late_drive)
    brakes = deceleration < 0.0
    return select(brakes, braking, driving), select(brakes, deceleration, np.maximum(acceleration, 0.0))


@equation
def deliver(
    response: ResponseValues, envelope: EnvelopeValues, track: TrackArrays, options: Options, memory: Memory,
    reason, wanted, time, speed, s,
):  # fmt: skip
    """Turn the path curvature that a law wants into a command (curvature, speed, acceleration).

    `reason` is the `StopReason` that was found, 0 for none: from then on the vehicle is brought to a stop, holding
    the curvature when there is no usable measurement to steer by. The stop is kept once asked for.
    """
    numbers = memory.numbers
    last = numbers[CURVATURE]
    since = clip(time - numbers[TIME], 0.0, _LONGEST_PERIOD)
    period = select(numbers[TIME] > -np.inf and reason == _USABLE, since, options.period)
    if reason == _USABLE and not np.abs(wanted) < np.inf:
        reason = _LAW_FAILED
    if reason != _USABLE:
        wanted = last
    measured = reason not in (_NOT_FINITE, _NOT_INCREASING)
    if reason != _USABLE and numbers[STOP] == 0.0:
        numbers[STOP] = float(reason)
        # Down from what the vehicle drives, if that is slower than what was asked: a stop must not speed it up.
        driven = np.maximum(select(measured, speed, numbers[MEASURED]), 0.0)
        numbers[SPEED] = select(numbers[TIME] > -np.inf, np.minimum(numbers[SPEED], driven), driven)
    quick = np.maximum(speed, 0.1)
    bound = np.minimum(envelope.curvature, envelope.lateral_acceleration / (quick * quick))
    step = envelope.curvature_rate * period
    if reason == _USABLE:
        wanted = clip(clip(wanted, -bound, bound), last - step, last + step)
    target, acceleration = reference_speed(response, track, envelope, options, s, speed)
    if numbers[STOP] > 0.0:
        target = np.maximum(np.minimum(numbers[SPEED], target) - envelope.deceleration * period, 0.0)
        moving = target > 0.0 or numbers[MEASURED] > _STANDING
        acceleration = select(moving, -envelope.deceleration, 0.0)
    acceleration = clip(acceleration, -envelope.deceleration, envelope.acceleration)
    if acceleration < 0.0 and target > 0.0 and numbers[STOP] == 0.0:
        # Braking ahead of the plan would end in a stop short of the goal: fade the feed-forward out.
        acceleration *= clip(speed / target, 0.0, 1.0)
    if measured:
        numbers[TIME] = time
        numbers[MEASURED] = speed
    newest = (int(numbers[NEWEST]) + 1) % memory.times.shape[0]
    memory.times[newest] = select(measured, time, numbers[TIME])
    memory.curvatures[newest] = wanted
    numbers[NEWEST] = float(newest)
    numbers[COUNT] = np.minimum(numbers[COUNT] + 1.0, float(memory.times.shape[0]))
    numbers[CURVATURE] = wanted
    numbers[SPEED] = target
    return asked_curvature(response, wanted, speed), target, acceleration


@equation
def decide(
    kernel, gains, response: ResponseValues, envelope: EnvelopeValues, track: TrackArrays, options: Options,
    memory: Memory, time, x, y, heading, speed, yaw_rate, steering_angle,
):  # fmt: skip
    """One whole step of a closed-form law: give the command (curvature, speed, acceleration)."""
    reason = usable(memory, time, x, y, heading, speed, yaw_rate, steering_angle)
    if reason != _USABLE:
        return deliver(
            response, envelope, track, options, memory, reason, 0.0, time, memory.numbers[MEASURED],
            memory.numbers[NEAR],
        )  # fmt: skip
    view = perceive(response, track, options, memory, time, x, y, heading, speed, yaw_rate, steering_angle)
    wanted = wanted_curvature(kernel, gains, response, track.path, view)
    reason = lost(options, view)
    return deliver(response, envelope, track, options, memory, reason, wanted, time, speed, view.s)
