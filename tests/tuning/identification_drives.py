"""Drives with known answers, integrated in other ways than the identification does.

The command is held between the samples of the log and acts after the dead time, to the exact moment: every sample
interval is cut where a command comes into effect. Linear steering is advanced by its matrix exponential, the rest by
`scipy.integrate.solve_ivp` or by steps of 1 ms.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from tuning.logs import Log
from tuning.vehicle import Vehicle, lateral, motion
from tuning.vehicle.drive import acceleration_demand, drive_derivative, speed_derivative
from tuning.vehicle.steering import steering_derivative

FINE = 0.001  # s, step of what is advanced by hand


def coloured(rng, count: int, deviation: float, rho: float) -> np.ndarray:
    """First-order autoregressive noise of a given standard deviation and lag-one correlation."""
    white = rng.normal(0.0, deviation * np.sqrt(1.0 - rho**2), count)
    noise = np.empty(count)
    noise[0] = rng.normal(0.0, deviation)
    for i in range(1, count):
        noise[i] = rho * noise[i - 1] + white[i]
    return noise


def weaving(time: np.ndarray, amplitude: float, seed: int) -> np.ndarray:
    """A steering command of slow and quick sines with steps, which excites gain, delay and damping alike."""
    rng = np.random.default_rng(seed)
    sines = sum(
        a * np.sin(2.0 * np.pi * f * time + rng.uniform(0.0, 2.0 * np.pi))
        for f, a in ((0.07, 0.4), (0.23, 0.3), (0.61, 0.2), (1.3, 0.1))
    )
    steps = 0.4 * np.sign(np.sin(2.0 * np.pi * 0.13 * time + 1.0))
    return amplitude * (sines + steps) / 1.2


def pieces(time: np.ndarray, held: np.ndarray, dead_time: float):
    """Go through the sample intervals, cut where the held signal comes into effect: (sample, start, end, value)."""
    switches = time + dead_time
    for k in range(time.size - 1):
        start = time[k]
        for j in np.flatnonzero((switches > start) & (switches < time[k + 1])):
            yield k, start, switches[j], held[max(j - 1, 0)]
            start = switches[j]
        at = np.searchsorted(switches, start + 1e-12, side="right") - 1
        yield k, start, time[k + 1], held[max(at, 0)]


def steering_exactly(time, target, dead_time, frequency, damping) -> np.ndarray:
    """Road-wheel angle (rad) of a linear second-order steering at the samples, by the matrix exponential."""
    system = np.array([[0.0, 1.0], [-(frequency**2), -2.0 * damping * frequency]])
    state, angles = np.array([target[0], 0.0]), np.empty(time.size)
    angles[0] = target[0]
    known: dict[float, np.ndarray] = {}
    for k, start, end, value in pieces(time, target, dead_time):
        span = round(end - start, 12)
        if span not in known:
            known[span] = expm(system * span)
        rest = np.array([value, 0.0])
        state = rest + known[span] @ (state - rest)
        angles[k + 1] = state[0]
    return angles


def steering_finely(vehicle: Vehicle, time, target) -> np.ndarray:
    """Road-wheel angle (rad) at the samples with rate limit and stops, by Euler-Cauchy steps of 1 ms."""
    p = vehicle.plant
    angle, rate, angles = float(target[0]), 0.0, np.empty(time.size)
    angles[0] = angle
    for k, start, end, value in pieces(time, target, vehicle.steering.dead_time):
        count = max(int(np.ceil((end - start) / FINE)), 1)
        h = (end - start) / count
        for _ in range(count):
            a, b = steering_derivative(p, float(value), angle, rate)
            c, d = steering_derivative(p, float(value), angle + h * a, rate + h * b)
            angle, rate = angle + 0.5 * h * (a + c), rate + 0.5 * h * (b + d)
        angles[k + 1] = angle
    return angles


def body_by_ivp(vehicle: Vehicle, time, speed, angle):
    """Yaw rate (rad/s) and lateral acceleration (m/s²) of the single-track body along a recorded steering angle."""
    p, model = vehicle.plant, vehicle.model_code

    def slope(t, state):
        return lateral(
            model,
            p,
            float(np.interp(t, time, speed)),
            state[0],
            state[1],
            float(np.interp(t, time, angle)),
            0.0,
        )

    done = solve_ivp(slope, (time[0], time[-1]), [0.0, 0.0], t_eval=time, max_step=0.02, rtol=1e-7, atol=1e-9)
    yaw, sideways = np.empty(time.size), np.empty(time.size)
    for i in range(time.size):
        velocity, rate = float(done.y[0, i]), float(done.y[1, i])
        v, d = float(speed[i]), float(angle[i])
        yaw[i], _ = motion(model, p, v, velocity, rate, d, 0.0)
        sideways[i] = v * yaw[i] + lateral(model, p, v, velocity, rate, d, 0.0)[0]
    return yaw, sideways


def speed_finely(vehicle: Vehicle, time, speed_command, acceleration_command, start: float) -> np.ndarray:
    """Speed (m/s) at the samples under the speed loop, by Euler-Cauchy steps of 1 ms, each dead time to 1 ms."""
    p, drive = vehicle.plant, vehicle.drive
    fine = np.arange(0.0, time[-1] + FINE, FINE)

    def acted(signal, dead_time):
        at = np.searchsorted(time, fine - dead_time + 1e-9, side="right") - 1
        return signal[np.maximum(at, 0)]

    commands = [
        acted(signal, dead)
        for dead in (drive.dead_time, drive.brake_dead_time)
        for signal in (speed_command, acceleration_command)
    ]

    def slope(i, v, a, b):
        asked = acceleration_demand(p, float(commands[0][i]), float(commands[1][i]), v)
        braked = acceleration_demand(p, float(commands[2][i]), float(commands[3][i]), v)
        return speed_derivative(v, a, b), *drive_derivative(p, max(asked, 0.0), min(braked, 0.0), a, b)

    v, a, b = start, 0.0, 0.0
    speeds = np.empty(fine.size)
    for i in range(fine.size):
        speeds[i] = v
        k = slope(i, v, a, b)
        m = slope(i, v + FINE * k[0], a + FINE * k[1], b + FINE * k[2])
        v, a, b = (x + 0.5 * FINE * (y + z) for x, y, z in zip((v, a, b), k, m, strict=True))
    return np.interp(time, fine, speeds)


def kinematic_yaw_rate(speed, angle, wheelbase: float, gradient: float) -> np.ndarray:
    """Yaw rate of the kinematic body with understeer, written out once more."""
    return speed * np.tan(angle) / (wheelbase + gradient * speed**2)


def changing_speed(time: np.ndarray, slow: float, fast: float) -> np.ndarray:
    """A speed that goes smoothly between two values, the quicker part lasting as long as the slower."""
    return slow + (fast - slow) * 0.5 * (1.0 - np.cos(2.0 * np.pi * time / 37.0))


def log_of(name: str, steering_unit: str | None = None, **data) -> Log:
    """A log of arrays by quantity."""
    return Log(name, data, steering_unit)
