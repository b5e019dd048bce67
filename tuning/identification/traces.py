"""Measured and simulated outputs side by side, with what was asked for at the same moments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tuning.identification.fitted import LateralFit
from tuning.identification.quality import Trace
from tuning.identification.records import Recording
from tuning.identification.speed_fit import SpeedFit
from tuning.identification.steering_problem import SteeringProblem

__all__ = ["held_mean", "joined", "speed_traces_of", "traces_of"]

Array = NDArray[np.float64]


def traces_of(lateral: LateralFit, speed: SpeedFit | None, data: Recording) -> dict[str, Trace]:
    """Give every output of the data, measured and simulated with the fitted values, by name."""
    clock = _clock(data)
    own = data is lateral.problem.recording
    steering = replace(lateral.problem, left_out=()) if own else lateral.problem.judging(data)
    asked = _angle_asked_for(steering, lateral.values)
    moments = steering.stack.moments
    traces = {
        name: _trace(data, clock, moments[name], measured, simulated, asked)
        for name, (measured, simulated) in steering.compared(lateral.values).items()
    }
    return traces | (speed_traces_of(speed, data) if speed is not None and "speed" in data.measured else {})


def speed_traces_of(speed: SpeedFit, data: Recording) -> dict[str, Trace]:
    """Give the outputs of the longitudinal side, as `traces_of` does; asked for is the speed, or the throttle."""
    problem = replace(speed.problem, recording=data)
    asked = data.speed_command if data.speed_command is not None else data.throttle
    assert asked is not None  # a speed fit is made only of logs with one of the two
    clock, at = _clock(data), problem.stack.moments
    return {
        name: _trace(data, clock, at[name], measured, simulated, asked)
        for name, (measured, simulated) in problem.compared(speed.values).items()
    }


def joined(first: Mapping[str, Trace], second: Mapping[str, Trace]) -> dict[str, Trace]:
    """Put traces of two sets of recordings one after the other, recordings kept apart; only what both hold.

    One clock still holds for all outputs.
    """
    later = max((trace.time[-1] for trace in first.values()), default=0.0) + 1.0
    return {name: _after(one, second[name], later) for name, one in first.items() if name in second}


def _after(one: Trace, other: Trace, later: float) -> Trace:
    def both(a: Array | None, b: Array | None) -> Array | None:
        return None if a is None or b is None else np.concatenate((a, b))

    groups = [np.zeros(t.time.size, dtype=np.int64) if t.group is None else t.group for t in (one, other)]
    return Trace(
        np.concatenate((one.time, other.time + later)),
        np.concatenate((one.measured, other.measured)),
        np.concatenate((one.simulated, other.simulated)),
        both(one.command, other.command),
        both(one.speed, other.speed),
        np.concatenate((groups[0], groups[1] - groups[1].min() + groups[0].max() + 1)),
        max(one.averaged, other.averaged),
    )


def held_mean(
    time: Array, values: Array, first: NDArray[np.int64], at: NDArray[np.int64], width: float
) -> Array:
    """Give the mean of a held command over `width` seconds around each of some samples, shape (m,).

    The mean over a window that is centred on the reading has no delay, and an answer sampled more slowly than the
    command is commanded keeps what happens between its readings. Its attenuation of a sine is sin(πfw)/(πfw).

    Args:
        time: s, shape (n,), increasing within a recording.
        values: shape (n,), each held until the next sample of its recording.
        first: index of the first sample of the recording of each sample, shape (n,).
        at: samples asked for, shape (m,).
        width: s, above 0.
    """
    means = np.empty(at.size)
    for start in np.unique(first[at]):
        inside = np.flatnonzero(first == start)
        t, u = time[inside], values[inside]
        integral = np.concatenate(([0.0], np.cumsum(u[:-1] * np.diff(t))))
        mine = first[at] == start
        low = np.clip(time[at[mine]] - 0.5 * width, t[0], None)
        high = np.clip(time[at[mine]] + 0.5 * width, None, t[-1])
        means[mine] = (np.interp(high, t, integral) - np.interp(low, t, integral)) / (high - low)
    return means


def _trace(
    data: Recording, clock: Array, at: NDArray[np.int64], measured: Array, simulated: Array, asked: Array
) -> Trace:
    first = data.drives.first
    spacing = np.diff(clock[at])[np.diff(first[at]) == 0]
    width = float(np.median(spacing))
    command = held_mean(data.drives.time, asked, first, at, width)
    return Trace(clock[at], measured, simulated, command, data.drives.speed[at], first[at], width)


def _clock(data: Recording) -> Array:
    step = np.diff(data.drives.time, prepend=data.drives.time[0])
    return np.cumsum(np.where(step > 0.0, step, 0.0))


def _angle_asked_for(problem: SteeringProblem, values: dict[str, float]) -> Array:
    """Give the road-wheel angle that each command means by itself, shape (n,), rad."""
    command = problem.recording.command
    interface = problem.vehicle.steering.interface
    if interface == "curvature":
        return np.arctan(problem.plant(values).wheelbase * command)
    return command if interface == "angle" else np.interp(command, *problem.map_of(values))
