"""The tracker's view, linearised: how it answers what is measured, what was asked before, and what it remembers.

The compiled `perceive` that drives the vehicle is itself differenced, on a real path, about a steady drive. So whatever
it does is in: dead-time compensation through the commands in flight, lumped lag of the body, slip from the path's
curvature, carrying a pose of known age, the observer of the rear axle's velocity. Central differences of equations this
smooth are right to some 1e-8.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

import tracks
from tracker import memory as slots
from tracker.laws.base import View
from tracker.memory import Memory, keep_command, new_memory
from tracker.options import Options
from tracker.perceiving import perceive
from tracker.step import asked_curvature
from tuning.stability.plant import MEASURED

if TYPE_CHECKING:
    from tracker.response import ResponseValues
    from tuning.stability.plant import SteadyDrive

__all__ = ["BEGIN", "Perception", "Road", "perception_at", "road_of", "wanted_for"]

Array = NDArray[np.float64]

BEGIN = 50.0
"""Arc length at which the steady drive is looked at, m; there is path behind for poses that are late."""

_AHEAD = 30.0  # s of path, for laws that look far
_LEAST_AHEAD = 200.0  # m
_NOW = 100.0  # s, the time of the steady view

# Slots that are clocks, counters, places and modes: in a steady drive they are the same for every small deviation,
# or overwritten by a believed pose. Any other slot counts as a state of the tracker.
_NO_STATES = (
    "NEAR", "CURVATURE", "NEWEST", "COUNT", "STOP", "TIME", "SPEED", "MEASURED", "RESUMING", "DEMAND", "POSE_X",
    "POSE_Y", "POSE_HEADING", "POSE_TIME", "POSE_SPEED", "FIX", "TOLD_X", "TOLD_Y", "TOLD_HEADING",
    "HELD", "PACE",
)  # fmt: skip

# Steps of the differences, of e.g. a lateral error (m), angles (rad), rates (rad/s), curvatures (1/m) and other slots.
_STEP = 1e-5
_CURVATURE_STEP = 1e-6
# A yaw rate or steering angle of exactly 0.0 stands for one that nobody measures.
_MEASURED_ZERO = 1e-13
_FIXED_POINTS = 3


@dataclass(frozen=True)
class Road:
    """A path of constant curvature [1/m] with a speed [m/s], and where on it the steady drive is looked at."""

    track: tracks.Track
    curvature: float
    speed: float

    def pose(self, s: float, lateral_error: float, heading_error: float) -> tuple[float, float, float]:
        """Give x, y (m) and heading (rad) of a vehicle beside the path at arc length s [m]."""
        turn = self.curvature * s
        if abs(self.curvature) < 1e-12:
            x, y = s, 0.0
        else:
            x, y = math.sin(turn) / self.curvature, (1.0 - math.cos(turn)) / self.curvature
        return (
            x - lateral_error * math.sin(turn),
            y + lateral_error * math.cos(turn),
            turn + heading_error,
        )


def road_of(speed: float, curvature: float) -> Road:
    """Make a road long enough for any law's preview."""
    length = BEGIN + max(_LEAST_AHEAD, _AHEAD * speed)
    piece = tracks.Arc(length, curvature) if abs(curvature) >= 1e-12 else tracks.Straight(length)
    path = tracks.Path.from_segments([piece])
    return Road(tracks.Track(name="steady", path=path, speed=np.full(path.s.shape, speed)), curvature, speed)


@dataclass(frozen=True)
class Perception:
    """view = steady + V_m m + V_w w + V_q q,  q⁺ = Q_m m + Q_w w + Q_q q, deviations from the steady drive.

    m are the `MEASURED`, w the path curvatures asked for 1, 2, ... periods ago, q the tracker's own states.

    Attributes:
        steady: the view in the steady drive.
        wanted: path curvature that is asked for in it, 1/m.
        sent: what the command changes per change of the curvature asked for.
        view_measured, view_asked, view_own: V, shapes (fields, 4), (fields, K), (fields, n).
        own_measured, own_asked, own_own: Q, shapes (n, 4), (n, K), (n, n).
        own: the values of the tracker's own states, shape (n,).
    """

    steady: View
    wanted: float
    sent: float
    view_measured: Array
    view_asked: Array
    view_own: Array
    own_measured: Array
    own_asked: Array
    own_own: Array
    own: Array


def wanted_for(response: ResponseValues, command: float, speed: float) -> tuple[float, float]:
    """Give the path curvature asked for that is sent as a command [1/m], and the slope of the command there."""
    wanted = command
    slope = 1.0
    for _ in range(_FIXED_POINTS * 5):
        step = max(1e-6, 1e-6 * abs(wanted))
        high, low = (asked_curvature(response, wanted + way * step, speed) for way in (1.0, -1.0))
        slope = (high - low) / (2.0 * step)
        if slope <= 0.0:
            break
        off = command - asked_curvature(response, wanted, speed)
        wanted += off / slope
        if abs(off) < 1e-15:
            break
    return float(wanted), float(slope)


