"""How noisy the measured answers are, read off the logs before any fit.

The noise is taken as first-order autoregressive: deviation σ, correlation ρ of neighbouring readings, with the spectrum
S(f) = σ² (1 − ρ²)/(1 − 2 ρ cos(2π f/f_s) + ρ²)/f_s (Box, Jenkins & Reinsel, Time Series Analysis, ch. 3: from memory).
σ and ρ are those that explain the measured spectrum best by Whittle's likelihood (P. Whittle, Arkiv för Matematik 2,
1953: from memory), only above the frequencies that a vehicle answers with, where what is left is noise. Of pieces of the
log the lower quartile is taken at each frequency, so that pieces with bumps or steps in them do not count; the power of
noise in a piece is exponentially distributed (Priestley, Spectral Analysis and Time Series, 1981: from memory), which
gives the mean from the quartile. Where most pieces have steps in them the level errs upwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.signal import lfilter, spectrogram

from tracks.errors import InputError
from tuning.identification.records import Recording

__all__ = ["Noise", "colour_of", "given_noise", "measured_noise"]

Array = NDArray[np.float64]

_ANSWER = 4.0  # Hz; road vehicles answer steering and drive below this. Common practice, no source
_SHARE = 0.25  # of the sampling rate: where the rate is low, noise is looked for above this
_PIECE = 1.0  # s, length of a piece of the log
_LEAST_BINS = 4
_QUARTILE = 0.25
_LEAST_PIECES = 4  # fewer have no quartile
# Hz. The corner of first-order noise lies at −ln ρ f_s/2π; one far below `_ANSWER` does not show above it, so the slowest
# noise that is looked for has this corner. A judgement without a source.
_SLOWEST = 0.8
# Where nothing can be measured; common practice, no source.
_USUAL = {"steering_angle": 0.001, "yaw_rate": 0.005, "lateral_acceleration": 0.1, "speed": 0.03}
_USUAL_CORRELATION = 0.5


@dataclass(frozen=True)
class Noise:
    """Noise of one output: standard deviation (SI) and correlation of neighbouring readings, 0 for white."""

    deviation: float
    correlation: float = 0.0


def given_noise(noise: Mapping[str, float | Sequence[float] | Noise]) -> dict[str, Noise]:
    """Give noise levels as the user states them: deviation, or (deviation, correlation), by output.

    Raises:
        InputError: an output that no log has, or a level that is no level.
    """
    levels = {}
    for name, value in noise.items():
        if name not in _USUAL:
            raise InputError(
                f"noise names the output {name!r}", f"one of {', '.join(_USUAL)}", "correct the name"
            )
        if isinstance(value, Noise):
            level = value
        else:
            parts = np.atleast_1d(np.asarray(value, dtype=float))
            level = Noise(*(float(x) for x in parts)) if parts.size in (1, 2) else Noise(np.nan)
        if not (np.isfinite(level.deviation) and level.deviation > 0.0 and 0.0 <= level.correlation < 1.0):
            raise InputError(
                f"noise of {name} is {value!r}",
                "a standard deviation above 0 (SI), or that and a correlation from 0 to below 1",
                "correct it",
            )
        levels[name] = level
    return levels


def measured_noise(recording: Recording) -> dict[str, Noise]:
    """Give deviation and correlation of each output's noise; the usual level where the log cannot show one."""
    levels = {}
    for name, measured in recording.measured.items():
        time, first = recording.drives.time[measured.at], recording.drives.first[measured.at]
        level = _level(time, first, measured.values)
        levels[name] = level or Noise(_USUAL[name], _USUAL_CORRELATION)
    return levels


def colour_of(columns: Array, correlation: float) -> Array:
    """Give by which factor coloured noise raises the variance of each value against white noise, shape (p,).

    Jᵢᵀ R Jᵢ/Jᵢᵀ Jᵢ with R the correlation matrix of first-order noise and Jᵢ the sensitivity to value i, the columns
    of shape (m, p): (1 + ρ)/(1 − ρ) for a value that moves the output slowly, near 1 or below for a quick one. It is
    exact for one value alone under unweighted least squares, and an approximation beside others.
    """
    if correlation == 0.0 or columns.shape[0] == 0:
        return np.ones(columns.shape[1])
    ahead = lfilter([1.0], [1.0, -correlation], columns, axis=0)
    power = np.sum(columns**2, axis=0)
    product = 2.0 * np.sum(columns * ahead, axis=0) - power
    return np.where(power > 0.0, product / np.where(power > 0.0, power, 1.0), 1.0)


def _level(time: Array, first: NDArray[np.int64], values: Array) -> Noise | None:
    # Pieces end where a recording ends, or where samples that do not count were left out.
    step = np.diff(time)
    if step.size == 0:
        return None
    usual = float(np.median(step[step > 0.0])) if np.any(step > 0.0) else 0.0
    if usual <= 0.0:
        return None
    edges = np.flatnonzero((np.diff(first) != 0) | (step > 3.0 * usual) | (step <= 0.0)) + 1
    rate = 1.0 / usual
    length = max(int(_PIECE * rate), 16)
    spectra = []
    for part in np.split(values, edges):
        if part.size >= length:
            _, _, power = spectrogram(part, rate, "hann", length, length // 2, detrend="linear")
            spectra.append(power)
    pieces = np.concatenate(spectra, axis=1) if spectra else np.zeros((0, 0))
    if pieces.shape[1] < _LEAST_PIECES:
        return None
    frequency: Array = np.fft.rfftfreq(length, 1.0 / rate).astype(np.float64)
    power = np.quantile(pieces, _QUARTILE, axis=1) / -np.log(1.0 - _QUARTILE)
    above = (frequency >= min(_ANSWER, _SHARE * rate)) & (frequency < 0.5 * rate)
    if np.count_nonzero(above) < _LEAST_BINS or np.all(power[above] <= 0.0):
        return None
    most = float(np.exp(-2.0 * np.pi * _SLOWEST / rate))
    return _whittle(frequency[above] / rate, np.maximum(power[above], 1e-30) * 0.5 * rate, most)


def _whittle(frequency: Array, power: Array, most: float) -> Noise:
    """Fit first-order noise to two-sided power times the rate over frequencies in parts of the rate.

    `most` is the largest correlation looked for.
    """

    def shape(rho: float) -> Array:
        return (1.0 - rho**2) / (1.0 - 2.0 * rho * np.cos(2.0 * np.pi * frequency) + rho**2)

    def cost(rho: float) -> float:
        g = shape(rho)
        return float(np.log(np.mean(power / g)) + np.mean(np.log(g)))

    best = float(minimize_scalar(cost, bounds=(0.0, most), method="bounded").x)  # type: ignore[union-attr]
    best = min((0.0, best, most), key=cost)
    return Noise(float(np.sqrt(np.mean(power / shape(best)))), best)
