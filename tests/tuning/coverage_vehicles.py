"""Four vehicles of different kinds, driven by `independent_drives`, whose every value is known.

Noise is what small inertial sensors show on a moving vehicle (orders of magnitude from memory): coloured, correlation
0.9 from one 50 Hz sample to the next, plus the rounding to a sensor's resolution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import Any

import numpy as np
from independent_drives import (
    Grid,
    coloured,
    delayed,
    excitation,
    first_order,
    limited_second_order,
    quantised,
    second_order,
    single_track,
    speed_loop,
    steady_yaw_rate,
)
from numpy.typing import NDArray

from tuning.logs import Log

__all__ = ["PERIOD", "VEHICLES", "Case", "sensors_are_fitted"]

Array = NDArray[np.float64]

PERIOD = 0.02  # s, of the logs
RHO = 0.9  # correlation of neighbouring noise

# Standard deviations of what a sensor's zero and age are drawn from: what the identification takes them to be like
# before it sees a log. An interval that rests on a prior holds the truth as often as it says only if truths are such.
ZEROS = {
    "sensors.yaw_rate_offset": 0.004,  # rad/s
    "sensors.lateral_acceleration_offset": 0.3,  # m/s²
    "sensors.steering_angle_offset": 0.02,  # rad
}
BANK = 0.02  # rad, likewise, of the road
OLDEST = 0.05  # s, of what the age of a reading is drawn from


class _Sensors:
    """Zeros and ages of one drive's sensors: drawn, or none, and then what was drawn."""

    def __init__(self, seed: list[int], real: bool) -> None:
        self._rng = np.random.default_rng([*seed, 99])
        self._real = real
        self.truth: dict[str, float] = {}
        self.scale: dict[str, float] = {}

    def zero(self, output: str) -> float:
        """Draw the zero of a sensor, SI."""
        name = f"sensors.{output}_offset"
        return self._kept(name, self._rng.normal(0.0, ZEROS[name]), ZEROS[name])

    def age(self, output: str) -> float:
        """Draw the age of a sensor's readings, s."""
        return self._kept(f"sensors.{output}_lag", self._rng.uniform(0.0, OLDEST), OLDEST)

    def bank(self) -> float:
        """Draw the bank of the road, rad."""
        return self._kept("road.bank[0]", self._rng.normal(0.0, BANK), BANK)

    def _kept(self, name: str, value: float, scale: float) -> float:
        if not self._real:
            return 0.0
        self.truth[name], self.scale[name] = value, scale
        return value


@dataclass(frozen=True)
class Case:
    """One drive with its answers.

    Attributes:
        log: what was commanded and measured.
        known: what the user knows.
        truth: dotted name -> true value, of what is to be found.
        scale: dotted name -> what an error is related to where that is not the truth itself, as of a value near 0.
        truth_map: number -> angle, where the command is a number.
    """

    log: Log
    known: dict[str, Any]
    truth: dict[str, float]
    scale: dict[str, float] = field(default_factory=dict)
    truth_map: Callable[[Array], Array] | None = None


def sensors_are_fitted() -> bool:
    """Say whether the identification knows offsets and ages of sensors."""
    return find_spec("tuning.identification.sensors") is not None


def _measured(rng: np.random.Generator, values: Array, noise: float, resolution: float) -> Array:
    return quantised(values + coloured(rng, values.size, noise, RHO), resolution)


def _speeds(time: Array, rng: np.random.Generator, slow: float, fast: float, period: float = 31.0) -> Array:
    phase = rng.uniform(0.0, 2.0 * np.pi)
    return slow + (fast - slow) * 0.5 * (1.0 - np.cos(2.0 * np.pi * time / period + phase))


def _curvature(
    rng: np.random.Generator, time: Array, speed: Array, across: float, sharpest: float, quickest: float
) -> Array:
    """Give a curvature command (1/m) whose lateral acceleration stays near `across` (m/s²)."""
    return excitation(time, rng, quickest) * np.minimum(across / speed**2, sharpest)


