"""The reference model MB behind a by-wire steering of our making, as a vehicle to identify.

Its motion is its own (`reference_multi_body`), the steering before it is integrated in `independent_drives`: nothing
of what identifies it is used. MB's positive side is its right; read as if it were the left (see `reference_vehicles`).
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
from independent_drives import Grid, coloured, limited_second_order, quantised, second_order
from numpy.typing import NDArray
from reference_multi_body import STEP, MultiBody, SpeedLoop
from reference_vehicles import parameters

from tuning.logs import Log

__all__ = ["ByWire", "car", "drive", "steady_understeer"]

Array = NDArray[np.float64]

# s: a steady turn as a whole, turning the wheels into it, and its last part that is measured.
_TURN, _TURN_IN, _STEADY = 3.5, 0.3, 0.7
_LIGHT_FRONT = 30.0  # kg, unsprung mass in front of the understeering variants


@dataclass(frozen=True)
class ByWire:
    """A steering between command and road wheels, SI units."""

    dead_time: float
    natural_frequency: float
    damping: float
    offset: float
    gain: float = 1.0
    rate_limit: float = np.inf

    def angles(self, time: Array, asked: Array) -> Array:
        """Give the road-wheel angle (rad) every `STEP` for the angle asked for at the samples of the log."""
        grid = Grid(time, self.dead_time, STEP)
        target = self.gain * asked + self.offset
        if np.isfinite(self.rate_limit):
            nodes, _ = limited_second_order(
                grid, target, self.natural_frequency, self.damping, self.rate_limit
            )
        else:
            nodes, _ = second_order(grid, target, self.natural_frequency, self.damping)
        return np.interp(np.arange(0.0, time[-1] + 0.5 * STEP, STEP), grid.time, nodes)


def car(number: int, softness: float = 1.0, rear_axle: float | None = None) -> Any:
    """Give a car of MB, or a variant of it that understeers.

    As it is a car of MB steers neutrally, since its tyres' stiffness is proportional to their load. `rear_axle` (kg)
    makes its rear axle heavy and its front axle light at the expense of the sprung mass, with the centre of gravity of
    the whole where it was: the front tyres are loaded less than the side force that they must bear asks for.
    `softness` divides the stiffness of all tyres; at 2 it is 11 times the load, as of common road tyres (common
    practice, no source). MB's own limit of the steering rate is lifted: the by-wire layer before it has its own.
    """
    p = copy.deepcopy(parameters(number))
    p.steering.v_max, p.steering.v_min = 20.0, -20.0
    p.tire.p_ky1 /= softness
    if rear_axle is not None:
        p.m_uf, p.m_ur = _LIGHT_FRONT, rear_axle
        p.m_s = p.m - p.m_uf - p.m_ur
    return p


def steady_understeer(p: Any, speed: float = 13.0, largest: float = 2.0) -> tuple[float, float]:
    """Measure the understeer gradient, rad/(m/s²), and the angle that straight driving takes, rad.

    ISO 4138 (from memory), at constant speed: steering angle less the Ackermann one, L r/u, over lateral acceleration,
    in steady turns both ways; slope and intercept of the straight line through them.
    """
    length, turns = p.a + p.b, []
    for wanted in largest * np.array((-1.0, -0.5, 0.5, 1.0)):
        vehicle, loop, angle = MultiBody(p, speed), SpeedLoop(speed), length * wanted / speed**2
        rows = []
        for i in range(round(_TURN / STEP)):
            gentle = max(STEP, _TURN_IN - i * STEP)
            vehicle.advance((angle - vehicle.angle) / gentle, loop.acceleration(vehicle.speed, STEP), STEP)
            if i * STEP >= _TURN - _STEADY:
                rows.append((vehicle.angle, vehicle.yaw_rate, vehicle.speed))
        turned, yaw, u = np.mean(rows, axis=0)
        turns.append((u * yaw, turned - length * yaw / u))
    across, beyond = np.array(turns).T
    slope, intercept = np.polyfit(across, beyond, 1)
    return float(slope), float(intercept)


def drive(
    p: Any, steering: ByWire, seed: int, seconds: float = 50.0, rate: float = 50.0, across: float = 2.2
) -> tuple[Log, Array]:
    """Drive several speeds from 6 to 20 m/s with sines up to 1.6 Hz and steps: give the log, and its true angles.

    Gyro, accelerometer (with a tilt, which is no part of the answer), wheel speed and steering sensor have coloured
    noise and finite resolution.
    """
    rng = np.random.default_rng([7, seed])
    time = np.arange(0.0, seconds, 1.0 / rate)
    plan = np.interp(
        time / seconds,
        (0.0, 0.2, 0.28, 0.48, 0.56, 0.76, 0.84, 1.0),
        (6.0, 6.0, 10.0, 10.0, 15.0, 15.0, 20.0, 20.0),
    )
    wave = _multisine(time, rng) + 0.45 * np.sign(
        np.sin(2.0 * np.pi * 0.21 * time + rng.uniform(0.0, 2.0 * np.pi))
    )
    command = np.minimum(across / plan**2, 0.06) * wave
    angles = steering.angles(time, np.arctan((p.a + p.b) * command))
    vehicle, loop, rows = MultiBody(p, float(plan[0])), SpeedLoop(float(plan[0])), []
    every = round(1.0 / (rate * STEP))
    for i, angle in enumerate(np.append(angles[1:], angles[-1])):
        if i % every == 0:
            rows.append((vehicle.yaw_rate, vehicle.lateral_acceleration, vehicle.speed, vehicle.angle))
            loop.speed = float(plan[min(i // every, time.size - 1)])
        vehicle.advance((angle - vehicle.angle) / STEP, loop.acceleration(vehicle.speed, STEP), STEP)
    yaw, sideways, speed, turned = np.array(rows[: time.size]).T
    rho = 0.9 ** (50.0 / rate)

    def shown(values: Array, noise: float, resolution: float) -> Array:
        return quantised(values + coloured(rng, time.size, noise, rho), resolution)

    data = {
        "time": time,
        "curvature_command": command,
        "speed": shown(speed, 0.03, 0.01),
        "yaw_rate": shown(yaw, 0.005, 0.0005),
        "lateral_acceleration": shown(sideways + 0.15, 0.1, 0.01),
        "steering_angle": shown(turned, 0.001, 0.0005),
    }
    return Log(f"multi-body{seed}", data), turned


def _multisine(time: Array, rng: np.random.Generator) -> Array:
    """Give sines of equal power per octave from 0.05 to 1.6 Hz, random phases, largest value about 0.8."""
    sines = sum(
        np.sin(2.0 * np.pi * 0.05 * 2.0**k * time + rng.uniform(0.0, 2.0 * np.pi))
        for k in np.arange(0.0, 5.1, 0.5)
    )
    return 0.55 * sines / np.max(np.abs(sines))
