"""The beginning of a recording, by which a long fit chooses where to start."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.identification.kernels import Drives
from tuning.identification.records import Measured, Recording

__all__ = ["beginning"]

Array = NDArray[np.float64]

_LEAST_MOVED = 0.3  # of all changes of speed: a log may begin with minutes that tell nothing
_THINNED = 25  # samples between which a change is counted, so that it is not one of noise


def beginning(recording: Recording, seconds: float) -> Recording:
    """Give the first so many seconds of driving, all recordings counted on, and more until enough changes of speed are in."""
    step = np.diff(recording.drives.time, prepend=recording.drives.time[0])
    gone = np.cumsum(np.where(np.arange(step.size) == recording.drives.first, 0.0, step))
    counted = recording.measured["speed"]
    moved = np.cumsum(np.abs(np.diff(counted.values[::_THINNED], prepend=counted.values[0])))
    enough = counted.at[::_THINNED][np.searchsorted(moved, _LEAST_MOVED * moved[-1])]
    end = max(int(np.searchsorted(gone, seconds, side="right")), int(enough) + 1)

    def cut(values: Array | None) -> Array | None:
        return values if values is None else values[:end]

    def until(measured: Measured) -> Measured:
        kept = measured.at < end
        back, ahead = measured.back, measured.ahead
        if back is not None and ahead is not None:
            kept &= (back < end) & (ahead < end)
            back, ahead = back[kept], ahead[kept]
        return Measured(measured.values[kept], measured.at[kept], back, ahead)

    return Recording(
        Drives(*(values[:end] for values in recording.drives)),
        recording.command[:end],
        recording.log[:end],
        recording.counts[:end],
        {name: until(measured) for name, measured in recording.measured.items()},
        cut(recording.speed_command),
        cut(recording.acceleration_command),
        cut(recording.throttle),
        cut(recording.brake),
        until(recording.pushing) if recording.pushing is not None else None,
    )
