"""The beginning of a recording, by which a long fit chooses where to start."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.identification.kernels import Drives
from tuning.identification.records import Measured, Recording

__all__ = ["beginning"]

Array = NDArray[np.float64]


def beginning(recording: Recording, seconds: float) -> Recording:
    """Give the first so many seconds of driving, all recordings counted on."""
    step = np.diff(recording.drives.time, prepend=recording.drives.time[0])
    gone = np.cumsum(np.where(np.arange(step.size) == recording.drives.first, 0.0, step))
    end = int(np.searchsorted(gone, seconds, side="right"))

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
