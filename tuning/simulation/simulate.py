"""Drive a law on a track with a vehicle, from start to outcome."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from tracker import Envelope, Law, Response, StopReason
from tracker.engagement import restart
from tracker.inner_loops import InnerLoops, new_inner_loops_memory
from tracker.laws.base import IN_PYTHON
from tracker.memory import CURVATURE, STOP, new_memory
from tracker.options import BLIND_FOR, WHEELBASES_JUMPED, Options
from tracker.step import NO_SPEED, asked_curvature
from tracker.tracker import WHEELBASES_LOST, response_of, speed_wanted
from tracks import Track
from tracks.errors import InputError
from tracks.geometry import evaluate
from tracks.track import planned_speed
from tuning.simulation.conduct import OwnWays, new_log
from tuning.simulation.happenings import happenings_of
from tuning.simulation.kernel import (
    RUNNING,
    STANDING_BY,
    Bench,
    Circumstances,
    Commands,
    Plant,
    Records,
    Rig,
    closed_loop,
    look,
    next_step,
    record,
)
from tuning.simulation.loading import loaded
from tuning.simulation.localisation import fixes_of
from tuning.simulation.outcome import Outcome
from tuning.simulation.run import Run
from tuning.simulation.scenario import Scenario
from tuning.simulation.script import Situation, diary_of, script_of
from tuning.simulation.sensing import new_fix
from tuning.simulation.wire import Message, link_delays, new_wire
from tuning.vehicle import DeadTimes, State, Surroundings, Vehicle
from tuning.vehicle.steady import steady_turn
from tuning.vehicle.steering import steering_target

__all__ = ["simulate"]

SUBSTEP = 0.005  # s; the error of a smooth drive is far below a millimetre (order 4)
_SLOWEST_RECORDING = 0.01  # s; UN R79 asks for 100 Hz
_TIME_ALLOWED = 3.0  # times the planned time, plus
_TIME_TO_SPARE = 20.0  # s


def simulate(
    law: Law,
    vehicle: Vehicle,
    track: Track,
    scenario: Scenario | None = None,
    *,
    response: Response | None = None,
    envelope: Envelope | None = None,
    inner_loops: InnerLoops | None = None,
    period: float = 0.02,
    substep: float = SUBSTEP,
    compensate_dead_time: bool = True,
) -> Run:
    """Drive `law` on `track` with `vehicle`, closed loop, from the start of the track to its end.

    The vehicle starts in the steady state of the path's first curvature, at the planned speed. Closed-form
    laws run in compiled code; other laws step in Python with the same compiled vehicle and tracker.

    Args:
        law: a law with its gains.
        vehicle: the vehicle that drives.
        track: the track to follow.
        scenario: speed, start, delay, noise; None for the nominal drive.
        response: the vehicle that the tracker believes in; None takes what the law carries, else `vehicle`.
        envelope: limits on the commands; None takes what the law carries, else the defaults.
        inner_loops: of a vehicle that takes positions of throttle and brake; None takes `vehicle.inner_loops`.
        period: between two commands, s.
        substep: longest integration step, s.
        compensate_dead_time: as for `tracker.Tracker`.

    Returns:
        The run. A drive that fails is an outcome, not an exception.

    Raises:
        InputError: a setting is out of range.
    """
    if not 0.005 <= period <= 0.1:
        raise InputError(f"period is {period} s", "0.005 to 0.1 s", "run the tracker at 10 to 200 Hz")
    if not 1e-5 <= substep <= period:
        raise InputError(f"substep is {substep} s", "1e-5 s to the period", "keep the default of 0.005 s")
    scenario = scenario or Scenario()
    believed = response or law.response or response_of(vehicle)
    offset = abs(track.start_offset + scenario.lateral_offset)
    seen = believed.backwards if track.reverse else believed
    rig = Rig(
        seen.values,
        (envelope or law.envelope or Envelope()).values(believed),
        Options(
            period=float(period),
            speed_factor=scenario.speed_factor,
            compensate_dead_time=float(compensate_dead_time),
            # A drive that begins off the path by intent may be as far off again, and half as much.
            lost_beyond=WHEELBASES_LOST * vehicle.body.wheelbase + 1.5 * offset,
            jump_beyond=WHEELBASES_JUMPED * believed.wheelbase,
            blind_for=BLIND_FOR,
        ),
        track.arrays,
        (inner_loops or vehicle.inner_loops).values,
    )
    plant = _plant(vehicle, scenario)
    calm = Situation(scenario.friction, scenario.grade, scenario.bank, scenario.side_wind)
    state, curvature = _start(plant, track, scenario, calm)
    records_a_period = math.ceil(period / _SLOWEST_RECORDING - 1e-9)
    steps = math.ceil(_longest_time(track, scenario) / period)
    circumstances = _circumstances(vehicle, track, scenario, calm, steps, records_a_period, period, substep)
    bench = _bench(rig, plant, circumstances, state, curvature, steps)
    counts: dict[str, int] = {}
    if law.kernel != IN_PYTHON:
        gains = law.gain_table(seen, rig.envelope, rig.options.period)
        outcome, done = closed_loop(law.kernel, gains, rig, plant, circumstances, bench, state)
    else:
        outcome, done, counts = _loop_in_python(law, seen, track, rig, plant, circumstances, bench, state)
    return _run(law, track, scenario, vehicle, outcome, done, records_a_period, bench, counts)


def _loop_in_python(
    law: Law, believed: Response, track: Track, rig: Rig, plant: Plant, circumstances: Circumstances,
    bench: Bench, state: State,
) -> tuple[int, int, dict[str, int]]:  # fmt: skip
    """The loop of `closed_loop` around a law that runs in Python."""
    options = rig.options
    runner = law.start(believed, rig.envelope, track, options.period, options.speed_factor)
    outcome, steps = RUNNING, len(bench.commands.curvature) - 1
    reason, view, sensed, situation = look(rig, plant, circumstances, bench, state, 0)
    for step in range(steps):
        wanted = runner.curvature(view) if reason == 0 else 0.0
        speed, acceleration = speed_wanted(runner) if reason == 0 else (NO_SPEED, 0.0)
        stood_by = reason == STANDING_BY
        state, outcome, reason, view, sensed, situation = next_step(
            rig,
            plant,
            circumstances,
            bench,
            state,
            step,
            reason,
            wanted,
            speed,
            acceleration,
            view,
            sensed,
            situation,
        )
        if outcome != RUNNING:
            return outcome, step + 1, dict(getattr(runner, "counts", {}))
        if reason == 0 and stood_by:
            restart(runner, float(bench.memory.numbers[CURVATURE]))
    return outcome, steps, dict(getattr(runner, "counts", {}))


def _plant(vehicle: Vehicle, scenario: Scenario) -> Plant:
    extra, drive, link = scenario.extra_dead_time, vehicle.drive, vehicle.link
    first = loaded(vehicle, vehicle.plant, scenario.load, scenario.load_position)
    change = scenario.load_change
    return Plant(
        model=vehicle.model_code,
        parameters=first,
        loaded=first if change is None else loaded(vehicle, first, change.mass, change.position),
        dead_times=DeadTimes(*(float(d + extra) for d in vehicle.dead_times)),
        ways=OwnWays(
            emergency=float(drive.emergency_deceleration or drive.deceleration_limit),
            watchdog=float(link.watchdog),
            watchdog_deceleration=float(link.watchdog_deceleration or drive.deceleration_limit),
        ),
        takes_positions=float(drive.interface == "positions"),
        steering_step=float(vehicle.steering.feedback_resolution),
        speed_step=float(drive.speed_resolution),
    )


def _start(plant: Plant, track: Track, scenario: Scenario, calm: Situation) -> tuple[State, float]:
    """Give the first state, steady in the path's first curvature, and that curvature (1/m)."""
    point = evaluate(track.arrays.path, 0.0)
    speed = planned_speed(track.arrays, 0.0)[0] * scenario.speed_factor
    offset = track.start_offset + scenario.lateral_offset
    around = Surroundings(calm.friction, calm.grade, calm.bank, calm.side_wind)
    way = track.arrays.direction
    # Backwards the rear axle's path bends the other way.
    steady = steady_turn(
        plant.model, plant.parameters, way * float(speed), way * float(point.curvature), around
    )
    turned = math.pi if track.reverse else 0.0
    state = steady._replace(
        x=point.x - offset * point.tangent_y,
        y=point.y + offset * point.tangent_x,
        heading=point.heading + turned + steady.heading + scenario.heading_offset,
    )
    return State(*(float(value) for value in state)), float(point.curvature)


