"""The closed loop in compiled code: sense, decide, drive, record; the same two halves serve laws in Python."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.laws.base import View
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import MEASURED, NEAR, STOP, Memory, StopReason
from tracker.response import ResponseValues
from tracker.step import Options, deliver, lost, perceive, usable
from tracks.geometry import nearest
from tracks.one_source import equation, wrap_angle
from tracks.track import TrackArrays
from tuning.simulation.plant import Commands, advance
from tuning.simulation.run import Outcome
from tuning.vehicle.drive import thrust
from tuning.vehicle.model import body
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import Inputs, State, Surroundings
from tuning.vehicle.steering import wheel_angle

__all__ = [
    "RUNNING",
    "Circumstances",
    "Plant",
    "Records",
    "Rig",
    "closed_loop",
    "drive_period",
    "look",
    "record",
]

RUNNING = -1  # not over yet: no `Outcome`

# `Outcome` as compiled code has it.
_FINISHED, _LOST = int(Outcome.FINISHED), int(Outcome.LOST)
_NOT_FINITE, _STOPPED = int(Outcome.NOT_FINITE), int(Outcome.STOPPED)

_TRACKER_LOST = int(StopReason.LOST)

_STOPPED_SPEED = 0.01  # m/s, at which a controlled stop is over
_PARKED_SPEED = 0.03  # m/s, likewise at the end of the path, where the speed loop only creeps in


class Plant(NamedTuple):
    """The vehicle that drives, which need not be the one the law believes in."""

    model: int
    parameters: PlantParameters
    dead_times: DeadTimes


class Rig(NamedTuple):
    """The tracker that steers it."""

    response: ResponseValues
    envelope: EnvelopeValues
    options: Options
    track: TrackArrays


class Circumstances(NamedTuple):
    """What the drive meets.

    Attributes:
        latency: age of the measured pose, s.
        noise: added to the measured x [m], y [m] and heading [rad] by control step, shape (steps or 1, 3).
        substep: longest integration step, s.
        records: recordings in a control period.
        goal: arc length at which a closed track is done, m.
        near_goal: a standstill this close to the end of an open path is the end, m.
    """

    latency: float
    noise: np.ndarray
    substep: float
    records: int
    goal: float
    near_goal: float


class Records(NamedTuple):
    """What is recorded, arrays of one shape (capacity,); units as in `Run`."""

    time: np.ndarray
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    speed: np.ndarray
    s: np.ndarray
    lateral_error: np.ndarray
    heading_error: np.ndarray
    path_curvature: np.ndarray
    yaw_rate: np.ndarray
    steering_angle: np.ndarray
    steering_rate: np.ndarray
    lateral_acceleration: np.ndarray
    longitudinal_acceleration: np.ndarray


@equation
def record(records: Records, i, time, plant: Plant, track: TrackArrays, state: State, near):
    """Write recording i and give the true arc length, m."""
    p = plant.parameters
    around = Surroundings(1.0, 0.0, 0.0, 0.0)
    drive, brake = thrust(p, state, Inputs(0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0))
    angle = wheel_angle(p, state.steering_angle, state.play_angle)
    moves = body(plant.model, p, state, angle, drive, brake, around)
    s, offset, point = nearest(track.path, state.x, state.y, near)
    records.time[i] = time
    records.x[i], records.y[i], records.heading[i] = state.x, state.y, state.heading
    records.speed[i], records.s[i], records.lateral_error[i] = state.speed, s, offset
    records.heading_error[i] = wrap_angle(state.heading - point.heading)
    records.path_curvature[i] = point.curvature
    records.yaw_rate[i] = moves.yaw_rate
    records.steering_angle[i], records.steering_rate[i] = state.steering_angle, state.steering_rate
    records.lateral_acceleration[i] = state.speed * moves.yaw_rate + moves.lateral_dot
    records.longitudinal_acceleration[i] = moves.speed_dot
    return s


@equation
def _pose_at(records: Records, i, behind):
    """Give the pose `behind` recordings before recording i, linearly between recordings."""
    at = np.maximum(float(i) - behind, 0.0)
    j = min(int(at), max(i - 1, 0))
    share = at - j
    k = min(j + 1, i)
    return (
        records.x[j] + share * (records.x[k] - records.x[j]),
        records.y[j] + share * (records.y[k] - records.y[j]),
        records.heading[j] + share * (records.heading[k] - records.heading[j]),
    )


@equation
def look(rig: Rig, circumstances: Circumstances, memory: Memory, records: Records, step):
    """Sense and perceive at a control step: give (stop reason, view)."""
    i = step * circumstances.records
    time = float(records.time[i])
    behind = circumstances.latency * circumstances.records / rig.options.period
    x, y, heading = _pose_at(records, i, behind)
    noise = step % circumstances.noise.shape[0]
    x += circumstances.noise[noise, 0]
    y += circumstances.noise[noise, 1]
    heading += circumstances.noise[noise, 2]
    speed, yaw_rate, angle = records.speed[i], records.yaw_rate[i], records.steering_angle[i]
    reason = usable(memory, time, x, y, heading, speed, yaw_rate, angle)
    if reason > 0:
        # Nothing to steer by: the tracker holds its curvature and slows down from the speed last measured.
        near = memory.numbers[NEAR]
        return reason, View(time, x, y, heading, memory.numbers[MEASURED], 0.0, near, 0.0, 0.0, 0.0, 0.0)
    view = perceive(rig.response, rig.track, rig.options, memory, time, x, y, heading, speed, yaw_rate, angle)
    return lost(rig.options, view), view


@equation
def _verdict(rig: Rig, circumstances: Circumstances, memory: Memory, records: Records, i):
    """Give the outcome at recording i, or RUNNING."""
    s, offset, speed = records.s[i], records.lateral_error[i], records.speed[i]
    if not np.abs(offset) + np.abs(s) + np.abs(speed) < np.inf:
        return _NOT_FINITE
    elif np.abs(offset) > rig.options.lost_beyond or memory.numbers[STOP] == float(_TRACKER_LOST):
        return _LOST
    elif memory.numbers[STOP] > 0.0 and speed < _STOPPED_SPEED:
        return _STOPPED
    elif rig.track.path.closed > 0.0:
        return _FINISHED if s >= circumstances.goal else RUNNING
    else:
        remaining = rig.track.path.length - s
        standing = speed < _PARKED_SPEED and remaining < circumstances.near_goal
        return _FINISHED if standing or remaining < -circumstances.near_goal else RUNNING


@equation
def drive_period(
    rig: Rig, plant: Plant, circumstances: Circumstances, memory: Memory, commands: Commands, records: Records,
    state: State, step, reason, wanted, time, speed, s,
):  # fmt: skip
    """Deliver the command for what the law wants, drive one period, record: give (state, outcome)."""
    curvature, target, acceleration = deliver(
        rig.response, rig.envelope, rig.track, rig.options, memory, reason, wanted, time, speed, s
    )
    commands.curvature[step + 1] = curvature
    commands.speed[step + 1] = target
    commands.acceleration[step + 1] = acceleration
    period = rig.options.period
    count = circumstances.records
    first = step * count
    for j in range(count):
        start, end = j * period / count, (j + 1) * period / count
        state = advance(
            plant.model, plant.parameters, plant.dead_times, state, commands, step,
            period, circumstances.substep, start, end,
        )  # fmt: skip
        i = first + j + 1
        near = records.s[i - 1] + state.speed * (end - start)
        record(records, i, step * period + end, plant, rig.track, state, near)
    return state, _verdict(rig, circumstances, memory, records, first + count)


@equation
def closed_loop(
    kernel, gains: np.ndarray, rig: Rig, plant: Plant, circumstances: Circumstances,
    memory: Memory, commands: Commands, records: Records, state: State,
):  # fmt: skip
    """Run a closed-form law to its outcome: give (outcome, control steps done).

    Recording 0 must be written; the run ends with RUNNING when `commands` is full.
    """
    steps = commands.curvature.shape[0] - 1
    for step in range(steps):
        reason, view = look(rig, circumstances, memory, records, step)
        wanted = wanted_curvature(kernel, gains, rig.response, rig.track.path, view)
        state, outcome = drive_period(
            rig, plant, circumstances, memory, commands, records, state, step,
            reason, wanted, view.time, view.speed, view.s,
        )  # fmt: skip
        if outcome != RUNNING:
            return outcome, step + 1
    return RUNNING, steps
