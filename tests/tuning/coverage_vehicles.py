"""Four vehicles of different kinds, driven by `independent_drives`, whose every value is known.

Noise is what small inertial sensors show on a moving vehicle (orders of magnitude from memory): coloured, correlation
0.9 from one 50 Hz sample to the next, plus the rounding to a sensor's resolution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from independent_drives import (
    Grid,
    coloured,
    excitation,
    first_order,
    limited_second_order,
    quantised,
    second_order,
    sensor_lag,
    single_track,
    speed_loop,
    steady_yaw_rate,
)
from numpy.typing import NDArray

from tuning.identification.unknowns import Unknown
from tuning.logs import Log

__all__ = ["PERIOD", "VEHICLES", "Case", "sensors_are_fitted"]

Array = NDArray[np.float64]

PERIOD = 0.02  # s, of the logs
RHO = 0.9  # correlation of neighbouring noise


@dataclass(frozen=True)
class Case:
    """One drive with its answers.

    Attributes:
        log: what was commanded and measured.
        known: what the user knows.
        truth: dotted name -> true value, of what is to be found.
        scale: dotted name -> what an error of a value near 0 is related to, for offsets.
        truth_map: number -> angle, where the command is a number.
    """

    log: Log
    known: dict[str, Any]
    truth: dict[str, float]
    scale: dict[str, float] = field(default_factory=dict)
    truth_map: Callable[[Array], Array] | None = None


def sensors_are_fitted() -> bool:
    """Say whether the identification knows offsets and lags of sensors."""
    from tuning.identification.identify import identify

    return "sensors" in (identify.__doc__ or "") or hasattr(Unknown, "sensor")


def _measured(rng: np.random.Generator, values: Array, noise: float, resolution: float) -> Array:
    return quantised(values + coloured(rng, values.size, noise, RHO), resolution)


def _speeds(time: Array, rng: np.random.Generator, slow: float, fast: float, period: float = 31.0) -> Array:
    phase = rng.uniform(0.0, 2.0 * np.pi)
    return slow + (fast - slow) * 0.5 * (1.0 - np.cos(2.0 * np.pi * time / period + phase))


def _curvature(rng: np.random.Generator, time: Array, speed: Array, across: float, sharpest: float, quickest: float) -> Array:
    """Give a curvature command (1/m) whose lateral acceleration stays near `across` (m/s²)."""
    return excitation(time, rng, quickest) * np.minimum(across / speed**2, sharpest)


def shuttle(seed: int, sensors: bool = False) -> Case:
    """A shuttle of 3.4 m wheelbase at 2.5 to 9 m/s that takes curvature and speed; a gyro measures its answer."""
    rng = np.random.default_rng([1, seed])
    time = np.arange(0.0, 90.0, PERIOD)
    drive = {
        "dead_time": 0.283, "lag": 0.45, "brake_dead_time": 0.127, "brake_lag": 0.22, "speed_gain": 0.9,
        "acceleration_limit": 1.2, "deceleration_limit": 1.8,
    }  # fmt: skip
    asked = np.repeat(rng.permutation(np.linspace(2.5, 9.0, 15)), round(6.0 / PERIOD))
    feed_forward = 0.25 * np.sin(0.9 * time + rng.uniform(0.0, 2.0 * np.pi))
    speed = speed_loop(time, asked, feed_forward, drive)
    command = _curvature(rng, time, speed, 2.0, 0.12, 1.3)
    gain, offset, gradient, length = 0.95, 0.008, 0.0031, 3.4
    grid = Grid(time, 0.113)
    nodes, _ = second_order(grid, gain * np.arctan(length * command) + offset, 11.0, 0.65)
    gyro = 0.004 if sensors else 0.0
    yaw = steady_yaw_rate(speed, nodes[grid.samples], length, gradient) + gyro
    log = Log(
        f"shuttle{seed}",
        {
            "time": time,
            "curvature_command": command,
            "speed_command": asked,
            "acceleration_command": feed_forward,
            "speed": _measured(rng, speed, 0.015, 0.01),
            "yaw_rate": _measured(rng, yaw, 0.008, 0.001),
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
    if sensors:
        truth["sensors.yaw_rate_offset"] = gyro
    return Case(log, {"wheelbase": length}, truth)


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
    yaw, across = single_track(grid, fine_speed, nodes, middles, mass, inertia, a, b, stiffness)
    gyro, tilt, zero = (0.004, 0.2, 0.006) if sensors else (0.0, 0.2, 0.0)
    gyro_lag, slow = (0.02, 0.045) if sensors else (0.0, 0.0)
    at = grid.samples
    log = Log(
        f"car{seed}",
        {
            "time": time,
            "steering_command": command,
            "speed": _measured(rng, speed, 0.03, 0.01),
            "yaw_rate": _measured(rng, sensor_lag(grid.time, yaw, gyro_lag)[at] + gyro, 0.006, 0.001),
            "lateral_acceleration": _measured(
                rng, sensor_lag(grid.time, across, slow)[at] + tilt, 0.12, 0.01
            ),
            "steering_angle": _measured(rng, nodes[at] + zero, 0.0015, 0.0005),
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
    if sensors:
        truth |= {
            "sensors.yaw_rate_offset": gyro,
            "sensors.yaw_rate_lag": gyro_lag,
            "sensors.lateral_acceleration_offset": tilt,
            "sensors.lateral_acceleration_lag": slow,
            "sensors.steering_angle_offset": zero,
        }
    known = {"wheelbase": length, "mass": mass, "front_axle_distance": a, "yaw_inertia": inertia}
    return Case(log, known, truth)


def cart(seed: int, sensors: bool = False) -> Case:
    """A cart of 0.33 m wheelbase at 0.8 to 3.5 m/s whose servo takes a number: a bent map and an answer of first order."""
    rng = np.random.default_rng([3, seed])
    time = np.arange(0.0, 60.0, PERIOD)
    speed = _speeds(time, rng, 0.8, 3.5, 17.0)
    # Clipped, so that the ends of the map are at ±1 whatever the phases; its knots then lie where the fit's do.
    number = np.clip(1.5 * excitation(time, rng, 1.6), -1.0, 1.0)
    knots = np.linspace(-1.0, 1.0, 9)
    angles = 0.02 + 0.36 * np.tanh(1.1 * knots)
    length, lag, gradient = 0.33, 0.09, 0.0012

    def bent(values: Array) -> Array:
        return np.interp(values, knots, angles)

    grid = Grid(time, 0.036)
    nodes, _ = first_order(grid, bent(number), lag)
    gyro = 0.02 if sensors else 0.0
    yaw = steady_yaw_rate(speed, nodes[grid.samples], length, gradient) + gyro
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
    if sensors:
        truth["sensors.yaw_rate_offset"] = gyro
    return Case(log, {"wheelbase": length}, truth, truth_map=bent)


def bus(seed: int, sensors: bool = False) -> Case:
    """A bus of 6 m wheelbase at 3 to 15 m/s with slow steering at its rate limit; its length is not known."""
    rng = np.random.default_rng([4, seed])
    time = np.arange(0.0, 100.0, PERIOD)
    speed = _speeds(time, rng, 3.0, 15.0)
    command = _curvature(rng, time, speed, 2.2, 0.08, 0.6)
    length, gain, offset, gradient, limit = 6.0, 0.98, -0.006, 0.0038, 0.22
    grid = Grid(time, 0.182)
    asked = gain * np.arctan(length * command) + offset
    nodes, _ = limited_second_order(grid, asked, 6.0, 1.0, limit)
    angle = nodes[grid.samples]
    gyro, zero = (0.003, 0.005) if sensors else (0.0, 0.0)
    yaw = steady_yaw_rate(speed, angle, length, gradient) + gyro
    log = Log(
        f"bus{seed}",
        {
            "time": time,
            "curvature_command": command,
            "speed": _measured(rng, speed, 0.03, 0.01),
            "yaw_rate": _measured(rng, yaw, 0.006, 0.001),
            "steering_angle": _measured(rng, angle + zero, 0.002, 0.001),
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
    if sensors:
        truth |= {"sensors.yaw_rate_offset": gyro, "sensors.steering_angle_offset": zero}
    return Case(log, {}, truth)


VEHICLES: dict[str, Callable[..., Case]] = {"shuttle": shuttle, "car": car, "cart": cart, "bus": bus}