def _longest_time(track: Track, scenario: Scenario) -> float:
    """Give the time after which a run is given up, s."""
    s, v = track.path.s, track.speed
    # Constant acceleration between nodes: the mean of the end speeds; a floor stands for creeping at a stop.
    mean = np.maximum(0.5 * (v[1:] + v[:-1]) * scenario.speed_factor, 0.05 * max(float(v.max()), 1e-3))
    laps = scenario.laps if track.path.closed else 1
    waits = sum(event.duration or 0.0 for event in scenario.events)
    return _TIME_ALLOWED * (laps * float(np.sum(np.diff(s) / mean)) + waits) + _TIME_TO_SPARE


def _circumstances(
    vehicle: Vehicle, track: Track, scenario: Scenario, calm: Situation, steps: int, records: int, period: float,
    substep: float,
) -> Circumstances:  # fmt: skip
    link = vehicle.link
    fixes = fixes_of(scenario.localisation, steps, period, scenario.seed)
    return Circumstances(
        calm=calm,
        script=script_of(scenario.events),
        fix_time=fixes.time,
        fix_noise=fixes.noise,
        stamped=float(scenario.localisation.stamped),
        link_delay=link_delays(link.period, link.jitter, steps, period, scenario.seed),
        substep=float(substep),
        records=records,
        goal=track.path.length * scenario.laps,
        near_goal=0.5 * vehicle.body.wheelbase,
    )


