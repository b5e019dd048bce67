"""The vehicle through one control period: dead times as real numbers, inputs held, RK4 in between."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation
from tuning.vehicle.model import rk4
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import Inputs, State, Surroundings
from tuning.vehicle.steering import steering_target

__all__ = ["Commands", "advance"]

_SAME_TIME = 1e-9  # s: two instants closer than this are one


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


@equation
def _entry(step, time, dead_time, period):
    """Give the entry of `Commands` that acts at `time` after control step `step`."""
    whole = np.floor(dead_time / period + _SAME_TIME)
    switch = dead_time - whole * period
    entry = step + 1 - int(whole)
    if time < switch - _SAME_TIME:
        entry -= 1
    return max(entry, 0)


@equation
def _switch_after(time, dead_time, period, until):
    """Give the moment in (time, until) when the next command acts, else `until`; s after the control step."""
    switch = dead_time - np.floor(dead_time / period + _SAME_TIME) * period
    if switch > time + _SAME_TIME and switch < until:
        return switch
    return until


@equation
def advance(
    model: int, p: PlantParameters, dead: DeadTimes, state: State, commands: Commands, step: int,
    period, substep, start, end,
):  # fmt: skip
    """Carry the state from `start` to `end` [s after control step `step`], both within the period.

    The span is cut wherever a command comes into effect, so a dead time need not be a multiple of anything
    and the input is constant over every integration step.
    """
    around = Surroundings(1.0, 0.0, 0.0, 0.0)
    time = start
    while time < end - _SAME_TIME:
        until = _switch_after(time, dead.steering, period, end)
        until = _switch_after(time, dead.drive, period, until)
        until = _switch_after(time, dead.brake, period, until)
        target = steering_target(p, commands.curvature[_entry(step, time, dead.steering, period)])
        drive = _entry(step, time, dead.drive, period)
        brake = _entry(step, time, dead.brake, period)
        count = int(np.ceil((until - time) / substep - _SAME_TIME))
        h = (until - time) / count
        inputs = Inputs(
            target,
            commands.speed[drive], commands.acceleration[drive],
            commands.speed[brake], commands.acceleration[brake],
            1.0, 1.0,
        )  # fmt: skip
        for _ in range(count):
            state = rk4(model, p, state, inputs, around, h)
        time = until
    return state
