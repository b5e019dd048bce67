"""A vehicle to close the loop with in the tests of this room: kinematic, with lags, and a localisation that fails."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

import tracker

PERIOD = 0.02  # s
LENGTH = 2.8  # m, the wheelbase of a default `tracker.Response`
_SUBSTEPS = 10
STEERING_LAG = 0.1  # s
_SPEED_GAIN = 2.0  # 1/s


@dataclass
class Motion:
    """Where the vehicle is: rear-axle middle m, rad, m/s, driven curvature 1/m."""

    x: float = 0.0
    y: float = 0.0
    heading: float = 0.0
    speed: float = 8.0
    curvature: float = 0.0

    def advance(self, curvature: float, speed: float, acceleration: float) -> None:
        """Drive one period on a command: lags by explicit Euler steps of 2 ms, arcs by their middle."""
        h = PERIOD / _SUBSTEPS
        for _ in range(_SUBSTEPS):
            step = h / STEERING_LAG * (curvature - self.curvature)
            self.curvature += step
            self.speed = max(self.speed + h * (acceleration + _SPEED_GAIN * (speed - self.speed)), 0.0)
            turn = self.speed * (self.curvature - 0.5 * step) * h
            self.x += self.speed * h * math.cos(self.heading + 0.5 * turn)
            self.y += self.speed * h * math.sin(self.heading + 0.5 * turn)
            self.heading += turn

    def measured(self, time: float) -> tracker.Measurement:
        """Give the true measurement."""
        return tracker.Measurement(
            time, self.x, self.y, self.heading, self.speed, self.speed * self.curvature,
            math.atan(LENGTH * self.curvature),
        )  # fmt: skip


class Drive(NamedTuple):
    """The true measurements, and the commands given, one for each."""

    measured: list[tracker.Measurement]
    commands: list[tracker.Command]

    @property
    def curvatures(self) -> np.ndarray:
        """Commanded curvatures, 1/m."""
        return np.array([c.curvature for c in self.commands])

    @property
    def speeds(self) -> np.ndarray:
        """Commanded speeds, m/s."""
        return np.array([c.speed for c in self.commands])

    def lateral_errors(self, path) -> np.ndarray:
        """True lateral errors, m, + left."""
        return np.array([path.locate(m.x, m.y, heading=m.heading)[1] for m in self.measured])


Localisation = Callable[[list[tracker.Measurement]], tracker.Measurement]


def true_pose(history: list[tracker.Measurement]) -> tracker.Measurement:
    """A localisation without fault: the newest of the true measurements so far."""
    return history[-1]


def last_of(history: list[tracker.Measurement], i: int, declared: bool = True) -> tracker.Measurement:
    """Give the newest measurement with the pose of the i-th, and its age where that is declared."""
    now, then = history[-1], history[max(i, 0)]
    age = now.time - then.time if declared else 0.0
    return replace(now, x=then.x, y=then.y, heading=then.heading, pose_age=age)


def drive(
    follower: tracker.Tracker,
    seconds: float,
    sees: Localisation = true_pose,
    motion: Motion | None = None,
    start: float = 0.0,
) -> Drive:
    """Close the loop around a tracker for a while, from `motion` (changed in place) at time `start`."""
    motion = motion or Motion()
    result = Drive([], [])
    for i in range(round(seconds / PERIOD)):
        result.measured.append(motion.measured(start + i * PERIOD))
        command = follower.command(sees(result.measured))
        result.commands.append(command)
        motion.advance(command.curvature, command.speed, command.acceleration)
    return result


def replay(follower: tracker.Tracker, driven: Drive, sees: Localisation) -> Drive:
    """Give the commands of a tracker that is shown a drive through another localisation, without steering it."""
    result = Drive([], [])
    for measured in driven.measured:
        result.measured.append(measured)
        result.commands.append(follower.command(sees(result.measured)))
    return result