def _bench(
    rig: Rig, plant: Plant, circumstances: Circumstances, state: State, curvature: float, steps: int
) -> Bench:
    """Give everything that a run writes, its first recording written."""
    capacity = steps * circumstances.records + 1
    records = Records(*np.empty((len(Records._fields), capacity)))
    commands = Commands(*np.empty((3, steps + 1)))
    way = rig.track.direction
    asked = way * float(asked_curvature(rig.response, curvature, way * state.speed))
    commands.curvature[0], commands.speed[0], commands.acceleration[0] = asked, state.speed, 0.0
    before = Message(float(steering_target(plant.parameters, asked)), state.speed, 0.0, 0.0)
    record(records, 0, 0.0, plant, rig.track, state, circumstances.calm, 0.0)
    return Bench(
        memory=new_memory(0.0, curvature, way * state.speed),
        loops=new_inner_loops_memory(),
        commands=commands,
        wire=new_wire(steps, before),
        records=records,
        diary=diary_of(circumstances.script),
        own_log=new_log(),
        fix=new_fix(),
    )


def _run(
    law: Law, track: Track, scenario: Scenario, vehicle: Vehicle, outcome: int, done: int, records_a_period: int,
    bench: Bench, counts: dict[str, int],
) -> Run:  # fmt: skip
    samples = done * records_a_period + 1
    series: dict[str, Any] = {
        name: values[:samples].copy() for name, values in bench.records._asdict().items()
    }
    for name, values in bench.commands._asdict().items():
        # The command given at a control step holds until the next; the last sample repeats it.
        held = np.repeat(values[1 : done + 1], records_a_period)
        series[f"command_{name}"] = np.append(held, held[-1])
    run = Run(
        law=law,
        track=track,
        scenario=scenario,
        outcome=Outcome.OUT_OF_TIME if outcome == RUNNING else Outcome(outcome),
        stop_reason=StopReason(int(bench.memory.numbers[STOP])),
        rate_limit=vehicle.steering.rate_limit,
        angle_limit=vehicle.steering.reach,
        width=vehicle.body.width,
        counts=counts,
        **series,
    )
    return replace(run, happenings=happenings_of(run, bench.diary)) if scenario.events else run