def perception_at(
    response: ResponseValues, options: Options, road: Road, drive: SteadyDrive, latency: float, told: bool
) -> Perception:
    """Linearise what the tracker sees in a steady drive.

    Args:
        response: the vehicle that the tracker believes in.
        options: of the tracker.
        road: with the curvature and speed of `drive`.
        drive: what the vehicle does.
        latency: age of the poses, s. told: whether the tracker knows it.
    """
    wanted, sent = wanted_for(response, drive.command, drive.speed)
    count = max(math.ceil(response.dead_time / options.period) + 1, 1)
    own_slots = [
        value
        for name, value in vars(slots).items()
        if name.isupper() and isinstance(value, int) and name not in (*_NO_STATES, "SLOTS", "LAW_SLOTS", "RING")
    ]  # fmt: skip
    look = _looker(response, options, road, drive, latency, told, count, wanted, own_slots)
    own = np.zeros(len(own_slots))
    measured, asked = np.zeros(len(MEASURED)), np.full(count, wanted)
    for _ in range(_FIXED_POINTS):
        _, following = look(measured, asked, own)
        if np.array_equal(following, own):
            break
        slope = _difference(lambda q: look(measured, asked, q)[1], own, _STEP)
        own = own + np.linalg.lstsq(np.eye(own.size) - slope, following - own, rcond=None)[0]
    view, _ = look(measured, asked, own)

    def joined(m: Array, w: Array, q: Array) -> Array:
        seen, following = look(m, w, q)
        return np.concatenate((seen, following))

    from_measured = _difference(lambda m: joined(m, asked, own), measured, _STEP)
    from_asked = _difference(lambda w: joined(measured, w, own), asked, _CURVATURE_STEP)
    from_own = _difference(lambda q: joined(measured, asked, q), own, _STEP)
    fields = len(view)
    return Perception(
        View(*view.tolist()), wanted, sent,
        from_measured[:fields], from_asked[:fields], from_own[:fields],
        from_measured[fields:], from_asked[fields:], from_own[fields:], own,
    )  # fmt: skip


def _looker(
    response: ResponseValues, options: Options, road: Road, drive: SteadyDrive, latency: float, told: bool,
    count: int, wanted: float, own_slots: list[int],
) -> Callable[[Array, Array, Array], tuple[Array, Array]]:  # fmt: skip
    """Give a function of deviations measured, curvatures asked before and own states that gives view and states."""
    period, speed = options.period, drive.speed
    age = latency if told else 0.0
    base = new_memory(BEGIN - speed * period, wanted, speed)
    base.numbers[slots.SPEED] = base.numbers[slots.MEASURED] = speed
    for back in range(count, 0, -1):
        keep_command(base, _NOW - back * period, wanted)
    steady = np.where(np.abs(drive.measured) > 0.0, drive.measured, _MEASURED_ZERO)
    steady[:2] = drive.measured[:2]
    # A late pose shows where the vehicle was; of unknown age, it is taken as true now.
    place = BEGIN - speed * latency
    memory = _copy(base)
    _perceive(response, options, road, memory, _NOW - period, place - speed * period, steady, speed, age)
    memory.numbers[slots.TIME] = _NOW - period
    newest = int(memory.numbers[slots.NEWEST])
    ring = [(newest - back) % memory.times.shape[0] for back in range(count)]

    def look(measured: Array, asked: Array, own: Array) -> tuple[Array, Array]:
        now = _copy(memory)
        now.curvatures[ring] = asked
        now.numbers[slots.CURVATURE] = asked[0]
        now.numbers[own_slots] = own
        view = _perceive(response, options, road, now, _NOW, place, steady + measured, speed, age)
        return np.array(view, dtype=float), now.numbers[own_slots].copy()

    return look


def _copy(memory: Memory) -> Memory:
    return Memory(*(array.copy() for array in memory))


def _perceive(
    response: ResponseValues, options: Options, road: Road, memory: Memory, time: float, place: float, measured: Array,
    speed: float, age: float,
) -> View:  # fmt: skip
    x, y, heading = road.pose(place, float(measured[0]), float(measured[1]))
    return perceive(
        response, road.track.arrays, options, memory,
        time, x, y, heading, speed, float(measured[2]), float(measured[3]), age,
    )  # fmt: skip


def _difference(function: Callable[[Array], Array], at: Array, step: float) -> Array:
    """Give the Jacobian of a function of an array by central differences, shape (outputs, at.size)."""
    columns = []
    for i in range(at.size):
        ahead, behind = at.copy(), at.copy()
        ahead[i] += step
        behind[i] -= step
        columns.append((function(ahead) - function(behind)) / (2.0 * step))
    return np.column_stack(columns) if columns else np.zeros((function(at).size, 0))
