"""Drives with known answers, integrated here once more: nothing of the project's equations or kernels is used.

Notation: δ road-wheel angle, δ* the angle asked for, ω natural frequency, ζ damping, T lag, τ dead time, u speed,
v lateral velocity of the centre of gravity, r yaw rate, a and b centre of gravity to front and rear axle.

A command is held between the samples of the log and acts after the dead time. All integration runs on a grid that
holds the samples, the moments at which commands come into effect and steps of at most 5 ms; on each interval the
command is constant, so that linear steering is exact by its matrix exponential.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.signal import lfilter

__all__ = [
    "Grid",
    "coloured",
    "delayed",
    "excitation",
    "first_order",
    "limited_second_order",
    "quantised",
    "second_order",
    "single_track",
    "speed_loop",
    "steady_yaw_rate",
]

Array = NDArray[np.float64]

_COARSE = 0.005  # s, longest step of the grid
_FINE = 0.001  # s, step where a limit acts
_GRAVITY = 9.81  # m/s²


def coloured(rng: np.random.Generator, count: int, deviation: float, rho: float) -> Array:
    """Give first-order autoregressive noise of a standard deviation and a lag-one correlation, shape (count,)."""
    white = rng.normal(0.0, deviation * np.sqrt(1.0 - rho**2), count)
    white[0] = rng.normal(0.0, deviation)
    return lfilter([1.0], [1.0, -rho], white)


def quantised(values: Array, step: float) -> Array:
    """Give what a sensor of a resolution sends."""
    return step * np.round(values / step)


def excitation(time: Array, rng: np.random.Generator, quickest: float = 1.3) -> Array:
    """Give a steering signal within about ±1: sines up to a frequency (Hz) with random phases, and steps both ways."""
    sines = sum(
        a * np.sin(2.0 * np.pi * f * time + rng.uniform(0.0, 2.0 * np.pi))
        for f, a in ((0.05, 0.35), (0.17 * quickest, 0.3), (0.47 * quickest, 0.2), (quickest, 0.15))
    )
    steps = 0.4 * np.sign(np.sin(2.0 * np.pi * 0.1 * quickest * time + rng.uniform(0.0, 2.0 * np.pi)))
    return (sines + steps) / 1.2


class Grid:
    """The moments of integration of one drive.

    Attributes:
        time: increasing, shape (n,), s.
        samples: index of each sample of the log in `time`.
    """

    def __init__(self, samples: Array, dead_time: float, longest: float = _COARSE) -> None:
        switches = samples + dead_time
        steps = np.arange(samples[0], samples[-1], longest)
        everything = np.unique(
            np.round(np.concatenate([samples, switches[switches < samples[-1]], steps]), 10)
        )
        self.time = everything
        self.samples = np.searchsorted(everything, np.round(samples, 10))
        self._switches = np.round(switches, 10)

    def acting(self, command: Array) -> Array:
        """Give the command, shape of the samples, that acts from each moment of the grid on."""
        return command[np.maximum(np.searchsorted(self._switches, self.time, side="right") - 1, 0)]


def second_order(grid: Grid, asked: Array, frequency: float, damping: float) -> tuple[Array, Array]:
    """Give δ at the grid and in the middle of its intervals, for δ̈ = ω²(δ* − δ) − 2ζωδ̇ from rest at δ*."""
    system = np.array([[0.0, 1.0], [-(frequency**2), -2.0 * damping * frequency]])
    return _linear(grid, asked, system)


def first_order(grid: Grid, asked: Array, lag: float) -> tuple[Array, Array]:
    """Give δ at the grid and in the middle of its intervals, for T δ̇ = δ* − δ."""
    return _linear(grid, asked, np.array([[-1.0 / lag]]))


def _linear(grid: Grid, asked: Array, system: Array) -> tuple[Array, Array]:
    acting, spans = grid.acting(asked), np.round(np.diff(grid.time), 10)
    known = {h: expm(system * 0.5 * h).tolist() for h in np.unique(spans).tolist()}
    nodes, middles = np.empty(grid.time.size), np.empty(grid.time.size - 1)
    state = [0.0] * system.shape[0]
    state[0] = nodes[0] = asked[0]
    for i, (target, h) in enumerate(zip(acting[:-1].tolist(), spans.tolist(), strict=True)):
        half = known[h]
        for out, at in ((middles, i), (nodes, i + 1)):
            off = [state[0] - target, *state[1:]]
            state = [sum(c * x for c, x in zip(row, off, strict=True)) for row in half]
            state[0] += target
            out[at] = state[0]
    return nodes, middles


def limited_second_order(
    grid: Grid, asked: Array, frequency: float, damping: float, rate_limit: float
) -> tuple[Array, Array]:
    """Give δ as `second_order`, its rate a state that saturates, by Heun's method in steps of at most 1 ms."""
    acting, stiffness, drag = grid.acting(asked).tolist(), frequency**2, 2.0 * damping * frequency
    nodes, middles = np.empty(grid.time.size), np.empty(grid.time.size - 1)
    angle, rate = float(asked[0]), 0.0
    nodes[0] = angle
    for i, span in enumerate(np.diff(grid.time).tolist()):
        target = acting[i]
        half = max(int(np.ceil(0.5 * span / _FINE - 1e-9)), 1)
        h = 0.5 * span / half
        for out, at in ((middles, i), (nodes, i + 1)):
            for _ in range(half):
                first = stiffness * (target - angle) - drag * rate
                ahead = min(max(rate + h * first, -rate_limit), rate_limit)
                second = stiffness * (target - angle - h * rate) - drag * ahead
                after = min(max(rate + 0.5 * h * (first + second), -rate_limit), rate_limit)
                angle, rate = angle + 0.5 * h * (rate + after), after
            out[at] = angle
    return nodes, middles