def shuttle(seed: int, sensors: bool = False) -> Case:
    """A shuttle of 3.4 m wheelbase at 2.5 to 11 m/s that takes curvature and speed; a gyro measures its answer."""
    rng = np.random.default_rng([1, seed])
    time = np.arange(0.0, 90.0, PERIOD)
    drive = {
        "dead_time": 0.283, "lag": 0.45, "brake_dead_time": 0.127, "brake_lag": 0.22, "speed_gain": 0.9,
        "acceleration_limit": 1.2, "deceleration_limit": 1.8,
    }  # fmt: skip
    asked = np.repeat(rng.permutation(np.linspace(2.5, 11.0, 15)), round(6.0 / PERIOD))
    feed_forward = 0.25 * np.sin(0.9 * time + rng.uniform(0.0, 2.0 * np.pi))
    speed = speed_loop(time, asked, feed_forward, drive)
    command = _curvature(rng, time, speed, 2.0, 0.12, 1.3)
    gain, offset, gradient, length = 0.95, 0.008, 0.0031, 3.4
    grid = Grid(time, 0.113)
    nodes, _ = second_order(grid, gain * np.arctan(length * command) + offset, 11.0, 0.65)
    fitted = _Sensors([1, seed], sensors)
    yaw = steady_yaw_rate(speed, nodes[grid.samples], length, gradient) + fitted.zero("yaw_rate")
    log = Log(
        f"shuttle{seed}",
        {
            "time": time,
            "curvature_command": command,
            "speed_command": asked,
            "acceleration_command": feed_forward,
            "speed": _measured(rng, speed, 0.015, 0.01),
            "yaw_rate": _measured(rng, yaw, 0.006, 0.001),
        },
    )
    truth = {
        "steering.dead_time": 0.113,
        "steering.natural_frequency": 11.0,
        "steering.damping": 0.65,
        "steering.gain": gain,
        "steering.offset": offset,
        "tyres.understeer_gradient": gradient,
        **{f"drive.{name}": value for name, value in drive.items()},
    }
    return Case(log, {"wheelbase": length}, truth | fitted.truth, fitted.scale)


def car(seed: int, sensors: bool = False) -> Case:
    """A car of 2.7 m wheelbase at 8 to 25 m/s that takes a road-wheel angle; all its lateral sensors are logged."""
    rng = np.random.default_rng([2, seed])
    time = np.arange(0.0, 70.0, PERIOD)
    speed = _speeds(time, rng, 8.0, 25.0)
    mass, inertia, a, b, stiffness = 1520.0, 2350.0, 1.15, 1.55, (96e3, 124e3)
    length = a + b
    gradient = mass * b / (stiffness[0] * length) - mass * a / (stiffness[1] * length)
    curvature = _curvature(rng, time, speed, 3.0, 0.05, 1.6)
    command = np.arctan(curvature * (length + gradient * speed**2))
    gain, offset = 1.03, -0.004
    grid = Grid(time, 0.047)
    nodes, middles = second_order(grid, gain * command + offset, 16.0, 0.8)
    fine_speed = np.interp(grid.time, time, speed)
    fitted = _Sensors([2, seed], sensors)
    yaw, across = single_track(
        grid, fine_speed, nodes, middles, mass, inertia, a, b, stiffness, fitted.bank()
    )
    shown = {
        output: delayed(grid.time, values, fitted.age(output), time) + fitted.zero(output)
        for output, values in (("yaw_rate", yaw), ("lateral_acceleration", across))
    }
    log = Log(
        f"car{seed}",
        {
            "time": time,
            "steering_command": command,
            "speed": _measured(rng, speed, 0.03, 0.01),
            "yaw_rate": _measured(rng, shown["yaw_rate"], 0.006, 0.001),
            "lateral_acceleration": _measured(rng, shown["lateral_acceleration"], 0.12, 0.01),
            "steering_angle": _measured(
                rng, nodes[grid.samples] + fitted.zero("steering_angle"), 0.0015, 0.0005
            ),
        },
        "rad",
    )
    truth = {
        "steering.dead_time": 0.047,
        "steering.natural_frequency": 16.0,
        "steering.damping": 0.8,
        "steering.gain": gain,
        "steering.offset": offset,
        "tyres.cornering_stiffness_front": stiffness[0],
        "tyres.cornering_stiffness_rear": stiffness[1],
    }
    known = {"wheelbase": length, "mass": mass, "front_axle_distance": a, "yaw_inertia": inertia}
    return Case(log, known, truth | fitted.truth, fitted.scale)


