"""Test signals: sweeps, multisines, steps within a rate, and how to end a drive where and as it began.

Crest factor: peak over RMS; the lower, the more power within a given peak.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["balanced", "crest_factor", "double_step", "faded", "linear_sweep", "multisine",  "random_phases", "schroeder_phases"]  # fmt: skip

Array = NDArray[np.float64]


def linear_sweep(time: Array, first: float, last: float, seconds: float) -> Array:
    """Give a sine of amplitude 1 whose frequency grows linearly, shape of `time`: sin 2π(f₀ t + (f₁ − f₀) t²/2T).

    Args:
        time: s, from 0.
        first, last: frequencies at 0 and at `seconds`, Hz.
        seconds: T, s.
    """
    return np.sin(2.0 * np.pi * (first * time + 0.5 * (last - first) / seconds * time**2))


def schroeder_phases(count: int) -> Array:
    """Give phases for a flat spectrum with a low crest factor, φ_k = −π k (k − 1)/K, shape (count,), rad.

    M. R. Schroeder, "Synthesis of low-peak-factor signals and binary sequences with low autocorrelation", IEEE
    Transactions on Information Theory 16(1), 1970 (from memory). Crest factors come to about 1.7.
    """
    k = np.arange(1, count + 1)
    return -np.pi * k * (k - 1) / count


def random_phases(count: int, seed: int) -> Array:
    """Give phases drawn evenly from a whole turn, shape (count,), rad; crest factors come to 2 to 3."""
    return np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, count)


def multisine(time: Array, frequencies: Array, phases: Array) -> Array:
    """Give a sum of cosines of one amplitude, scaled to a peak of 1 over `time`, shape of `time`.

    Args:
        time: s.
        frequencies: Hz, shape (k,); multiples of 1/T make it periodic in T.
        phases: rad, shape (k,).
    """
    total = np.sum(np.cos(2.0 * np.pi * np.outer(time, frequencies) + phases), axis=1)
    peak = float(np.max(np.abs(total)))
    return total / peak if peak > 0.0 else total


def crest_factor(signal: Array) -> float:
    """Give the peak over the RMS of a signal, shape (n,)."""
    return float(np.max(np.abs(signal)) / np.sqrt(np.mean(signal**2)))


def double_step(level: float, hold: float, rate: float, period: float) -> Array:
    """Give a level to one side, the other and back, with ramps between, after which a vehicle lies as before.

    Plateaus of a, 2 a + r and a seconds, r = |level|/rate the time of a ramp from 0, make the signal even about its
    middle and its integral 0: heading and lateral place both come back, at constant speed.

    Args:
        level: of the first plateau.
        hold: a, s.
        rate: slope of the ramps, 1/s, positive.
        period: between samples, s.

    Returns:
        Shape (n,), from 0 to 0.
    """
    ramp = abs(level) / rate
    spans = [ramp, hold, 2.0 * ramp, 2.0 * hold + ramp, 2.0 * ramp, hold, ramp]
    moments = np.concatenate(([0.0], np.cumsum(spans)))
    values = level * np.array([0.0, 1.0, 1.0, -1.0, -1.0, 1.0, 1.0, 0.0])
    return np.interp(np.arange(0.0, moments[-1] + period, period), moments, values)


def faded(time: Array, signal: Array, fade: float) -> Array:
    """Give a signal that begins and ends at 0, by half cosines over `fade` seconds at either end; shape (n,)."""
    left = np.clip((time - time[0]) / fade, 0.0, 1.0)
    right = np.clip((time[-1] - time) / fade, 0.0, 1.0)
    return signal * 0.25 * (1.0 - np.cos(np.pi * left)) * (1.0 - np.cos(np.pi * right))


def balanced(time: Array, curvature: ArrayLike) -> Array:
    """Give a curvature after which a vehicle of constant speed points and lies as before, shape (n,), 1/m.

    Heading is the integral of curvature and lateral place the integral of heading; both are brought to 0 at the end by
    taking off a broad window times a straight line, the least that keeps beginning and end at 0.
    """
    values = np.asarray(curvature, dtype=float)
    span = time[-1] - time[0]
    x = (time - time[0]) / span
    window = np.sin(np.pi * x) ** 2
    shapes = np.stack([window, window * (x - 0.5)], axis=1)
    moments = np.stack(
        [np.trapezoid(shapes, x, axis=0), np.trapezoid(shapes * (1.0 - x)[:, None], x, axis=0)]
    )
    wanted = np.array([np.trapezoid(values, x), np.trapezoid(values * (1.0 - x), x)])
    return values - shapes @ np.linalg.solve(moments, wanted)
