"""What is kept from the fit to judge it by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.identification.speeds import SLOW_SHARE
from tuning.logs.log import Log

__all__ = ["split"]

_HELD_SHARE = 0.3  # of the driving time
_TRIES = 50  # draws of whole logs
_PLACES = 8  # places of a stretch within one log
_BETTER = 0.02  # an earlier stretch must cover this much more of the ranges

Array = NDArray[np.float64]


def split(
    logs: Sequence[Log], validate: Sequence[Log] | None, command: str, seed: int
) -> tuple[list[Log], list[Log], str]:
    """Give the logs to fit, the logs to judge by, and in words how they were chosen.

    Several logs: whole logs, about 30 % of the time, drawn so that the fitted ones cover the commands of the others.
    One log: a stretch of 30 % of its driving, the last one unless that alone has some of the commands or speeds.
    """
    if validate is not None:
        if not validate:
            raise InputError(
                "validate is empty", "logs to judge the fit by", "leave validate out, or name logs"
            )
        return list(logs), list(validate), "the logs given for it"
    if len(logs) == 1:
        return _cut(logs[0], command)
    if len(logs) == 2:
        fitted, held = sorted(logs, key=lambda log: -log.duration)
        return [fitted], [held], f"{held.name} whole"
    held_numbers = _draw(logs, command, seed)
    fitted = [log for i, log in enumerate(logs) if i not in held_numbers]
    held = [log for i, log in enumerate(logs) if i in held_numbers]
    return fitted, held, f"{len(held)} of {len(logs)} logs whole"


def _cut(log: Log, command: str) -> tuple[list[Log], list[Log], str]:
    """Hold out the latest stretch of the driving whose commands and speeds the rest covers best."""
    driving = np.cumsum(np.abs(log["speed"]) > SLOW_SHARE * np.percentile(log["speed"], 95.0)).astype(float)
    driving /= max(driving[-1], 1.0)
    best, held = np.inf, np.zeros(len(log), dtype=bool)
    for begin in np.linspace(1.0 - _HELD_SHARE, 0.0, _PLACES):
        inside = (driving > begin) & (driving <= begin + _HELD_SHARE)
        lost = sum(_uncovered(log[q][~inside], log[q][inside]) for q in (command, "speed"))
        if lost < best - _BETTER:
            best, held = lost, inside
    span = log["time"][held]
    words = f"{span[0]:.1f} to {span[-1]:.1f} s of {log.name}"
    return [log.subset(~held)], [log.subset(held)], words


def _uncovered(fitted: Array, held: Array) -> float:
    """Give how far the held values reach beyond the fitted ones, in shares of their range; ends by percentiles."""
    low, high = np.percentile(fitted, (2.0, 98.0))
    low_held, high_held = np.percentile(held, (2.0, 98.0))
    reach = max(float(max(high, high_held) - min(low, low_held)), 1e-12)
    return (max(float(low - low_held), 0.0) + max(float(high_held - high), 0.0)) / reach


def _draw(logs: Sequence[Log], command: str, seed: int) -> set[int]:
    rng = np.random.default_rng(seed)
    durations = np.array([log.duration for log in logs])
    low = np.array([np.min(log[command]) for log in logs])
    high = np.array([np.max(log[command]) for log in logs])
    best: tuple[float, set[int]] = (np.inf, {int(np.argmin(durations))})
    for _ in range(_TRIES):
        order = rng.permutation(len(logs))
        share = np.cumsum(durations[order]) / durations.sum()
        count = int(np.clip(np.argmin(np.abs(share - _HELD_SHARE)) + 1, 1, len(logs) - 1))
        held, fitted = order[:count], order[count:]
        beyond = max(low[fitted].min() - low[held].min(), high[held].max() - high[fitted].max(), 0.0)
        miss = abs(float(share[count - 1]) - _HELD_SHARE) + beyond / max(float(np.ptp([low, high])), 1e-12)
        if miss < best[0]:
            best = (miss, {int(i) for i in held})
    return best[1]
