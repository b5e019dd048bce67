"""Drive a law on a track with a vehicle, from start to outcome."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tracker import Envelope, Law, Response, StopReason
from tracker.laws.base import IN_PYTHON
from tracker.memory import STOP, Memory, new_memory
from tracker.step import Options, asked_curvature
from tracker.tracker import WHEELBASES_LOST, response_of
from tracks import Track
from tracks.errors import InputError
from tracks.geometry import evaluate
from tracks.track import planned_speed
from tuning.simulation.kernel import (
    RUNNING,
    Circumstances,
    Plant,
    Records,
    Rig,
    closed_loop,
    drive_period,
    look,
    record,
)
from tuning.simulation.plant import Commands
from tuning.simulation.run import Outcome, Run
from tuning.simulation.scenario import Scenario
from tuning.vehicle import DeadTimes, State, Vehicle
from tuning.vehicle.steady import steady_turn

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
    rig = Rig(
        believed.values,
        (envelope or law.envelope or Envelope()).values(believed),
        Options(
            period=float(period),
            speed_factor=scenario.speed_factor,
            compensate_dead_time=float(compensate_dead_time),
            # A drive that begins off the path by intent may be as far off again, and half as much.
            lost_beyond=WHEELBASES_LOST * vehicle.body.wheelbase + 1.5 * offset,
        ),
        track.arrays,
    )
    plant = _plant(vehicle, scenario)
    state, curvature = _start(vehicle, track, scenario)
    records_a_period = math.ceil(period / _SLOWEST_RECORDING - 1e-9)
    steps = math.ceil(_longest_time(track, scenario) / period)
    circumstances = _circumstances(vehicle, track, scenario, steps, records_a_period, substep)
    records = Records(*np.empty((len(Records._fields), steps * records_a_period + 1)))
    commands = Commands(*np.empty((3, steps + 1)))
    memory = new_memory(0.0, curvature, state.speed)
    commands.curvature[0] = asked_curvature(rig.response, curvature, state.speed)
    commands.speed[0], commands.acceleration[0] = state.speed, 0.0
    record(records, 0, 0.0, plant, rig.track, state, 0.0)
    loop = (rig, plant, circumstances, memory, commands, records, state)
    counts: dict[str, int] = {}
    if law.kernel != IN_PYTHON:
        outcome, done = closed_loop(law.kernel, law.gain_values(), *loop)
    else:
        outcome, done, counts = _loop_in_python(law, believed, track, *loop)
    return _run(
        law, track, scenario, vehicle, outcome, done, records_a_period, memory, commands, records, counts
    )


def _loop_in_python(
    law: Law, believed: Response, track: Track, rig: Rig, plant: Plant, circumstances: Circumstances,
    memory: Memory, commands: Commands, records: Records, state: State,
) -> tuple[int, int, dict[str, int]]:  # fmt: skip
    """The loop of `closed_loop` around a law that runs in Python."""
    options = rig.options
    runner = law.start(believed, rig.envelope, track, options.period, options.speed_factor)
    outcome, steps = RUNNING, len(commands.curvature) - 1
    for step in range(steps):
        reason, view = look(rig, circumstances, memory, records, step)
        wanted = runner.curvature(view) if reason == 0 else 0.0
        state, outcome = drive_period(
            rig, plant, circumstances, memory, commands, records, state, step,
            reason, wanted, view.time, view.speed, view.s,
        )  # fmt: skip
        if outcome != RUNNING:
            return outcome, step + 1, dict(getattr(runner, "counts", {}))
    return outcome, steps, dict(getattr(runner, "counts", {}))


def _plant(vehicle: Vehicle, scenario: Scenario) -> Plant:
    extra = scenario.extra_dead_time
    return Plant(
        vehicle.model_code, vehicle.plant, DeadTimes(*(float(d + extra) for d in vehicle.dead_times))
    )


def _start(vehicle: Vehicle, track: Track, scenario: Scenario) -> tuple[State, float]:
    """Give the first state, steady in the path's first curvature, and that curvature (1/m)."""
    point = evaluate(track.arrays.path, 0.0)
    speed = planned_speed(track.arrays, 0.0)[0] * scenario.speed_factor
    offset = track.start_offset + scenario.lateral_offset
    steady = steady_turn(vehicle.model_code, vehicle.plant, float(speed), float(point.curvature))
    state = steady._replace(
        x=point.x - offset * point.tangent_y,
        y=point.y + offset * point.tangent_x,
        heading=point.heading + steady.heading + scenario.heading_offset,
    )
    return State(*(float(value) for value in state)), float(point.curvature)


def _longest_time(track: Track, scenario: Scenario) -> float:
    """Give the time after which a run is given up, s."""
    s, v = track.path.s, track.speed
    # Constant acceleration between nodes: the mean of the end speeds; a floor stands for creeping at a stop.
    mean = np.maximum(0.5 * (v[1:] + v[:-1]) * scenario.speed_factor, 0.05 * max(float(v.max()), 1e-3))
    laps = scenario.laps if track.path.closed else 1
    return _TIME_ALLOWED * laps * float(np.sum(np.diff(s) / mean)) + _TIME_TO_SPARE


def _circumstances(
    vehicle: Vehicle, track: Track, scenario: Scenario, steps: int, records: int, substep: float
) -> Circumstances:
    spread = np.array([scenario.position_noise, scenario.position_noise, scenario.heading_noise])
    noise = np.zeros((1, 3))
    if spread.any():
        noise = np.random.default_rng(scenario.seed).standard_normal((steps, 3)) * spread
    length = vehicle.body.wheelbase
    return Circumstances(
        latency=scenario.localisation_latency,
        noise=noise,
        substep=float(substep),
        records=records,
        goal=track.path.length * scenario.laps,
        near_goal=0.5 * length,
    )


def _run(
    law: Law, track: Track, scenario: Scenario, vehicle: Vehicle, outcome: int, done: int, records_a_period: int,
    memory: Memory, commands: Commands, records: Records, counts: dict[str, int],
) -> Run:  # fmt: skip
    samples = done * records_a_period + 1
    series: dict[str, Any] = {name: values[:samples].copy() for name, values in records._asdict().items()}
    for name, values in commands._asdict().items():
        # The command given at a control step holds until the next; the last sample repeats it.
        held = np.repeat(values[1 : done + 1], records_a_period)
        series[f"command_{name}"] = np.append(held, held[-1])
    return Run(
        law=law,
        track=track,
        scenario=scenario,
        outcome=Outcome.OUT_OF_TIME if outcome == RUNNING else Outcome(outcome),
        stop_reason=StopReason(int(memory.numbers[STOP])),
        rate_limit=vehicle.steering.rate_limit,
        angle_limit=vehicle.steering.reach,
        width=vehicle.body.width,
        counts=counts,
        **series,
    )
