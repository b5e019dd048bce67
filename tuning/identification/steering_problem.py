"""Steering and body as a least-squares problem: from unknowns to residuals of what was measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Residuals, Stack
from tuning.identification.kernels import CODES, commanded_angles, steering_answer
from tuning.identification.records import Recording
from tuning.identification.static_map import angles_of, smoothness
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.vehicle import Vehicle, understeer_gradient
from tuning.vehicle.model import MODELS
from tuning.vehicle.parameters import PlantParameters

__all__ = ["SteeringProblem"]

Array = NDArray[np.float64]

# Dotted name of a vehicle's value -> field of PlantParameters.
_PLANT_FIELDS = {
    "body.wheelbase": "wheelbase",
    "tyres.understeer_gradient": "understeer_gradient",
    "tyres.cornering_stiffness_front": "stiffness_front",
    "tyres.cornering_stiffness_rear": "stiffness_rear",
    "steering.natural_frequency": "natural_frequency",
    "steering.damping": "damping",
    "steering.lag": "steering_lag",
    "steering.rate_limit": "rate_limit",
    "steering.gain": "gain",
    "steering.offset": "offset",
}


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
    """

    vehicle: Vehicle
    model: str
    unknowns: tuple[Unknown, ...]
    recording: Recording
    knots: Array = field(default_factory=lambda: np.zeros(0))
    fastest: float = np.inf
    left_out: tuple[str, ...] = ()

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

    def plant(self, values: dict[str, float]) -> PlantParameters:
        """Give the constants of the equations of motion for these values of the unknowns."""
        base = self.vehicle.plant
        changed: dict[str, Any] = {
            _PLANT_FIELDS[name]: value for name, value in values.items() if name in _PLANT_FIELDS
        }
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

    def map_of(self, values: dict[str, float]) -> tuple[Array, Array]:
        """Give commands and angles (rad) of the static map, each of shape (k,); a dummy where there is none."""
        if self.knots.size:
            return self.knots, angles_of(values, self.knots.size)
        steering = self.vehicle.steering
        if steering.map_command:
            return np.array(steering.map_command), np.array(steering.map_angle)
        return np.zeros(1), np.zeros(1)

    def simulate(self, values: dict[str, float]) -> Array:
        """Give the simulated answer, shape (5, n), as `steering_answer` says."""
        p = self.plant(values)
        commands, angles = self.map_of(values)
        target = commanded_angles(
            p, CODES[self.vehicle.steering.interface], self.recording.command, commands, angles
        )
        dead_time = float(values.get("steering.dead_time", self.vehicle.steering.dead_time))
        body = self.model != "kinematic" or "lateral_acceleration" in self.outputs
        return steering_answer(MODELS[self.model], p, dead_time, self.recording.drives, target, body)

    def compared(self, values: dict[str, float]) -> dict[str, tuple[Array, Array]]:
        """Give each output as (measured, simulated), both of shape (m,), SI.

        An accelerometer carries an unknown constant (tilt), so the mean difference of each log is taken from the
        simulated lateral acceleration.
        """
        answer = self.simulate(values)
        drives, measured = self.recording.drives, self.recording.measured
        pairs: dict[str, tuple[Array, Array]] = {}
        for name in self.outputs:
            keep, at = self._used(name)
            given = measured[name].values[keep]
            back, ahead = measured[name].back, measured[name].ahead
            if name == "steering_angle":
                simulated = answer[0, at]
            elif name == "lateral_acceleration":
                simulated = answer[4, at]
                simulated = simulated + _mean_by_log(given - simulated, self.recording.log[at])
            elif back is not None and ahead is not None:
                b, a = back[keep], ahead[keep]
                simulated = (answer[3, a] - answer[3, b]) / (drives.time[a] - drives.time[b])
            else:
                simulated = answer[2, at]
            pairs[name] = (given, simulated)
        return pairs

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


def _mean_by_log(values: Array, log: NDArray[np.int64]) -> Array:
    total = np.bincount(log, values)
    count = np.bincount(log)
    return (total / np.maximum(count, 1))[log]