def steady_yaw_rate(speed: Array, angle: Array, wheelbase: float, gradient: float) -> Array:
    """Give r = u tan δ/(L + K u²), rad/s (steady cornering; Rajamani, ch. 3, from memory)."""
    return speed * np.tan(angle) / (wheelbase + gradient * speed**2)


def single_track(
    grid: Grid,
    speed: Array,
    nodes: Array,
    middles: Array,
    mass: float,
    inertia: float,
    a: float,
    b: float,
    stiffness: tuple[float, float],
    bank: float = 0.0,
) -> tuple[Array, Array]:
    """Give yaw rate at the grid, and what an accelerometer at the centre of gravity feels across the vehicle, by RK4.

    m(v̇ + u r) = F_f cos δ + F_r − m g sin φ, I ṙ = a F_f cos δ − b F_r, F = −C α with slip angles by inverse
    tangents (Rajamani, ch. 2, from memory), φ the bank of the road (rad), positive where it falls to the right. An
    accelerometer feels the tyres' forces over the mass. Speed of the grid, shape (n,), above 0.
    """
    pull = -_GRAVITY * math.sin(bank)
    front_stiffness, rear_stiffness = stiffness

    def slope(u: float, v: float, r: float, angle: float) -> tuple[float, float]:
        front = -front_stiffness * (math.atan2(v + a * r, u) - angle) * math.cos(angle)
        rear = -rear_stiffness * math.atan2(v - b * r, u)
        return (front + rear) / mass - u * r + pull, (a * front - b * rear) / inertia

    # Lists of plain floats: five times as quick as elements of arrays.
    speeds, angles, halfway = speed.tolist(), nodes.tolist(), middles.tolist()
    spans = np.diff(grid.time).tolist()
    yaw, across = [], []
    v, r = 0.0, float(steady_yaw_rate(speeds[0], angles[0], a + b, 0.0))
    for i, u in enumerate(speeds):
        k1 = slope(u, v, r, angles[i])
        yaw.append(r)
        across.append(k1[0] + u * r - pull)
        if i == len(spans):
            break
        h, um = spans[i], 0.5 * (u + speeds[i + 1])
        k2 = slope(um, v + 0.5 * h * k1[0], r + 0.5 * h * k1[1], halfway[i])
        k3 = slope(um, v + 0.5 * h * k2[0], r + 0.5 * h * k2[1], halfway[i])
        k4 = slope(speeds[i + 1], v + h * k3[0], r + h * k3[1], angles[i + 1])
        v += h / 6.0 * (k1[0] + 2.0 * (k2[0] + k3[0]) + k4[0])
        r += h / 6.0 * (k1[1] + 2.0 * (k2[1] + k3[1]) + k4[1])
    return np.array(yaw), np.array(across)


def delayed(time: Array, values: Array, lag: float, moments: Array) -> Array:
    """Give what a sensor whose readings are `lag` seconds old shows at given moments, the signal straight between."""
    return np.interp(moments - lag, time, values)


def speed_loop(time: Array, asked: Array, feed_forward: Array, drive: dict[str, float]) -> Array:
    """Give the speed (m/s) at the samples under a* = a_cmd + gain (v_cmd − v), limited, positive part to the drive and
    negative part to the brake, each after its own dead time through its own lag, by Heun's method in steps of 1 ms."""
    fine = np.arange(0.0, time[-1] + _FINE, _FINE)
    late = [
        np.maximum(np.searchsorted(time, fine - drive[name] + 1e-9, side="right") - 1, 0)
        for name in ("dead_time", "brake_dead_time")
    ]
    driven, braked = ((asked[at].tolist(), feed_forward[at].tolist()) for at in late)
    gain, most, least = drive["speed_gain"], drive["acceleration_limit"], -drive["deceleration_limit"]
    lag, brake_lag = drive["lag"], drive["brake_lag"]

    def slope(i: int, v: float, a: float, b: float) -> tuple[float, float, float]:
        push = max(min(driven[1][i] + gain * (driven[0][i] - v), most), 0.0)
        pull = min(max(braked[1][i] + gain * (braked[0][i] - v), least), 0.0)
        return a + b, (push - a) / lag, (pull - b) / brake_lag

    v, a, b = float(asked[0]), 0.0, 0.0
    speeds = np.empty(fine.size)
    for i in range(fine.size):
        speeds[i] = v
        k = slope(i, v, a, b)
        m = slope(i, v + _FINE * k[0], a + _FINE * k[1], b + _FINE * k[2])
        v, a, b = (
            v + 0.5 * _FINE * (k[0] + m[0]),
            a + 0.5 * _FINE * (k[1] + m[1]),
            b + 0.5 * _FINE * (k[2] + m[2]),
        )
    return np.interp(time, fine, speeds)
