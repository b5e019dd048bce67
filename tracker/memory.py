"""What a tracker remembers between two commands, as flat arrays that compiled code updates in place."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np

from tracks.one_source import equation

__all__ = [
    "COUNT",
    "CURVATURE",
    "DEMAND",
    "FIX",
    "HELD",
    "LAW_SLOTS",
    "MEASURED",
    "NEAR",
    "NEWEST",
    "PACE",
    "POSE_HEADING",
    "POSE_SPEED",
    "POSE_TIME",
    "POSE_TURN_RATE",
    "POSE_X",
    "POSE_Y",
    "REAR_VELOCITY",
    "RESUMING",
    "SPEED",
    "STOP",
    "TIME",
    "TOLD_HEADING",
    "TOLD_X",
    "TOLD_Y",
    "Memory",
    "StopReason",
    "keep_command",
    "new_memory",
]

# Slots of `Memory.numbers`.
NEAR = 0  # arc length of the last projection, m
CURVATURE = 1  # path curvature asked for last, 1/m
NEWEST = 2  # index of the newest command in the ring
COUNT = 3  # commands in the ring
STOP = 4  # StopReason
TIME = 5  # of the last usable measurement, s
SPEED = 6  # commanded last, m/s
MEASURED = 7  # speed of the last usable measurement, m/s
RESUMING = 8  # 1.0 while the commanded speed is on its way to the plan, after stand-by or a released stop
DEMAND = 9  # category of the stop that is demanded + 1; 0.0 without a demand
POSE_X = 10  # the pose reckoned last: m
POSE_Y = 11  # m
POSE_HEADING = 12  # rad
POSE_TIME = 13  # for which it was reckoned, s; -inf before the first
POSE_SPEED = 14  # m/s then
POSE_TURN_RATE = 15  # rad/s then
FIX = 16  # time at which the last believed pose was true, s; -inf before the first
REAR_VELOCITY = 17  # lateral velocity of the rear-axle middle then, m/s, + left
TOLD_X = 18  # the pose measured last, as it was told: m
TOLD_Y = 19  # m
TOLD_HEADING = 20  # rad
HELD = 21  # 1.0 after a step without a usable measurement, which repeated the last curvature
PACE = 22  # speed believed last, m/s
SLOTS = 23

LAW_SLOTS = 4  # of a law's own state

# At 200 Hz the ring covers the 2 s of dead time that a `Response` may have. A power of two: the place in the ring is a
# bit mask.
RING = 512


class StopReason(IntEnum):
    """Why a tracker brings the vehicle to a controlled stop before the end of the path.

    A value beyond anything that a vehicle can measure counts as not finite.
    """

    NONE = 0
    MEASUREMENT_NOT_FINITE = 1
    TIME_NOT_INCREASING = 2
    LAW_FAILED = 3
    LOST = 4
    """Too far from the path, or driving across or against it."""
    ROLLING_BACK = 5
    DEMANDED = 6
    """By `Tracker.demand_stop`; the vehicle keeps to the path."""
    LOCALISATION_LOST = 7
    """No believed pose for too long; the vehicle keeps to the path by the reckoned one."""


class Memory(NamedTuple):
    """Run-time state of a tracker.

    Attributes:
        numbers: the slots named above, shape (SLOTS,).
        times: when each command of the ring was given, s, shape (RING,).
        curvatures: the path curvature that each asked for, 1/m, shape (RING,).
        law: what a closed-form law remembers (integrals, last values), zeros before its first step, shape (LAW_SLOTS,).
    """

    numbers: np.ndarray
    times: np.ndarray
    curvatures: np.ndarray
    law: np.ndarray


def new_memory(near: float = 0.0, curvature: float = 0.0, speed: float = 0.0) -> Memory:
    """Give the memory of a tracker that starts near arc length `near` [m] while driving `curvature` [1/m].

    What was asked before the first command counts as one command, given long ago.
    """
    memory = Memory(np.zeros(SLOTS), np.zeros(RING), np.zeros(RING), np.zeros(LAW_SLOTS))
    memory.numbers[NEAR] = near
    memory.numbers[CURVATURE] = curvature
    memory.numbers[COUNT] = 1.0
    memory.times[0] = -np.inf
    memory.curvatures[0] = curvature
    memory.numbers[TIME] = memory.numbers[POSE_TIME] = memory.numbers[FIX] = -np.inf
    memory.numbers[SPEED] = memory.numbers[MEASURED] = memory.numbers[PACE] = speed
    memory.numbers[TOLD_X] = np.inf
    return memory


@equation
def keep_command(memory: Memory, time, curvature):
    """Put a path curvature [1/m] that is asked for at `time` [s] into the ring and into its slot."""
    numbers = memory.numbers
    newest = (int(numbers[NEWEST]) + 1) % memory.times.shape[0]
    memory.times[newest] = time
    memory.curvatures[newest] = curvature
    numbers[NEWEST] = float(newest)
    numbers[COUNT] = np.minimum(numbers[COUNT] + 1.0, float(memory.times.shape[0]))
    numbers[CURVATURE] = curvature
