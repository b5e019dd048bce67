"""Which samples count for the longitudinal side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.identification.kernels import Drives

__all__ = ["SPEED_SETTLING", "going_of"]

Array = NDArray[np.float64]

SPEED_SETTLING = 3.0  # s, likewise for the speed loop: nor is its demand at the start of a recording known
_SETTLED = 1.0  # s, likewise by positions, where a recording starts from what its first positions hold
_AROUND = 2.0  # s before and after a motion that count for what positions of throttle and brake do


def going_of(
    drives: Drives, threshold: float, speed_command: Array | None, throttle: Array | None
) -> NDArray[np.bool_]:
    """Say which samples count for the speed: settled, and moving or asked to move.

    A throttle that moves nothing tells its dead zone, and coming to rest tells resistance: with positions the seconds
    before and after a motion count too. There a recording starts from what its first positions hold.
    """
    since = drives.time - drives.time[drives.first]
    if speed_command is not None:
        return (since >= SPEED_SETTLING) & ((drives.speed >= threshold) | (speed_command >= threshold))
    moving = drives.speed >= threshold
    if throttle is not None:
        moving |= throttle > 0.0
    near = np.zeros_like(moving)
    for begin in np.unique(drives.first):
        own = np.flatnonzero(drives.first == begin)
        time, some = drives.time[own], drives.time[own][moving[own]]
        if some.size:
            after = np.clip(np.searchsorted(some, time), 0, some.size - 1)
            before = np.maximum(after - 1, 0)
            near[own] = np.minimum(np.abs(some[after] - time), np.abs(some[before] - time)) <= _AROUND
    return (since >= _SETTLED) & near
