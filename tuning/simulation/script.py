"""The events of a scenario as numbers, and what they make of the situation at an instant, compiled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from tracks.one_source import equation, sine_cosine
from tuning.simulation import events
from tuning.simulation.events import Event

__all__ = ["BEGUN", "BEGUN_AT", "ENDED", "Situation", "diary_of", "script_of", "situation_at"]

_KINDS: Final[dict[type[Event], int]] = {
    events.DriverHoldsSpeed: 0,
    events.DriverTakesOver: 1,
    events.StopDemand: 2,
    events.LinkLost: 3,
    events.LocalisationLost: 4,
    events.LocalisationJump: 5,
    events.FrictionChange: 6,
    events.SideWind: 7,
    events.RoadTilt: 8,
    events.LoadChange: 9,
}
_HOLDS, _TAKES, _STOP, _LINK, _LOST, _JUMP, _FRICTION, _WIND, _TILT, _LOAD = range(10)

# Columns of a script: an event a row; from _A on the numbers of `Event.values`.
_KIND, _BY_DISTANCE, _AT, _DURATION, _LENGTH, _A, _B, _C = range(8)

# Columns of a diary, an event a row: s and m, infinite while not so; then what the event keeps for itself.
BEGUN, BEGUN_AT, ENDED, _KEPT, _KEPT_TOO = range(5)

_SAME_TIME = 1e-9  # s


class Situation(NamedTuple):
    """What holds at an instant."""

    friction: float  # factor of the tyres' own coefficient
    grade: float  # rad, + uphill
    bank: float  # rad, + left side higher
    side_wind: float  # m/s, + blowing to the left
    driver_speed: float = -1.0  # m/s that the driver holds; negative: speed is by wire
    driver_steers: float = 0.0  # 1: the driver steers
    driver_offset: float = 0.0  # m, + left, where the driver steers to beside the path
    stop: float = 0.0  # 0: no stop demanded; else its category + 1
    stop_final: float = 0.0  # 1: for good
    link_lost: float = 0.0  # 1: commands do not arrive
    localisation_lost: float = 0.0  # 1: no new pose
    jump_x: float = 0.0  # m, error of the pose
    jump_y: float = 0.0  # m
    jump_heading: float = 0.0  # rad
    loaded: float = 0.0  # 1: the load has changed


def script_of(happens: Sequence[Event]) -> np.ndarray:
    """Give the events as an array of shape (n, 8) that `situation_at` reads."""
    rows = np.zeros((len(happens), 8))
    for row, event in zip(rows, happens, strict=True):
        by_distance = event.at_distance is not None
        row[_KIND], row[_BY_DISTANCE] = _KINDS[type(event)], by_distance
        row[_AT] = event.at_distance if by_distance else event.at_time
        row[_DURATION] = math.inf if event.duration is None else event.duration
        row[_LENGTH] = math.inf if event.length is None else event.length
        row[_A:] = event.values()
    return rows


def diary_of(script: np.ndarray) -> np.ndarray:
    """Give the empty diary for a script: when and where each event begins and ends, shape (n, 5)."""
    diary = np.full((script.shape[0], 5), math.inf)
    diary[:, _KEPT:] = 0.0
    return diary


@equation
def _goes_on(script: np.ndarray, diary: np.ndarray, i, time, s):
    """Begin or end event i where it is due, in the diary, and say whether it goes on."""
    if diary[i, BEGUN] == np.inf:
        due = s >= script[i, _AT] if script[i, _BY_DISTANCE] > 0.0 else time >= script[i, _AT] - _SAME_TIME
        if due:
            diary[i, BEGUN], diary[i, BEGUN_AT] = time, s
    elif diary[i, ENDED] == np.inf:
        late = time >= diary[i, BEGUN] + script[i, _DURATION] - _SAME_TIME
        if late or s >= diary[i, BEGUN_AT] + script[i, _LENGTH]:
            diary[i, ENDED] = time
    return diary[i, BEGUN] < np.inf and diary[i, ENDED] == np.inf


@equation
def situation_at(script: np.ndarray, diary: np.ndarray, calm: Situation, time, s, heading, speed):
    """Give the situation at a time (s) and arc length (m), and keep the diary; later events override earlier ones.

    Args:
        script: from `script_of`.
        diary: from `diary_of`; written.
        calm: what holds where nothing happens.
        time: s. s: true arc length, m. heading: true, rad. speed: m/s.
    """
    if script.shape[0] == 0:
        return calm
    friction, grade, bank, side_wind = calm.friction, calm.grade, calm.bank, calm.side_wind
    driver_speed, driver_steers, driver_offset = -1.0, 0.0, 0.0
    stop, stop_final, link_lost, localisation_lost, loaded = 0.0, 0.0, 0.0, 0.0, calm.loaded
    jump_x, jump_y, jump_heading = 0.0, 0.0, 0.0
    for i in range(script.shape[0]):
        first = diary[i, BEGUN] == np.inf
        if _goes_on(script, diary, i, time, s):
            kind = int(script[i, _KIND])
            a, b, c = script[i, _A], script[i, _B], script[i, _C]
            if kind == _HOLDS:
                driver_speed = a
            elif kind == _TAKES:
                if first:
                    diary[i, _KEPT] = speed
                driver_steers, driver_offset = 1.0, a
                driver_speed = b if b >= 0.0 else diary[i, _KEPT]
            elif kind == _STOP:
                stop, stop_final = a, b
            elif kind == _LINK:
                link_lost = 1.0
            elif kind == _LOST:
                localisation_lost = 1.0
            elif kind == _JUMP:
                if first:
                    sine, cosine = sine_cosine(heading)
                    diary[i, _KEPT] = b * cosine - a * sine
                    diary[i, _KEPT_TOO] = b * sine + a * cosine
                jump_x, jump_y, jump_heading = diary[i, _KEPT], diary[i, _KEPT_TOO], c
            elif kind == _FRICTION:
                friction = a
            elif kind == _WIND:
                side_wind = a
            elif kind == _TILT:
                grade, bank = a, b
            elif kind == _LOAD:
                loaded = 1.0
    return Situation(
        friction, grade, bank, side_wind, driver_speed, driver_steers, driver_offset, stop, stop_final,
        link_lost, localisation_lost, jump_x, jump_y, jump_heading, loaded,
    )  # fmt: skip
