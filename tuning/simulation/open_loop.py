"""Drive a vehicle by commands alone: step steers, sweeps, speed steps, without track, law or tracker."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from tracks.errors import InputError
from tracks.one_source import equation
from tuning.simulation.plant import Conduct, advance
from tuning.simulation.wire import Message, Wire, link_delays, new_wire, send
from tuning.vehicle import State, Surroundings, Vehicle
from tuning.vehicle.model import moving
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.steady import steady_turn
from tuning.vehicle.steering import steering_target

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["OpenLoopRun", "open_loop"]

Course = ArrayLike | Callable[[np.ndarray], ArrayLike]
"""A number, an array of shape (steps,), or a function of the commands' times (s, shape (steps,))."""

_MOTIONS = ("rear_velocity", "lateral_acceleration", "longitudinal_acceleration", "road_wheel_angle")


@dataclass(frozen=True)
class OpenLoopRun:
    """What a vehicle did, sampled at every command; every array has shape (n,).

    Attributes:
        time: s. command_curvature: 1/m. command_speed: m/s. command_acceleration: m/s².
        states: every field of `tuning.vehicle.State` by name, shape (n, fields): see `series`.
        motions: rear_velocity (m/s), lateral_acceleration at the centre of gravity, longitudinal_acceleration
            (m/s²) and road_wheel_angle (rad), shape (n, 4).
    """

    time: np.ndarray
    command_curvature: np.ndarray
    command_speed: np.ndarray
    command_acceleration: np.ndarray
    states: np.ndarray
    motions: np.ndarray

    def series(self, name: str) -> np.ndarray:
        """Give a state or a motion by name, shape (n,); the yaw rate is that with which the heading turns."""
        if name in _MOTIONS:
            return self.motions[:, _MOTIONS.index(name)]
        if name not in State._fields:
            known = ", ".join((*State._fields, *_MOTIONS))
            raise InputError(f"{name!r} is no series of a drive", f"one of {known}", "correct the name")
        return self.states[:, State._fields.index(name)]

    def to_frame(self) -> pd.DataFrame:
        """Give everything as a table, one column a quantity."""
        import pandas as pd

        commands = {
            name: getattr(self, name)
            for name in ("time", "command_curvature", "command_speed", "command_acceleration")
        }
        return pd.DataFrame(commands | {name: self.series(name) for name in (*State._fields, *_MOTIONS)})


@equation
def _drive(
    model, p: PlantParameters, dead: DeadTimes, wire: Wire, curvature: np.ndarray, speed: np.ndarray,
    acceleration: np.ndarray, delay: np.ndarray, around: Surroundings, period, substep, state: State,
    states: np.ndarray, motions: np.ndarray,
):  # fmt: skip
    by_wire = Conduct(0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    for step in range(curvature.shape[0]):
        moves = moving(model, p, state, around)
        for i in range(states.shape[1]):
            states[step, i] = state[i]
        states[step, 5] = moves.yaw_rate
        motions[step, 0] = moves.rear_velocity
        motions[step, 1] = state.speed * moves.yaw_rate + moves.lateral_dot
        motions[step, 2] = moves.speed_dot
        motions[step, 3] = moves.road_wheel_angle
        ask = acceleration[step]
        message = Message(steering_target(p, curvature[step]), speed[step], ask, ask)
        now = step * period
        send(wire, dead, message, step + 1, now + delay[step % delay.shape[0]], 0.0)
        state = advance(model, p, state, wire, step + 1, by_wire, around, 1.0, substep, now, now + period)


def open_loop(
    vehicle: Vehicle,
    seconds: float,
    *,
    speed: Course,
    curvature: Course = 0.0,
    acceleration: Course = 0.0,
    start: State | None = None,
    surroundings: Surroundings | None = None,
    period: float = 0.02,
    substep: float = 0.005,
    seed: int = 1,
) -> OpenLoopRun:
    """Drive a vehicle by a course of commands and give what it did.

    Args:
        vehicle: the vehicle; its by-wire layer, dead times and link take part.
        seconds: how long, s.
        speed: commanded, m/s; the drive starts at its first value.
        curvature: commanded, 1/m, + left; the drive starts in the steady state of its first value.
        acceleration: commanded feed-forward, m/s².
        start: another state to start from.
        surroundings: road and wind; None for a dry level road without wind.
        period: between two commands and two samples, s.
        substep: longest integration step, s.
        seed: of the link's jitter.

    Raises:
        InputError: a setting is out of range, or a course has another number of values than there are commands.
    """
    if not 0.0 < seconds <= 1e5:
        raise InputError(f"seconds is {seconds:g}", "above 0 and at most 1e5 s", "correct it")
    if not 1e-4 <= period <= 1.0:
        raise InputError(f"period is {period:g} s", "1e-4 to 1 s", "command at 1 Hz to 10 kHz")
    if not 1e-5 <= substep <= 0.01:
        raise InputError(f"substep is {substep:g} s", "1e-5 to 0.01 s", "keep the default of 0.005 s")
    steps = math.ceil(seconds / period - 1e-9) + 1
    time = period * np.arange(steps)
    courses = {
        name: _values(name, course, time)
        for name, course in (("curvature", curvature), ("speed", speed), ("acceleration", acceleration))
    }
    plant, around = vehicle.plant, surroundings or Surroundings()
    first_speed, first_curvature = float(courses["speed"][0]), float(courses["curvature"][0])
    if start is None:
        start = _started(vehicle, plant, first_speed, first_curvature)
    link = vehicle.link
    wire = new_wire(steps, Message(float(steering_target(plant, first_curvature)), first_speed, 0.0, 0.0))
    states, motions = np.empty((steps, len(State._fields))), np.empty((steps, len(_MOTIONS)))
    _drive(
        vehicle.model_code, plant, vehicle.dead_times, wire, courses["curvature"], courses["speed"],
        courses["acceleration"], link_delays(link.period, link.jitter, steps, period, seed),
        Surroundings(*(float(v) for v in around)), float(period), float(substep),
        State(*(float(v) for v in start)), states, motions,
    )  # fmt: skip
    return OpenLoopRun(time, courses["curvature"], courses["speed"], courses["acceleration"], states, motions)


def _values(name: str, course: Any, time: np.ndarray) -> np.ndarray:
    values = np.asarray(course(time) if callable(course) else course, dtype=float)
    if values.ndim == 0:
        values = np.full(time.shape, float(values))
    if values.shape != time.shape:
        raise InputError(
            f"{name} has shape {values.shape}", f"a number or {time.size} values", "give one value a command"
        )
    if not np.all(np.isfinite(values)):
        raise InputError(f"{name} has values that are not finite", "finite numbers", "correct the course")
    return np.ascontiguousarray(values)


def _started(vehicle: Vehicle, plant: PlantParameters, speed: float, curvature: float) -> State:
    """Give the steady state that the first commands lead to."""
    angle = float(steering_target(plant, curvature))
    driven = math.tan(angle) / (plant.wheelbase + plant.understeer_gradient * speed * speed)
    return steady_turn(vehicle.model_code, plant, speed, driven)._replace(
        steering_angle=angle, play_angle=angle
    )
