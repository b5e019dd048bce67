"""From a measurement to what a law sees: is it usable, where is the vehicle, and where against the path?"""

from __future__ import annotations

import numpy as np

from tracker.laws.base import View
from tracker.memory import CURVATURE, HELD, NEAR, PACE, REAR_VELOCITY, TIME, Memory, StopReason
from tracker.options import Options
from tracker.prediction import driven_curvature, lag_at, predict, rear_slip, steered_curvature
from tracker.reckoning import reckon
from tracker.response import ResponseValues
from tracks.geometry import evaluate, nearest
from tracks.one_source import clip, equation, select, wrap_angle
from tracks.track import TrackArrays

__all__ = ["along_travel", "believed_speed", "lost", "perceive", "since_last", "usable"]

# No measurement is larger, in its unit: a clock that counts from 1970 stands at 2e9 s, a map grid goes to 1e7 m.
# What is larger comes from a fault, and its products could overflow on the way to the command.
_LARGEST = 1e10

# `StopReason` as compiled code has it.
_USABLE = int(StopReason.NONE)
_NOT_FINITE = int(StopReason.MEASUREMENT_NOT_FINITE)
_NOT_INCREASING = int(StopReason.TIME_NOT_INCREASING)
_LOST = int(StopReason.LOST)
_ROLLING_BACK = int(StopReason.ROLLING_BACK)

_QUICKEST = 20.0  # m/s²: twice what tyres can do; common practice, no source
_FASTEST_BACK = 0.5  # m/s: more than noise about standstill; the laws drive forward
_ACROSS = 0.5 * np.pi  # rad: a vehicle turned further from the path drives against it


# A gap longer than this is taken as this long, so that a late step does not let the command jump.
_LONGEST_PERIOD = 0.1  # s


@equation
def along_travel(track: TrackArrays, heading, speed, steering_angle):
    """Give heading (rad), speed (m/s) and road-wheel angle (rad) as seen along the direction of travel of a track.

    In reverse a vehicle moves along its heading turned by π, and its rear axle's path bends the other way.
    """
    turned = select(track.direction < 0.0, np.pi, 0.0)
    return heading + turned, track.direction * speed, track.direction * steering_angle


@equation
def since_last(options: Options, memory: Memory, time):
    """Give the time since the last command, s: the period where that is not known, and never a long gap.

    It is not known at the first and after a command without a usable measurement.
    """
    last = memory.numbers[TIME]
    known = last > -np.inf and memory.numbers[HELD] == 0.0
    return select(known, clip(time - last, 0.0, _LONGEST_PERIOD), options.period)


@equation
def believed_speed(memory: Memory, time, speed):
    """Give the speed measured, m/s, but no further from that believed last than a vehicle can have come since.

    So a wrong one of a moment makes nothing jump that depends on the speed.
    """
    reach = _QUICKEST * (time - memory.numbers[TIME])  # infinite at the first
    return clip(speed, memory.numbers[PACE] - reach, memory.numbers[PACE] + reach)


@equation
def usable(memory: Memory, time, x, y, heading, speed, yaw_rate, steering_angle, pose_age):
    """Give 0 for a usable measurement, else the `StopReason`."""
    # The sum of the sizes is bounded only if each is: a NaN or an infinity survives addition.
    total = np.abs(time) + np.abs(x) + np.abs(y) + np.abs(heading)
    total += np.abs(speed) + np.abs(yaw_rate) + np.abs(steering_angle) + np.abs(pose_age)
    if not total < _LARGEST or pose_age < 0.0:
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
    time, x, y, heading, speed, yaw_rate, steering_angle, pose_age,
):  # fmt: skip
    """Give the `View` of a usable measurement, carried forward through the dead time if so set.

    Laws take the rear axle to move where the vehicle points; in a fast curve it slides outward. So they are given
    the heading less the slip of a steady turn on the path: by feed-forward, since side-slip fed back costs margin
    (N. R. Kapania, J. C. Gerdes, Vehicle System Dynamics 53(12), 2015).
    """
    memory.numbers[PACE] = speed = believed_speed(memory, time, speed)
    turning = driven_curvature(response, speed, yaw_rate, steering_angle)
    curvature, steered = turning, steered_curvature(response, speed, turning, steering_angle)
    x, y, heading = reckon(
        response, options, memory, time, x, y, heading, speed, yaw_rate, turning, pose_age, False
    )
    slip = rear_slip(response, speed, evaluate(track.path, memory.numbers[NEAR]).curvature)
    heading -= slip
    sideways = memory.numbers[REAR_VELOCITY]
    if options.compensate_dead_time > 0.0 and response.dead_time > 0.0:
        x, y, heading, curvature, steered, sideways = predict(
            response, memory, time, x, y, heading, speed, curvature, steered, sideways
        )
    # The guess where it will be saves an iteration.
    s, offset, point = nearest(track.path, x, y, memory.numbers[NEAR] + speed * options.period)
    memory.numbers[NEAR] = s
    carried = slip
    slip = rear_slip(response, speed, point.curvature)
    heading += carried - slip
    ahead = evaluate(track.path, s + speed * lag_at(response, speed))
    return View(
        time, x, y, heading, speed, curvature, s, offset,
        wrap_angle(heading - point.heading), point.curvature, ahead.curvature,
        speed * curvature, sideways, slip, steering_angle, steered, memory.numbers[CURVATURE], turning,
        since_last(options, memory, time),
    )  # fmt: skip


@equation
def lost(options: Options, view: View):
    """Give `StopReason.LOST` for a vehicle too far from the path or across it, else 0."""
    far = np.abs(view.lateral_error) > options.lost_beyond or np.abs(view.heading_error) > _ACROSS
    return _LOST if far else _USABLE
