"""The reference model MB in motion: its own equations as they are, stepped by RK4.

MB's inputs are the steering rate and the acceleration asked of drive or brake; its state has the steering
angle at 2, forward speed 3, heading 4, yaw rate 5, roll angle 6 and lateral velocity of the sprung mass at
10. Left alone it coasts: it has no rolling resistance and loses some 2 mm/s in a minute; in a turn the front
tyres brake it. A proportional and integral loop on its acceleration input holds its speed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from vehiclemodels.init_mb import init_mb
from vehiclemodels.vehicle_dynamics_mb import vehicle_dynamics_mb

from tuning.vehicle import Inputs, State, Surroundings, Vehicle, derivative, rk4

__all__ = [
    "FINE",
    "SPEED_LOOP",
    "STEP",
    "MultiBody",
    "SpeedLoop",
    "amplitude",
    "difference",
    "drive_ours",
    "drive_reference",
    "steering",
]

# s. MB's fastest pole is the spin of a wheel, p_kx1 F_z R²/(I u): 1200 1/s at 5 m/s, and RK4 is stable to
# 2.78 over the step. Errors of this step are measured in the tests; it costs a tenth of the time driven.
FINE = 0.005 / 3.0
# s, the step of the bench over which MB's inputs are held.
STEP = 0.005
# rad/s that a sine steer may ask for, just below the rate limit of 0.4 rad/s that its files have.
RATE_USED = 0.38

_STEER, _SPEED, _HEADING, _YAW_RATE, _ROLL, _SLIDE = 2, 3, 4, 5, 6, 10


class MultiBody:
    """One car of MB, moving; `advance` carries it on. Positive is to its right (see `reference_vehicles`)."""

    def __init__(self, p: Any, speed: float, fine: float = FINE) -> None:
        self.p, self.fine = p, fine
        self.state = [float(value) for value in init_mb([0.0, 0.0, 0.0, speed, 0.0, 0.0, 0.0], p)]

    def advance(self, rate: float, acceleration: float, seconds: float) -> None:
        """Hold steering rate (rad/s) and acceleration (m/s²) for a time (s)."""
        count = math.ceil(seconds / self.fine - 1e-9)
        h, inputs, p = seconds / count, [rate, acceleration], self.p
        x = self.state
        for _ in range(count):
            k1 = vehicle_dynamics_mb(x, inputs, p)
            k2 = vehicle_dynamics_mb([a + 0.5 * h * k for a, k in zip(x, k1, strict=True)], inputs, p)
            k3 = vehicle_dynamics_mb([a + 0.5 * h * k for a, k in zip(x, k2, strict=True)], inputs, p)
            k4 = vehicle_dynamics_mb([a + h * k for a, k in zip(x, k3, strict=True)], inputs, p)
            x = [
                a + h / 6.0 * (s1 + 2.0 * s2 + 2.0 * s3 + s4)
                for a, s1, s2, s3, s4 in zip(x, k1, k2, k3, k4, strict=True)
            ]
        self.state = x

    @property
    def angle(self) -> float:
        """Road-wheel angle, rad."""
        return self.state[_STEER]

    @property
    def speed(self) -> float:
        """Forward speed, m/s."""
        return self.state[_SPEED]

    @property
    def heading(self) -> float:
        """Yaw angle, rad."""
        return self.state[_HEADING]

    @property
    def yaw_rate(self) -> float:
        """rad/s."""
        return self.state[_YAW_RATE]

    @property
    def lateral_acceleration(self) -> float:
        """Of the sprung mass across the vehicle, m/s²."""
        slope = vehicle_dynamics_mb(list(self.state), [0.0, 0.0], self.p)
        return slope[_SLIDE] + self.speed * self.yaw_rate

    @property
    def rear_axle(self) -> tuple[float, float]:
        """Place of the rear-axle middle, m: its velocity gives the slip of MB's rear tyres, as in ours."""
        x, y, heading = self.state[0], self.state[1], self.heading
        return x - self.p.b * math.cos(heading), y - self.p.b * math.sin(heading)


# 1/s on the speed's error, 1/s² on its integral: holds the speed of MB, and of ours likewise.
SPEED_GAIN, SPEED_INTEGRAL = 5.0, 5.0
SPEED_LOOP = {
    "drive.speed_gain": SPEED_GAIN,
    "drive.speed_integral": SPEED_INTEGRAL,
    "drive.lag": 0.01,
    "drive.brake_lag": 0.01,
    "drive.acceleration_limit": 8.0,
    "drive.deceleration_limit": 8.0,
}


