"""Whether a measured longitudinal acceleration may take part in a fit: it must be the change of the measured speed."""

from __future__ import annotations

import numpy as np

from tuning.identification.records import Recording
from tuning.identification.speeds import say

__all__ = ["agrees_with_speed"]

_WINDOW = 1.0  # s over which both are averaged: noise and the lag of a sensor hardly count
_ALIKE = 0.8  # least correlation; a judgement without a source


def agrees_with_speed(recording: Recording, findings: list[str]) -> bool:
    """Say whether the longitudinal acceleration follows the change of speed; a finding says where it does not."""
    pushing, drives = recording.pushing, recording.drives
    if pushing is None:
        return False
    felt, changed = [], []
    for begin in np.unique(drives.first[pushing.at]):
        own = drives.first[pushing.at] == begin
        time, values = drives.time[pushing.at[own]], pushing.values[own]
        if time.size < 3 or time[-1] - time[0] < 3.0 * _WINDOW:
            continue
        middle = np.arange(time[0] + 0.5 * _WINDOW, time[-1] - 0.5 * _WINDOW, 0.2 * _WINDOW)
        ends = np.array([middle - 0.5 * _WINDOW, middle + 0.5 * _WINDOW])
        steps = 0.5 * np.diff(time) * (values[1:] + values[:-1])
        gained = np.interp(ends, time, np.concatenate(([0.0], np.cumsum(steps))))
        speeds = np.interp(ends, drives.time[drives.first == begin], drives.speed[drives.first == begin])
        felt.append(gained[1] - gained[0])
        changed.append(speeds[1] - speeds[0])
    if not felt:
        return False
    one, other = np.concatenate(felt), np.concatenate(changed)
    if np.ptp(one) == 0.0 or np.ptp(other) == 0.0:
        return False
    alike = float(np.corrcoef(one, other)[0, 1])
    if alike < _ALIKE:
        say(
            findings,
            f"the longitudinal acceleration was not used: it follows the change of speed with a correlation of {alike:.2f} only",
        )
    return alike >= _ALIKE
