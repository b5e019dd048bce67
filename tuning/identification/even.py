"""Signals on an even clock, cut at gaps: what spectra and correlations work on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError

__all__ = ["even_pieces", "spacing"]

Array = NDArray[np.float64]

_GAP = 3.0  # times the median spacing: readings further apart than that are not joined
_EVEN = 0.01  # of the spacing: a clock with less jitter than this is taken as it is


def spacing(time: Array, group: NDArray[np.int64]) -> float:
    """Give the median time between neighbouring readings of the same recording, s."""
    steps = np.diff(time)[np.diff(group) == 0]
    if steps.size == 0 or not np.all(steps > 0.0):
        raise InputError(
            "the readings of a recording do not follow each other in time",
            "increasing time within each group",
            "sort the readings, and give those of another recording another group",
        )
    return float(np.median(steps))


def even_pieces(
    time: Array, signals: Sequence[Array], group: NDArray[np.int64] | None = None, step: float | None = None
) -> tuple[float, list[Array]]:
    """Put signals onto an even clock, each uninterrupted piece by itself.

    Straight lines join the readings; nothing is joined across a gap (more than three times the median spacing) or
    from one recording to the next. Where the clock is even already and no other step is asked for, the readings are
    taken as they are. Otherwise the lines weaken a sine of frequency f, read every T seconds, by up to
    (sin πfT/πfT)², 3 % at a tenth of the sampling rate; command and answer alike, so that their ratio stays.
    With a `step` longer than the spacing the mean over each step is taken, which keeps faster motion from appearing
    as slow motion.

    Args:
        time: s, shape (n,).
        signals: each of shape (n,).
        group: number of the recording of each reading, shape (n,); None for one recording.
        step: s; None for the median spacing.

    Returns:
        The step in s, and for each piece an array of shape (number of signals, number of steps).

    Raises:
        InputError: shapes differ, fewer than two readings, something that is no finite number, or time runs back.
    """
    time = np.asarray(time, dtype=float)
    rows = np.array([np.asarray(signal, dtype=float) for signal in signals])
    group = np.zeros(time.size, dtype=np.int64) if group is None else np.asarray(group)
    if rows.shape != (len(signals), time.size) or group.shape != time.shape or time.size < 2:
        raise InputError(
            f"time has {time.size} readings, the signals have shape {rows.shape} and the groups {group.shape}",
            "two readings or more, and as many of every signal as of time",
            "give all at the same moments",
        )
    if not (np.all(np.isfinite(rows)) and np.all(np.isfinite(time))):
        raise InputError("a signal holds something that is no finite number", "numbers", "leave it out")
    usual = spacing(time, group)
    grid = usual if step is None else max(step, usual)
    cuts = np.flatnonzero((np.diff(group) != 0) | (np.diff(time) > _GAP * usual)) + 1
    pieces = []
    for start, stop in zip((0, *cuts), (*cuts, time.size), strict=True):
        piece = _even(time[start:stop], rows[:, start:stop], grid, grid > 1.5 * usual)
        if piece.shape[1] > 1:
            pieces.append(piece)
    return grid, pieces


def _even(time: Array, rows: Array, grid: float, average: bool) -> Array:
    count = int(np.floor((time[-1] - time[0]) / grid + _EVEN)) + 1
    if average:
        edges = time[0] + grid * np.arange(count)
        return np.array([np.diff(_integral(time, row, edges)) / grid for row in rows])
    moments = time[0] + grid * np.arange(count)
    if count == time.size and np.max(np.abs(time - moments)) <= _EVEN * grid:
        return rows.copy()
    return np.array([np.interp(moments, time, row) for row in rows])


def _integral(time: Array, values: Array, at: Array) -> Array:
    """Give the integral of the straight lines through the readings, from the first one to each moment."""
    total = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time))))
    last = np.clip(np.searchsorted(time, at, side="right") - 1, 0, time.size - 2)
    since = at - time[last]
    slope = (values[last + 1] - values[last]) / (time[last + 1] - time[last])
    return total[last] + since * (values[last] + 0.5 * slope * since)
