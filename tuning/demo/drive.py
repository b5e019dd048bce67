"""Driving the demo's shuttle: commands in, and what its sensors report out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tuning.demo.shuttle import HISTORY, SHUTTLE, ShuttleParameters, ShuttleState, shuttle_advance

__all__ = ["Readings", "ShuttleDrive"]


class Readings(NamedTuple):
    """What the shuttle reports, SI units and radians, with noise and in the sensors' steps."""

    speed: float  # m/s
    steering_angle: float  # rad, of the servo, as a road-wheel angle, + left
    yaw_rate: float  # rad/s, + left
    lateral_acceleration: float  # m/s², + left
    longitudinal_acceleration: float  # m/s²


# By sensor, in SI units: standard deviation of the noise, and the step in which the sensor counts.
_SENSORS = {
    "speed": (0.02, 0.05 / 3.6),
    "steering_angle": (0.0005, np.radians(0.05)),
    "yaw_rate": (0.003, np.radians(0.02)),
    "lateral_acceleration": (0.05, 0.001 * 9.80665),
    "longitudinal_acceleration": (0.05, 0.001 * 9.80665),
}


class ShuttleDrive:
    """The shuttle under way: `send` a command, `advance` by milliseconds, read `readings`, or the true `state`.

    Args:
        speed: m/s at the start, driving straight.
        seed: of the sensors' noise.
        parameters: another shuttle than the usual one.
    """

    def __init__(self, speed: float = 0.0, seed: int = 0, parameters: ShuttleParameters = SHUTTLE) -> None:
        straight = parameters.steering_offset
        self.parameters = parameters
        self.state = ShuttleState(
            speed=float(speed), seen_speed=float(speed), servo_angle=straight, wheel_angle=straight
        )
        self.milliseconds = 0
        self._history = np.zeros((HISTORY, 5))
        self._history[:, 0], self._history[:, 1] = straight, speed
        self._command = (0.0, float(speed), 0.0)
        self._noise = np.random.default_rng(seed)

    @property
    def time(self) -> float:
        """Seconds since the start."""
        return self.milliseconds / 1000.0

    def send(self, curvature: float, speed: float, acceleration: float = 0.0) -> None:
        """Command a curvature (1/m, + left), a speed (m/s) and an acceleration (m/s²), held until the next."""
        self._command = (float(curvature), float(speed), float(acceleration))

    def advance(self, milliseconds: int) -> None:
        """Drive on for some milliseconds."""
        self.state = shuttle_advance(
            self.parameters, self.state, self._history, self.milliseconds, milliseconds, *self._command
        )
        self.milliseconds += milliseconds

    def readings(self) -> Readings:
        """Read every sensor once; each reading has new noise."""
        s = self.state
        true = (s.seen_speed, s.servo_angle, s.seen_yaw_rate, s.seen_lateral, s.seen_longitudinal)
        noise = self._noise.standard_normal(len(true))
        values = [
            round((value + deviation * n) / step) * step
            for value, n, (deviation, step) in zip(true, noise, _SENSORS.values(), strict=True)
        ]
        values[0] = max(values[0], 0.0)
        return Readings(*(float(value) for value in values))