def cart(seed: int, sensors: bool = False) -> Case:
    """A cart of 0.33 m wheelbase at 0.8 to 4.5 m/s whose servo takes a number: a bent map and an answer of first order."""
    rng = np.random.default_rng([3, seed])
    time = np.arange(0.0, 60.0, PERIOD)
    speed = _speeds(time, rng, 0.8, 4.5, 17.0)
    # Clipped, so that the ends of the map are at ±1 whatever the phases; its knots then lie where the fit's do.
    number = np.clip(1.5 * excitation(time, rng, 1.6), -1.0, 1.0)
    knots = np.linspace(-1.0, 1.0, 9)
    angles = 0.02 + 0.36 * np.tanh(1.1 * knots)
    length, lag, gradient = 0.33, 0.09, 0.002

    def bent(values: Array) -> Array:
        return np.interp(values, knots, angles)

    grid = Grid(time, 0.036)
    nodes, _ = first_order(grid, bent(number), lag)
    fitted = _Sensors([3, seed], sensors)
    yaw = steady_yaw_rate(speed, nodes[grid.samples], length, gradient) + fitted.zero("yaw_rate")
    log = Log(
        f"cart{seed}",
        {
            "time": time,
            "steering_command": number,
            "speed": _measured(rng, speed, 0.01, 0.005),
            "yaw_rate": _measured(rng, yaw, 0.04, 0.001),
        },
    )
    truth = {"steering.dead_time": 0.036, "steering.lag": lag, "tyres.understeer_gradient": gradient}
    return Case(log, {"wheelbase": length}, truth | fitted.truth, fitted.scale, truth_map=bent)


def bus(seed: int, sensors: bool = False) -> Case:
    """A bus of 6 m wheelbase at 3 to 15 m/s with slow steering at its rate limit; its length is not known."""
    rng = np.random.default_rng([4, seed])
    time = np.arange(0.0, 110.0, PERIOD)
    speed = _speeds(time, rng, 3.0, 15.0)
    command = _curvature(rng, time, speed, 2.2, 0.08, 0.9)
    length, gain, offset, gradient, limit = 6.0, 0.98, -0.006, 0.0038, 0.22
    grid = Grid(time, 0.182)
    asked = gain * np.arctan(length * command) + offset
    nodes, _ = limited_second_order(grid, asked, 6.0, 1.0, limit)
    fitted = _Sensors([4, seed], sensors)
    yaw = steady_yaw_rate(speed, nodes[grid.samples], length, gradient) + fitted.zero("yaw_rate")
    # To a body without dynamics the yaw rate sets the clock, so it is the angle that may be old.
    angle = delayed(grid.time, nodes, fitted.age("steering_angle"), time) + fitted.zero("steering_angle")
    log = Log(
        f"bus{seed}",
        {
            "time": time,
            "curvature_command": command,
            "speed": _measured(rng, speed, 0.03, 0.01),
            "yaw_rate": _measured(rng, yaw, 0.004, 0.001),
            "steering_angle": _measured(rng, angle, 0.0015, 0.001),
        },
    )
    truth = {
        "steering.dead_time": 0.182,
        "steering.natural_frequency": 6.0,
        "steering.damping": 1.0,
        "steering.rate_limit": limit,
        "steering.gain": gain,
        "steering.offset": offset,
        "tyres.understeer_gradient": gradient,
        "body.wheelbase": length,
    }
    return Case(log, {}, truth | fitted.truth, fitted.scale)


VEHICLES: dict[str, Callable[..., Case]] = {"shuttle": shuttle, "car": car, "cart": cart, "bus": bus}
