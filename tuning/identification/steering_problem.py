"""Steering and body as a least-squares problem: from unknowns to residuals of what was measured.

What a sensor reads is the simulated quantity, late by the sensor's lag (taken as a pure delay) and beside by its offset.
An accelerometer feels the road's bank: it reads the acceleration along the road plus g sin(bank).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Residuals, Stack
from tuning.identification.kernels import CODES, commanded_angles, steering_answer
from tuning.identification.records import Recording
from tuning.identification.sensors import bank_name, late, slopes
from tuning.identification.static_map import angles_of, smoothness
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.vehicle import Vehicle, understeer_gradient
from tuning.vehicle.model import MODELS
from tuning.vehicle.parameters import PlantParameters
from tuning.vehicle.resistance import GRAVITY

__all__ = ["SteeringProblem"]

Array = NDArray[np.float64]

_KEPT = 30  # answers: those that the derivatives at one point take; 2.4 MB each for 10 min at 100 Hz

# Dotted name of a vehicle's value -> field of PlantParameters.
_PLANT_FIELDS = {
    "body.wheelbase": "wheelbase",
    "body.yaw_inertia": "yaw_inertia",
    "tyres.understeer_gradient": "understeer_gradient",
    "tyres.cornering_stiffness_front": "stiffness_front",
    "tyres.cornering_stiffness_rear": "stiffness_rear",
    "steering.natural_frequency": "natural_frequency",
    "steering.damping": "damping",
    "steering.lag": "steering_lag",
    "steering.rate_limit": "rate_limit",
    "steering.gain": "gain",
    "steering.offset": "offset",
    "steering.dead_band": "dead_band",
}


class _Kept:
    """The last answers by what they depend on, shared by the threads that take derivatives."""

    def __init__(self) -> None:
        self._answers: dict[tuple[float, ...], Array] = {}
        self._lock = Lock()

    def __reduce__(self) -> tuple[type[_Kept], tuple[()]]:
        return _Kept, ()  # a copy, as for another process, begins with none

    def get(self, key: tuple[float, ...], make: Callable[[], Array]) -> Array:
        """Give the answer kept under a key, or make and keep it."""
        with self._lock:
            answer = self._answers.pop(key, None)
        if answer is None:
            answer = make()
            answer.flags.writeable = False
        with self._lock:
            self._answers[key] = answer  # the newest last
            while len(self._answers) > _KEPT:
                self._answers.pop(next(iter(self._answers)))
        return answer


@dataclass(frozen=True)
class SteeringProblem:
    """What is fitted, and on what.

    Attributes:
        vehicle: holds every value that is not fitted.
        model: name of the equations, a key of `MODELS`.
        unknowns: what is fitted.
        recording: the data.
        knots: commands at the knots of a fitted static map, shape (k,); empty when none is fitted.
        fastest: samples faster than this (m/s) do not count.
        left_out: measured answers that are not compared.
        given: known values of sensors and road, by dotted name.
    """

    vehicle: Vehicle
    model: str
    unknowns: tuple[Unknown, ...]
    recording: Recording
    knots: Array = field(default_factory=lambda: np.zeros(0))
    fastest: float = np.inf
    left_out: tuple[str, ...] = ()
    given: Mapping[str, float] = field(default_factory=dict)

    @property
    def outputs(self) -> list[str]:
        """Names of the measured answers that are fitted, in the order of the residuals."""
        return [name for name in self.recording.measured if name not in ("speed", *self.left_out)]

    @property
    def stack(self) -> Stack:
        """Where the residuals stand in time."""
        moments = {name: self._used(name)[1] for name in self.outputs}
        return Stack(moments, self.recording.drives.first)

    def values(self, z: Array) -> dict[str, float]:
        """Give the unknowns' values by name."""
        return from_coordinates(self.unknowns, z)

    def plant(self, values: Mapping[str, float]) -> PlantParameters:
        """Give the constants of the equations of motion for these values of the unknowns."""
        base = self.vehicle.plant
        changed: dict[str, Any] = {
            _PLANT_FIELDS[name]: value for name, value in values.items() if name in _PLANT_FIELDS
        }
        if "steering.backlash" in values:
            changed["play"] = 0.5 * values["steering.backlash"]
        if "stiffness_front" in changed:
            tyres = changed["stiffness_front"]
            changed["tyre_stiffness_front"] = tyres
            changed["stiffness_front"] = tyres / (1.0 + tyres * base.compliance)
        p = base._replace(**changed)
        if "wheelbase" in changed:
            front = self.vehicle.body.front_axle_distance
            front = 0.5 * p.wheelbase if front is None else front
            p = p._replace(front_axle_distance=front, rear_axle_distance=p.wheelbase - front)
        if self.model == "single-track":
            p = p._replace(
                understeer_gradient=understeer_gradient(
                    p.mass, p.front_axle_distance, p.rear_axle_distance, p.stiffness_front, p.stiffness_rear
                )
            )
        return p

    def map_of(self, values: Mapping[str, float]) -> tuple[Array, Array]:
        """Give commands and angles (rad) of the static map, each of shape (k,); a dummy where there is none."""
        if self.knots.size:
            return self.knots, angles_of(values, self.knots.size)
        steering = self.vehicle.steering
        if steering.map_command:
            return np.array(steering.map_command), np.array(steering.map_angle)
        return np.zeros(1), np.zeros(1)

    def simulate(self, values: Mapping[str, float]) -> Array:
        """Give the simulated answer, shape (5, n), as `steering_answer` says.

        What only sensors differ in is simulated once: the last answers are kept.
        """
        key = tuple(value for name, value in values.items() if not name.startswith("sensors."))
        return self._answers.get(key, lambda: self._simulated(values))

    @cached_property
    def _answers(self) -> _Kept:
        return _Kept()

    def _simulated(self, values: Mapping[str, float]) -> Array:
        p = self.plant(values)
        commands, angles = self.map_of(values)
        target = commanded_angles(
            p, CODES[self.vehicle.steering.interface], self.recording.command, commands, angles
        )
        dead_time = float(values.get("steering.dead_time", self.vehicle.steering.dead_time))
        body = self.model != "kinematic"
        answer = steering_answer(
            MODELS[self.model], p, dead_time, self.recording.drives, target, self._pull(values), body
        )
        if not body and "lateral_acceleration" in self.outputs:
            answer[4] += p.rear_axle_distance * slopes(
                answer[2], self.recording.clock, self.recording.drives.first
            )
        return answer

    def compared(self, values: Mapping[str, float]) -> dict[str, tuple[Array, Array]]:
        """Give each output as (measured, simulated as its sensor reads it), both of shape (m,), SI."""
        answer = self.simulate(values)
        pairs: dict[str, tuple[Array, Array]] = {}
        for name in self.outputs:
            keep, _ = self._used(name)
            given = self.recording.measured[name].values[keep]
            pairs[name] = (given, self._read(name, values, answer, given))
        return pairs

    def _read(self, name: str, values: Mapping[str, float], answer: Array, given: Array) -> Array:
        """Give what the sensor of an output reads where the simulation is `answer`, shape (m,)."""
        recording = self.recording
        keep, at = self._used(name)
        lag = self._value(f"sensors.{name}_lag", values)
        offset = self._value(f"sensors.{name}_offset", values)
        back, ahead = recording.measured[name].back, recording.measured[name].ahead
        if name == "steering_angle":
            return late(answer[0], answer[1], recording, at, lag) + offset
        if name == "lateral_acceleration":
            felt = answer[4] - self._pull(values)
            felt = late(felt, None, recording, at, lag) + offset
            if self._fits(f"sensors.{name}_offset"):
                return felt
            return felt + _mean_by_log(given - felt, recording.log[at])
        if back is not None and ahead is not None:
            b, a = back[keep], ahead[keep]
            turned = late(answer[3], answer[2], recording, a, lag) - late(
                answer[3], answer[2], recording, b, lag
            )
            return turned / (recording.drives.time[a] - recording.drives.time[b])
        return late(answer[2], None, recording, at, lag) + offset

    def _fits(self, name: str) -> bool:
        return name in self.given or any(unknown.name == name for unknown in self.unknowns)

    def _value(self, name: str, values: Mapping[str, float]) -> float:
        return float(values.get(name, self.given.get(name, 0.0)))

    def _pull(self, values: Mapping[str, float]) -> Array:
        """Give the side acceleration by the road's bank at each sample, shape (n,), m/s², + left."""
        log = self.recording.log
        banks = [
            self._value(name, values) if self._fits(name := bank_name(number)) else 0.0
            for number in range(int(log.max()) + 1)
        ]
        return -GRAVITY * np.sin(np.array(banks))[log]

    def judging(self, recording: Recording) -> SteeringProblem:
        """Give the problem that compares every measured answer of other driving, whose roads it does not know."""
        unknowns = tuple(u for u in self.unknowns if not _of_road(u.name))
        given = {name: value for name, value in self.given.items() if not _of_road(name)}
        return replace(self, unknowns=unknowns, recording=recording, left_out=(), given=given)

    def residuals(self, z: Array) -> Residuals:
        """Give simulated minus measured, by output, unweighted, SI."""
        return {name: s - m for name, (m, s) in self.compared(self.values(z)).items()}

    def penalty(self, z: Array) -> Array:
        """Give the rows that keep a static map from bending where the log says nothing."""
        if self.knots.size < 3:
            return np.zeros(0)
        return smoothness(self.knots, angles_of(self.values(z), self.knots.size))

    def _used(self, output: str) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        at = self.recording.measured[output].at
        keep = self.recording.drives.speed[at] <= self.fastest
        return keep, at[keep]


def _of_road(name: str) -> bool:
    # An accelerometer's offset cannot be told from an unknown bank: the mean of each log is taken off instead.
    return name.startswith("road.") or name == "sensors.lateral_acceleration_offset"


def _mean_by_log(values: Array, log: NDArray[np.int64]) -> Array:
    total = np.bincount(log, values)
    count = np.bincount(log)
    return (total / np.maximum(count, 1))[log]
