"""The closed loop in compiled code: sense, decide, drive, record; the same two halves serve laws in Python."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.engagement import stand_by
from tracker.envelope import EnvelopeValues
from tracker.inner_loops import InnerLoopsMemory, InnerLoopsValues, positions
from tracker.laws.base import View
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import DEMAND, MEASURED, NEAR, STOP, Memory, StopReason
from tracker.options import Options
from tracker.perceiving import along_travel, lost, perceive, usable
from tracker.response import ResponseValues
from tracker.step import NO_SPEED, deliver
from tracks.geometry import nearest
from tracks.one_source import equation, wrap_angle
from tracks.track import TrackArrays
from tuning.simulation.conduct import HEARD, STANDING, WATCHDOG, OwnWays, conduct_at
from tuning.simulation.outcome import Outcome
from tuning.simulation.plant import advance
from tuning.simulation.script import Situation, situation_at
from tuning.simulation.sensing import NewestFix, Sensed, sense
from tuning.simulation.wire import Message, Wire, send
from tuning.vehicle.drive import brake_position_demand, throttle_demand
from tuning.vehicle.model import moving
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import State, Surroundings
from tuning.vehicle.steering import steering_target

__all__ = [
    "RUNNING",
    "STANDING_BY",
    "Bench",
    "Circumstances",
    "Commands",
    "Plant",
    "Records",
    "Rig",
    "closed_loop",
    "drive_period",
    "look",
    "next_step",
    "record",
]

RUNNING = -1  # not over yet: no `Outcome`
STANDING_BY = -1  # in place of a stop reason: the driver steers

# `Outcome` as compiled code has it.
_FINISHED, _LOST = int(Outcome.FINISHED), int(Outcome.LOST)
_NOT_FINITE, _STOPPED = int(Outcome.NOT_FINITE), int(Outcome.STOPPED)
_ON_DEMAND, _BY_WATCHDOG = int(Outcome.STOPPED_ON_DEMAND), int(Outcome.STOPPED_BY_WATCHDOG)

_TRACKER_LOST, _DEMANDED = int(StopReason.LOST), int(StopReason.DEMANDED)

_PARKED_SPEED = 0.03  # m/s, at the end of the path, where the speed loop only creeps in


class Plant(NamedTuple):
    """The vehicle that drives, which need not be the one the law believes in."""

    model: int
    parameters: PlantParameters
    loaded: PlantParameters  # after a change of load
    dead_times: DeadTimes
    ways: OwnWays
    takes_positions: float  # 1: of throttle and brake, which inner loops ask for; 0: speed and acceleration
    steering_step: float  # rad, of the steering-angle sensor; 0 without steps
    speed_step: float  # m/s, of the speed sensor; 0 without steps


class Rig(NamedTuple):
    """The tracker that steers it."""

    response: ResponseValues
    envelope: EnvelopeValues
    options: Options
    track: TrackArrays
    loops: InnerLoopsValues  # used where the vehicle takes positions


class Circumstances(NamedTuple):
    """What the drive meets.

    Attributes:
        calm: the situation where nothing happens.
        script: events, shape (n, 8).
        fix_time: when the newest pose was true, by control step, s, shape (steps,).
        fix_noise: its error in x [m], y [m] and heading [rad], shape (steps or 1, 3).
        stamped: 1.0 where the tracker is told the age of a pose.
        link_delay: of each message, s, shape (steps or 1,).
        substep: longest integration step, s.
        records: recordings in a control period.
        goal: arc length at which a closed track is done, m.
        near_goal: a standstill this close to the end of an open path is the end, m.
    """

    calm: Situation
    script: np.ndarray
    fix_time: np.ndarray
    fix_noise: np.ndarray
    stamped: float
    link_delay: np.ndarray
    substep: float
    records: int
    goal: float
    near_goal: float


class Commands(NamedTuple):
    """Commands by control step, shape (steps + 1,); entry 0 is what held before the run.

    Attributes:
        curvature: 1/m, + left.
        speed: m/s.
        acceleration: m/s².
    """

    curvature: np.ndarray
    speed: np.ndarray
    acceleration: np.ndarray


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
    road_wheel_angle: np.ndarray
    lateral_acceleration: np.ndarray
    longitudinal_acceleration: np.ndarray


class Bench(NamedTuple):
    """What a run writes: memory of tracker and inner loops, commands, messages, recordings, and the logs of what happened."""

    memory: Memory
    loops: InnerLoopsMemory
    commands: Commands
    wire: Wire
    records: Records
    diary: np.ndarray  # of the events, shape (n, 5)
    own_log: np.ndarray  # of the vehicle
    fix: NewestFix


@equation
def _surroundings(situation: Situation):
    return Surroundings(situation.friction, situation.grade, situation.bank, situation.side_wind)


@equation
def record(
    records: Records, i, time, plant: Plant, track: TrackArrays, state: State, situation: Situation, near
):
    """Write recording i and give the true arc length, m."""
    p = plant.loaded if situation.loaded > 0.0 else plant.parameters
    moves = moving(plant.model, p, state, _surroundings(situation))
    s, offset, point = nearest(track.path, state.x, state.y, near)
    records.time[i] = time
    records.x[i], records.y[i], records.heading[i] = state.x, state.y, state.heading
    records.speed[i], records.s[i], records.lateral_error[i] = state.speed, s, offset
    records.heading_error[i] = wrap_angle(along_travel(track, state.heading, 0.0, 0.0)[0] - point.heading)
    records.path_curvature[i] = point.curvature
    records.yaw_rate[i] = moves.yaw_rate
    records.steering_angle[i], records.steering_rate[i] = state.steering_angle, state.steering_rate
    records.road_wheel_angle[i] = moves.road_wheel_angle
    records.lateral_acceleration[i] = state.speed * moves.yaw_rate + moves.lateral_dot
    records.longitudinal_acceleration[i] = moves.speed_dot
    return s


@equation
def _along(track: TrackArrays, sensed: Sensed):
    """Give what is sensed as the tracker takes it: along the direction of travel."""
    heading, speed, angle = along_travel(track, sensed.heading, sensed.speed, sensed.steering_angle)
    return Sensed(sensed.time, sensed.x, sensed.y, heading, speed, sensed.yaw_rate, angle, sensed.pose_age)


@equation
def look(rig: Rig, plant: Plant, circumstances: Circumstances, bench: Bench, state: State, step):
    """Sense and perceive at a control step: give (stop reason or STANDING_BY, view, sensed, situation)."""
    memory, records = bench.memory, bench.records
    i = step * circumstances.records
    time = float(records.time[i])
    situation = situation_at(
        circumstances.script, bench.diary, circumstances.calm, time, records.s[i], state.heading, state.speed
    )
    sensed = sense(
        records.time, records.x, records.y, records.heading, records.speed, records.yaw_rate, records.steering_angle,
        i, circumstances.records / rig.options.period, circumstances.fix_time[step],
        circumstances.fix_noise, step % circumstances.fix_noise.shape[0], circumstances.stamped, bench.fix,
        situation, plant.steering_step, plant.speed_step,
    )  # fmt: skip
    memory.numbers[DEMAND] = situation.stop
    seen = _along(rig.track, sensed)
    # numba unpacks no tuple behind other arguments.
    reason = usable(
        memory, seen.time, seen.x, seen.y, seen.heading, seen.speed, seen.yaw_rate, seen.steering_angle,
        seen.pose_age,
    )  # fmt: skip
    if situation.driver_steers > 0.0:
        reason = STANDING_BY
    if reason != 0:
        # Nothing to steer by, or nobody asks: the tracker holds its curvature and slows down from the speed last
        # measured, or stands by.
        near = memory.numbers[NEAR]
        speed = memory.numbers[MEASURED]
        view = View(
            time, 0.0, 0.0, 0.0, speed, 0.0, near, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        )
        return reason, view, sensed, situation
    view = perceive(
        rig.response, rig.track, rig.options, memory,
        seen.time, seen.x, seen.y, seen.heading, seen.speed, seen.yaw_rate, seen.steering_angle, seen.pose_age,
    )  # fmt: skip
    return lost(rig.options, view), view, sensed, situation


@equation
def _verdict(
    s, offset, speed, situation: Situation, stop, watchdog, lost_beyond, closed, remaining, goal, near_goal
):
    """Give the outcome, or RUNNING, from what holds at a recording.

    Args:
        s, offset, speed: arc length and lateral error, m, and speed in the direction of travel, m/s.
        situation: what holds.
        stop: `StopReason` of the tracker. watchdog: when that of the vehicle tripped, s.
        lost_beyond, goal, near_goal: as in `Options` and `Circumstances`, m.
        closed: above 0 for a closed path. remaining: to the end of an open one, m.
    """
    standing = np.abs(speed) < STANDING
    if not np.abs(offset) + np.abs(s) + np.abs(speed) < np.inf:
        return _NOT_FINITE
    elif standing and situation.stop > 0.0 and situation.stop_final > 0.0:
        return _ON_DEMAND
    elif standing and watchdog < np.inf:
        return _BY_WATCHDOG
    elif np.abs(offset) > lost_beyond or stop == float(_TRACKER_LOST):
        return _LOST
    elif standing and stop > 0.0 and stop != float(_DEMANDED):
        return _STOPPED
    elif closed > 0.0:
        return _FINISHED if s >= goal else RUNNING
    else:
        parked = speed < _PARKED_SPEED and remaining < near_goal
        return _FINISHED if parked or remaining < -near_goal else RUNNING


@equation
def _message(
    rig: Rig, p: PlantParameters, takes_positions, loops: InnerLoopsMemory, sensed: Sensed, curvature, speed,
    acceleration,
):  # fmt: skip
    """Give what is sent for a command: in curvature, speed and acceleration, or through the inner loops in positions.

    The way from an angle to a steering position and back by the vehicle's static map cancels out.
    """
    if takes_positions == 0.0:
        return Message(steering_target(p, curvature), speed, acceleration, acceleration)
    angle, throttle, brake = positions(
        rig.loops, rig.response, loops, curvature, speed, acceleration, sensed.speed, sensed.steering_angle,
        rig.options.period,
    )  # fmt: skip
    asked = np.tan(angle) / p.wheelbase
    return Message(
        steering_target(p, asked), speed, throttle_demand(p, throttle), brake_position_demand(p, brake)
    )


@equation
def drive_period(
    rig: Rig, plant: Plant, circumstances: Circumstances, bench: Bench, state: State, step, reason, wanted,
    law_speed, law_acceleration, view: View, sensed: Sensed, situation: Situation,
):  # fmt: skip
    """Deliver the command for what the law wants, drive one period, record: give (state, outcome)."""
    commands, memory, records = bench.commands, bench.memory, bench.records
    if reason == STANDING_BY:
        seen = _along(rig.track, sensed)
        curvature, speed, acceleration = stand_by(
            rig.response, rig.envelope, rig.track, rig.options, memory,
            seen.time, seen.x, seen.y, seen.heading, seen.speed, seen.yaw_rate, seen.steering_angle, seen.pose_age,
        )  # fmt: skip
    else:
        curvature, speed, acceleration = deliver(
            rig.response, rig.envelope, rig.track, rig.options, memory, reason, wanted, law_speed, law_acceleration,
            view.time, view.speed, view.s,
        )  # fmt: skip
    commands.curvature[step + 1] = curvature
    commands.speed[step + 1] = speed
    commands.acceleration[step + 1] = acceleration
    p = plant.loaded if situation.loaded > 0.0 else plant.parameters
    count = circumstances.records
    first = step * count
    now = records.time[first]
    arrives = now + circumstances.link_delay[step % circumstances.link_delay.shape[0]]
    message = _message(rig, p, plant.takes_positions, bench.loops, sensed, curvature, speed, acceleration)
    send(bench.wire, plant.dead_times, message, step + 1, arrives, situation.link_lost)
    if situation.link_lost == 0.0:
        bench.own_log[HEARD] = arrives
    tick = rig.options.period / count
    for j in range(count):
        i = first + j
        start, end = step * rig.options.period + j * tick, step * rig.options.period + (j + 1) * tick
        if j > 0:
            situation = situation_at(
                circumstances.script,
                bench.diary,
                circumstances.calm,
                start,
                records.s[i],
                state.heading,
                state.speed,
            )
            p = plant.loaded if situation.loaded > 0.0 else plant.parameters
        conduct = conduct_at(
            p, plant.dead_times, plant.ways, bench.own_log, situation, bench.wire, rig.track, state,
            records.s[i], start,
        )  # fmt: skip
        state = advance(
            plant.model, p, state, bench.wire, step + 1, conduct, _surroundings(situation),
            1.0 - plant.takes_positions,
            circumstances.substep, start, end,
        )  # fmt: skip
        near = records.s[i] + rig.track.direction * state.speed * (end - start)
        record(records, i + 1, end, plant, rig.track, state, situation, near)
    s = records.s[first + count]
    outcome = _verdict(
        s, records.lateral_error[first + count], rig.track.direction * records.speed[first + count], situation,
        memory.numbers[STOP], bench.own_log[WATCHDOG], rig.options.lost_beyond, rig.track.path.closed,
        rig.track.path.length - s, circumstances.goal, circumstances.near_goal,
    )  # fmt: skip
    return state, outcome


@equation
def next_step(
    rig: Rig, plant: Plant, circumstances: Circumstances, bench: Bench, state: State, step, reason, wanted,
    law_speed, law_acceleration, view: View, sensed: Sensed, situation: Situation,
):  # fmt: skip
    """Drive a period and look again: give (state, outcome, and what `look` gives), for a loop in Python.

    One call, since handing so many numbers over from Python and back takes as long as driving the period.
    """
    state, outcome = drive_period(
        rig, plant, circumstances, bench, state, step, reason, wanted, law_speed, law_acceleration, view, sensed,
        situation,
    )  # fmt: skip
    if outcome == RUNNING and step + 2 < bench.commands.curvature.shape[0]:
        reason, view, sensed, situation = look(rig, plant, circumstances, bench, state, step + 1)
    return state, outcome, reason, view, sensed, situation


@equation
def closed_loop(
    kernel, gains: np.ndarray, rig: Rig, plant: Plant, circumstances: Circumstances, bench: Bench, state: State,
):  # fmt: skip
    """Run a closed-form law to its outcome: give (outcome, control steps done).

    Recording 0 must be written; the run ends with RUNNING when `commands` is full.
    """
    steps = bench.commands.curvature.shape[0] - 1
    for step in range(steps):
        reason, view, sensed, situation = look(rig, plant, circumstances, bench, state, step)
        wanted = 0.0
        if reason == 0:
            wanted = wanted_curvature(kernel, gains, rig.response, rig.track.path, view, bench.memory.law)
        state, outcome = drive_period(
            rig,
            plant,
            circumstances,
            bench,
            state,
            step,
            reason,
            wanted,
            NO_SPEED,
            0.0,
            view,
            sensed,
            situation,
        )
        if outcome != RUNNING:
            return outcome, step + 1
    return RUNNING, steps