class SpeedLoop:
    """Holds a speed by MB's acceleration input."""

    def __init__(self, speed: float) -> None:
        self.speed, self.integral = speed, 0.0

    def acceleration(self, speed: float, period: float) -> float:
        """Give the acceleration to ask for, m/s²."""
        error = self.speed - speed
        self.integral += error * period
        return SPEED_GAIN * error + SPEED_INTEGRAL * self.integral


def steering(kind: str, amplitude: float) -> np.ndarray:
    """Give road-wheel targets (rad) by `STEP`, after 0.5 s of straight driving.

    "step left", "step right": the amplitude for 3.5 s, reached at the rate limit after 0.05 to 1 s. "sine": two
    periods of 0.5 Hz and 1 s straight, "quick sine": of 1 Hz; slower where the rate limit would cut it.
    """
    if kind.startswith("step"):
        time = np.arange(round(4.0 / STEP)) * STEP
        return np.where(time < 0.5 - 1e-9, 0.0, -amplitude if kind == "step right" else amplitude)
    frequency = min(1.0 if kind == "quick sine" else 0.5, RATE_USED / (2.0 * np.pi * amplitude))
    time = np.arange(round((1.5 + 2.0 / frequency) / STEP)) * STEP - 0.5
    inside = (time >= 0.0) & (time * frequency <= 2.0)
    return np.where(inside, amplitude * np.sin(2.0 * np.pi * frequency * time), 0.0)


def amplitude(car: Vehicle, kind: str, speed: float, peak: float) -> float:
    """Give the amplitude (rad) at which our lateral acceleration peaks at `peak` (m/s²), or the stop."""
    p = car.plant
    largest = 0.95 * p.angle_limit
    angle = min(math.atan(p.wheelbase * peak / speed**2) + p.understeer_gradient * peak, largest)
    for _ in range(4):
        reached = np.max(np.abs(drive_ours(car, speed, steering(kind, angle))["lateral_acceleration"]))
        angle = min(angle * peak / float(reached), largest)
    return angle


def drive_ours(car: Vehicle, speed: float, targets: np.ndarray) -> dict[str, np.ndarray]:
    """Drive ours at a held speed: give time, angle, yaw_rate, lateral_acceleration, speed, shape (n + 1,)."""
    car = car.replace(**SPEED_LOOP)
    state, around = State(0.0, 0.0, 0.0, speed, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), Surroundings()
    model, p, rows = car.model_code, car.plant, []
    for target in (*targets, targets[-1]):
        inputs = Inputs(float(target), speed, 0.0, speed, 0.0)
        slope = derivative(model, p, state, inputs, around)
        acceleration = slope.lateral_velocity + state.speed * state.yaw_rate
        rows.append((state.steering_angle, state.yaw_rate, acceleration, state.speed))
        state = rk4(model, p, state, inputs, around, STEP)
    values = np.array(rows).T
    names = ("angle", "yaw_rate", "lateral_acceleration", "speed")
    return {"time": np.arange(len(rows)) * STEP, **dict(zip(names, values, strict=True))}


def drive_reference(p: Any, speed: float, angles: np.ndarray, fine: float = FINE) -> dict[str, np.ndarray]:
    """Drive MB at a held speed, its road wheels led through `angles` (rad, by `STEP`, straight between)."""
    car, loop, rows = MultiBody(p, speed, fine), SpeedLoop(speed), []
    for angle in (*angles[1:], None):
        rows.append((car.angle, car.yaw_rate, car.lateral_acceleration, car.speed, car.state[_ROLL]))
        if angle is not None:
            car.advance((angle - car.angle) / STEP, loop.acceleration(car.speed, STEP), STEP)
    names = ("angle", "yaw_rate", "lateral_acceleration", "speed", "roll")
    return {"time": np.arange(len(rows)) * STEP, **dict(zip(names, np.array(rows).T, strict=True))}


def difference(ours: np.ndarray, theirs: np.ndarray) -> float:
    """Give the RMS of the difference over the RMS of theirs."""
    return float(np.sqrt(np.mean((ours - theirs) ** 2) / np.mean(theirs**2)))
