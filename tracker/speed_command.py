"""The speed that a tracker asks for: the plan, on the way back to the plan, or down to a stop."""

from __future__ import annotations

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.memory import (
    DEMAND,
    FIX,
    MEASURED,
    PACE,
    RESUMING,
    SPEED,
    STOP,
    TIME,
    Memory,
    StopReason,
)
from tracker.options import Options
from tracker.response import ResponseValues
from tracks.one_source import clip, equation, select
from tracks.track import TrackArrays, planned_speed

__all__ = ["commanded_speed", "note_stop", "reference_speed"]

_DEMANDED = int(StopReason.DEMANDED)
_BLIND = int(StopReason.LOCALISATION_LOST)
_RELEASABLE = 3.0  # in DEMAND: category 2, power kept
_STANDING = 0.05  # m/s


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
    # Further ahead, where the drive reads, the plan may slow down already, which is not yet the brake's turn.
    driving = np.maximum(braking, driving)
    return select(brakes, braking, driving), select(brakes, deceleration, np.maximum(acceleration, 0.0))


@equation
def note_stop(options: Options, memory: Memory, reason, time):
    """Write into the memory whether the vehicle is being stopped and why, and from what speed.

    `reason` is the `StopReason` found in this step, 0 for none, and `time` that of the measurement where it is usable.
    The first reason stays, but a fault takes the place of a demand that could be released, so that no release lets
    the vehicle drive on after a fault.
    """
    numbers = memory.numbers
    if numbers[STOP] == float(_DEMANDED) and numbers[DEMAND] == 0.0:
        numbers[STOP] = 0.0
        numbers[RESUMING] = 1.0
    if reason == 0 and numbers[FIX] > -np.inf and time - numbers[FIX] > options.blind_for:
        reason = _BLIND
    passing = numbers[STOP] == float(_DEMANDED) and numbers[DEMAND] == _RELEASABLE
    if reason == 0 and numbers[DEMAND] > 0.0:
        reason = _DEMANDED
    if reason != 0 and numbers[STOP] == 0.0:
        # Down from what the vehicle drives, if that is slower than what was asked: a stop must not speed it up.
        driven = np.maximum(numbers[PACE], 0.0)
        numbers[SPEED] = select(numbers[TIME] > -np.inf, np.minimum(numbers[SPEED], driven), driven)
    if reason != 0 and (numbers[STOP] == 0.0 or passing):
        numbers[STOP] = float(reason)


@equation
def commanded_speed(
    response: ResponseValues, track: TrackArrays, envelope: EnvelopeValues, options: Options, memory: Memory,
    period, s, speed, law_speed, law_acceleration,
):  # fmt: skip
    """Give (speed, acceleration) to ask for: the plan's, the law's, those of a stop, or those of the way back to the plan.

    The law's (m/s, m/s²) hold where they are slower than the plan's, and no further below what was asked for last than
    the envelope's deceleration allows. A law without an answer leaves it to the plan.
    """
    numbers = memory.numbers
    planned, acceleration = reference_speed(response, track, envelope, options, s, speed)
    before = numbers[SPEED]
    lowest, highest = before - envelope.deceleration * period, before + envelope.acceleration * period
    law_speed = np.maximum(law_speed, select(numbers[TIME] > -np.inf, lowest, 0.0))
    target = planned
    slower = law_speed < target and np.abs(law_acceleration) < np.inf
    target = select(slower, np.maximum(law_speed, 0.0), target)
    acceleration = select(slower, law_acceleration, acceleration)
    if numbers[STOP] > 0.0:
        if numbers[RESUMING] == 0.0:
            before = np.minimum(before, planned)
        target = np.maximum(before - envelope.deceleration * period, 0.0)
        moving = target > 0.0 or numbers[MEASURED] > _STANDING
        acceleration = select(moving, -envelope.deceleration, 0.0)
    elif numbers[RESUMING] > 0.0:
        if target > highest:
            target, acceleration = highest, envelope.acceleration
        elif target < lowest:
            target, acceleration = lowest, -envelope.deceleration
        else:
            numbers[RESUMING] = 0.0
    acceleration = clip(acceleration, -envelope.deceleration, envelope.acceleration)
    if acceleration < 0.0 and target > 0.0 and numbers[STOP] == 0.0:
        # Braking ahead of the plan would end in a stop short of the goal: fade the feed-forward out.
        acceleration *= clip(speed / target, 0.0, 1.0)
    return target, acceleration
