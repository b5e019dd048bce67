"""A planned drive: its commands over time, made of standstill, run-up, manoeuvre, run-out and stop."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tuning.excitation.manoeuvres import PERIOD, SpeedProgramme
from tuning.vehicle import Vehicle

__all__ = ["Drive", "circle_drive", "commanded_steering", "speed_drive", "steering_drive"]

Array = NDArray[np.float64]

BEFORE, AFTER = (
    4.0,
    6.0,
)  # s of standstill: before, for the sensors' offsets; after, until it stands whatever its lag
SETTLE = 2.0  # s at speed before the manoeuvre, and 0.5 s after it
EASE = 1.5  # s, over which the acceleration of a run-up falls to 0
TURNS = (
    1.25  # at speed in a circle: each direction of the compass once and more, so that a slope averages out
)
RUN_UP, STOP = 0.5, 0.4  # of the limits: acceleration of run-up and stop


@dataclass(frozen=True)
class Drive:
    """One drive from standstill to standstill; every array has shape (n,), at 50 Hz.

    Attributes:
        name: manoeuvre, speed and pass.
        time: s.
        curvature_command: 1/m, + left.
        speed_command: m/s.
        acceleration_command: m/s², feed-forward.
        steering_command: what to send instead of curvature to a vehicle that takes an angle (rad) or a number.
        repeats: how often to drive it.
        manoeuvre: first sample after the run-up, and first one after which a stop is all that is commanded.
    """

    name: str
    time: Array
    curvature_command: Array
    speed_command: Array
    acceleration_command: Array
    steering_command: Array | None = None
    repeats: int = 1
    manoeuvre: tuple[int, int] = field(default=(0, -1))

    @property
    def duration(self) -> float:
        """Of one drive, s."""
        return float(self.time[-1])


def commanded_steering(vehicle: Vehicle, curvature: Array) -> Array | None:
    """Give what a vehicle takes that takes no curvature: angle (rad) or number of its static map, shape (n,)."""
    angles = np.arctan(vehicle.body.wheelbase * curvature)
    if vehicle.steering.interface == "angle":
        return angles
    if vehicle.steering.interface == "number":
        return np.interp(angles, vehicle.steering.map_angle, vehicle.steering.map_command)
    return None


def steering_drive(
    name: str, vehicle: Vehicle, curvature: Array, speed: float, acceleration: float, deceleration: float
) -> Drive:
    """Give a drive with curvature commands of shape (m,), 1/m, at one speed (m/s); run-up and stop by ramps (m/s²)."""
    hold = SETTLE + PERIOD * curvature.size + 0.5
    time, asked, feed_forward, at_speed, _ = _at_speed(speed, acceleration, deceleration, hold)
    first = int(np.ceil((at_speed + SETTLE) / PERIOD))
    bent = np.zeros(time.size)
    bent[first : first + curvature.size] = curvature
    return Drive(
        name, time, bent, asked, feed_forward, commanded_steering(vehicle, bent),
        manoeuvre=(first, first + curvature.size),
    )  # fmt: skip


def circle_drive(
    name: str,
    vehicle: Vehicle,
    curvature: float,
    rate: float,
    speed: float,
    acceleration: float,
    deceleration: float,
) -> Drive:
    """Give a drive in a circle (curvature 1/m, + left) from standstill to standstill, `TURNS` of it at speed (m/s).

    The wheels turn before the vehicle moves, by `rate` (1/(m s)), and stay: so the ground is the circle and no more.
    """
    hold = TURNS * 2.0 * np.pi / (abs(curvature) * speed)
    time, asked, feed_forward, at_speed, end = _at_speed(speed, acceleration, deceleration, hold)
    bent = np.sign(curvature) * np.clip(rate * (time - 1.0), 0.0, abs(curvature))
    return Drive(
        name, time, bent, asked, feed_forward, commanded_steering(vehicle, bent),
        manoeuvre=(int(at_speed / PERIOD), int(end / PERIOD)),
    )  # fmt: skip


def _at_speed(
    speed: float, acceleration: float, deceleration: float, hold: float
) -> tuple[Array, Array, Array, float, float]:
    """Give time, speed command, feed-forward, and the moments (s) at which the speed is reached and the stop begins.

    The run-up eases off before its end: with a full ramp a slow drive overshoots the speed by a tenth.
    """
    ease = min(EASE, speed / acceleration)
    up, down = speed / acceleration + 0.5 * ease, speed / deceleration
    end = BEFORE + up + hold
    time = np.arange(0.0, end + down + AFTER, PERIOD)
    left = np.clip(BEFORE + up - time, 0.0, up)  # of the run-up, s
    rising = np.where(time >= BEFORE, acceleration * np.minimum(left / ease, 1.0), 0.0)
    missing = acceleration * np.where(left < ease, 0.5 * left**2 / ease, left - 0.5 * ease)
    falling = (time >= end) & (time < end + down)
    asked = np.where(time < end, speed - missing, np.maximum(speed - deceleration * (time - end), 0.0))
    return time, np.maximum(asked, 0.0), rising - np.where(falling, deceleration, 0.0), BEFORE + up, end


def speed_drive(
    name: str, vehicle: Vehicle, programme: SpeedProgramme, hold: float, top: float, acceleration: float
) -> Drive:
    """Give a straight drive through a programme of speeds up to `top` (m/s), each held for `hold` s.

    A ramp to the first level, where the programme has one, rises by `acceleration` (m/s²).
    """
    up = top * programme.levels[0] / acceleration if programme.eased else 0.0
    moving = up + hold * (len(programme.levels) - 1)
    time = np.arange(0.0, BEFORE + moving + 4.0 + AFTER, PERIOD)
    inside = time - BEFORE - up
    number = np.clip(np.floor(inside / hold + 1e-9).astype(int), 0, len(programme.levels) - 1)
    speed = top * np.array(programme.levels)[number]
    ramp = (time >= BEFORE) & (inside < 0.0)
    speed = np.where(time < BEFORE, 0.0, np.where(ramp, acceleration * (time - BEFORE), speed))
    straight = np.zeros(time.size)
    first = int(np.ceil((BEFORE + up) / PERIOD))
    last = int((BEFORE + moving) / PERIOD)
    return Drive(
        name, time, straight, speed, np.where(ramp, acceleration, 0.0), commanded_steering(vehicle, straight),
        manoeuvre=(first, last),
    )  # fmt: skip
