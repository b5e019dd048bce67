"""The telling part of a long recording, on which choices are made before all of it is fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tuning.identification.kernels import Drives
from tuning.identification.records import SETTLING, Measured, Recording

__all__ = ["excerpt"]

Array = NDArray[np.float64]

_LONG_ENOUGH = 150.0  # s of driving on which a fit makes its choices as well as on more
_PIECE = 15.0  # s of an uninterrupted piece: long against the settling that each loses
_BANDS = 3  # of speed, from each of which pieces are taken in turn


def excerpt(recording: Recording) -> Recording:
    """Give the pieces of a recording that steer most, from slow, middle and fast driving alike; all of a short one.

    It serves steering and body: commands of drive and brake are left out.
    """
    drives = recording.drives
    pieces = _pieces(recording)
    lengths = np.array([drives.time[stop - 1] - drives.time[start] for start, stop in pieces])
    if lengths.sum() <= 1.2 * _LONG_ENOUGH:
        return recording
    activity = np.array([_activity(recording, start, stop) for start, stop in pieces])
    speed = np.array([np.median(drives.speed[start:stop]) for start, stop in pieces])
    band = np.argsort(np.argsort(speed, kind="stable"), kind="stable") * _BANDS // speed.size
    queues = [
        list(np.flatnonzero(band == b)[np.argsort(-activity[band == b], kind="stable")])
        for b in range(_BANDS)
    ]
    chosen: list[int] = []
    while sum(lengths[chosen]) < _LONG_ENOUGH and any(queues):
        chosen += [int(queue.pop(0)) for queue in queues if queue]
    return _part(recording, [pieces[i] for i in sorted(chosen)])


def _pieces(recording: Recording) -> list[tuple[int, int]]:
    """Give first and behind-last sample of pieces of about `_PIECE` seconds within the recordings."""
    drives = recording.drives
    starts = np.flatnonzero(drives.first == np.arange(drives.first.size))
    pieces: list[tuple[int, int]] = []
    for start, stop in zip(starts, np.append(starts[1:], drives.first.size), strict=True):
        time = drives.time[start:stop]
        count = max(round((time[-1] - time[0]) / _PIECE), 1)
        edges = start + np.searchsorted(time, np.linspace(time[0], time[-1], count + 1)[1:-1])
        pieces += list(zip([int(start), *map(int, edges)], [*map(int, edges), int(stop)], strict=True))
    return [(a, b) for a, b in pieces if b - a >= 3]


def _activity(recording: Recording, start: int, stop: int) -> float:
    """Give how much a piece steers: the spread of the command of its samples that count, and of its changes."""
    counts = recording.counts[start:stop]
    if np.count_nonzero(counts) < 3:
        return 0.0
    command = recording.command[start:stop][counts]
    return float(np.std(command) + np.max(np.abs(np.diff(command))))


def _part(recording: Recording, pieces: list[tuple[int, int]]) -> Recording:
    drives = recording.drives
    taken = np.concatenate([np.arange(start, stop) for start, stop in pieces])
    sizes = [stop - start for start, stop in pieces]
    begins = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64)
    first = np.repeat(begins, sizes)
    place = np.full(drives.time.size, -1, dtype=np.int64)
    place[taken] = np.arange(taken.size)
    time = drives.time[taken]
    settled = time - time[first] >= SETTLING

    def moved(one: Measured) -> Measured:
        at = place[one.at]
        good = at >= 0
        good[good] = settled[at[good]]
        if one.back is None or one.ahead is None:
            return Measured(one.values[good], at[good])
        back, ahead = place[one.back], place[one.ahead]
        good &= (back >= 0) & (ahead >= 0)
        good[good] = (first[back[good]] == first[at[good]]) & (first[ahead[good]] == first[at[good]])
        return Measured(one.values[good], at[good], back[good], ahead[good])

    return replace(
        recording,
        drives=Drives(time, first, drives.speed[taken]),
        command=recording.command[taken],
        log=recording.log[taken],
        counts=recording.counts[taken] & settled,
        measured={name: moved(one) for name, one in recording.measured.items()},
        speed_command=None,
        acceleration_command=None,
        throttle=None,
        brake=None,
        pushing=None,
    )
