"""The pose now, from poses that are late, missing or wrong: dead reckoning by speed and yaw rate in between.

A localisation tells where the vehicle was `pose_age` ago, may repeat that for a while, and may jump. A new pose is
carried forward over its age with the present speed and yaw rate; without a new one the last reckoned pose is carried
on, with the means of speed and yaw rate over the step; one that is too far from the reckoned pose is not believed. A
pose that stands still to the last bit while the vehicle moves is no new one, whatever its age is said to be.
"""

from __future__ import annotations

import numpy as np

from tracker.memory import (
    FIX,
    POSE_HEADING,
    POSE_SPEED,
    POSE_TIME,
    POSE_TURN_RATE,
    POSE_X,
    POSE_Y,
    REAR_VELOCITY,
    TOLD_HEADING,
    TOLD_X,
    TOLD_Y,
    Memory,
)
from tracker.options import Options
from tracker.prediction import rear_slip, rear_velocity
from tracker.response import ResponseValues
from tracks.one_source import clip, equation, select, sine_cosine, wrap_angle

__all__ = ["HEADING_JUMP", "carry", "reckon"]

HEADING_JUMP = (
    0.3  # rad: a heading this far from the reckoned one is not believed; common practice, no source
)
# s. Two poses true within it are one: clocks count from 1970 and ages come in milliseconds.
_SAME_TIME = 1e-3
_MOVING = 0.3  # m/s: above what a speed sensor may show at standstill; common practice, no source
# s. Nothing is carried further: by then the vehicle is being stopped, and the numbers of a fault stay finite.
_FURTHEST = 10.0


@equation
def carry(x, y, heading, speed, turn_rate, slip, span):
    """Carry a pose over `span` [s] on an arc: give (x, y, heading), m and rad.

    The rear axle moves along `heading` − `slip` [rad]; speed [m/s] and turn rate [rad/s] are constant. The chord takes
    the middle direction: its length is off by (turn)²/24, 4e-4 for half a second at 0.2 rad/s. A span of 0 changes no bit.
    """
    turn = turn_rate * span
    sine, cosine = sine_cosine(heading - slip + 0.5 * turn)
    return x + speed * span * cosine, y + speed * span * sine, heading + turn


@equation
def reckon(
    response: ResponseValues, options: Options, memory: Memory,
    time, x, y, heading, speed, yaw_rate, curvature, pose_age, any_pose,
):  # fmt: skip
    """Give the pose (x, y, heading) at `time` and remember it, with the time at which the last believed one was true.

    `curvature` is the one driven now, 1/m: it stands for the yaw rate where that is 0.0, which is what a vehicle
    without the sensor reports. `any_pose` believes every new pose, however far off.
    A new pose that is not older than the time given is the measured one to the last bit.
    """
    numbers = memory.numbers
    turn_rate = select(yaw_rate != 0.0, yaw_rate, speed * curvature)
    slip = rear_slip(response, speed, curvature)
    since = time - numbers[POSE_TIME]
    # After a gap in the measurements nothing is known that a pose could be judged by; so at the first one.
    gap = since > options.blind_for or numbers[POSE_TIME] == -np.inf
    reckoned_x, reckoned_y, reckoned_heading = carry(
        numbers[POSE_X], numbers[POSE_Y], numbers[POSE_HEADING],
        0.5 * (numbers[POSE_SPEED] + speed), 0.5 * (numbers[POSE_TURN_RATE] + turn_rate), slip,
        clip(since, 0.0, _FURTHEST),
    )  # fmt: skip
    # Localisations that say no age, and those that freeze, tell the same numbers again.
    again = x == numbers[TOLD_X] and y == numbers[TOLD_Y] and heading == numbers[TOLD_HEADING]
    frozen = again and speed > _MOVING and not any_pose
    new = (pose_age == 0.0 or time - pose_age > numbers[FIX] + _SAME_TIME) and not frozen
    numbers[TOLD_X], numbers[TOLD_Y], numbers[TOLD_HEADING] = x, y, heading
    x, y, heading = carry(x, y, heading, speed, turn_rate, slip, np.minimum(pose_age, _FURTHEST))
    away = (x - reckoned_x) * (x - reckoned_x) + (y - reckoned_y) * (y - reckoned_y)
    turned = np.abs(wrap_angle(heading - reckoned_heading))
    near = away <= options.jump_beyond * options.jump_beyond and turned <= HEADING_JUMP
    believed = new and (near or gap or any_pose)
    x = select(believed, x, reckoned_x)
    y = select(believed, y, reckoned_y)
    heading = select(believed, heading, reckoned_heading)
    numbers[FIX] = select(believed, time - pose_age, numbers[FIX])
    mean_rate = select(gap, turn_rate, 0.5 * (numbers[POSE_TURN_RATE] + turn_rate))
    # After a gap that of a steady turn: carried on for long enough.
    numbers[REAR_VELOCITY] = rear_velocity(
        response, numbers[REAR_VELOCITY], speed, mean_rate, select(gap, _FURTHEST, since)
    )
    numbers[POSE_X], numbers[POSE_Y], numbers[POSE_HEADING] = x, y, heading
    numbers[POSE_TIME], numbers[POSE_SPEED], numbers[POSE_TURN_RATE] = time, speed, turn_rate
    return x, y, heading
