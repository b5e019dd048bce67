"""How the steering excites the vehicle by frequency, and up to which frequency the answer stands above its noise.

Welch's averaged periodograms (P. D. Welch 1967) with Hann windows that overlap by half, over all stretches; P_xx, P_yy
and P_xy give the coherence γ² = |P_xy|²/(P_xx P_yy): the share of the answer that the command explains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.logs.log import Log
from tuning.logs.physics.resampled import joined_by_lines, usual_step

__all__ = ["Spectrum", "spectra_of", "welch_over"]

Array = NDArray[np.float64]

_WINDOW = 12.8  # s: 0.08 Hz from line to line; half of that where the logs are short
_LEAST_WINDOWS = 4  # fewer averages make any coherence look high
_ABOVE_NOISE = 0.5  # coherence at which command and noise have equal parts in the answer
_LOWEST = 0.05  # Hz: below it the windows take off the trend
_POWER = 0.95  # of the command's power, below "excited up to"


@dataclass(frozen=True)
class Spectrum:
    """The command and one answer by frequency.

    Attributes:
        command, answer: quantities; the command is multiplied by the speed where the answer is a yaw rate.
        frequency: Hz, middle of bands of a sixth of an octave or wider, shape (k,). command_power, answer_power: unit²/Hz, shape (k,). coherence: shape (k,).
        noise_power: of the answer, what the command does not explain: (1 − γ²) P_yy, shape (k,).
        windows: averaged.
        excited_to: frequency below which 95 % of the command's power lie, Hz.
        bandwidth: frequency up to which the answer stands above its noise (γ² ≥ 0.5), Hz; 0 where it never does.
    """

    command: str
    answer: str
    frequency: Array
    command_power: Array
    answer_power: Array
    coherence: Array
    noise_power: Array
    windows: int
    excited_to: float
    bandwidth: float


def welch_over(
    pairs: Sequence[tuple[Array, Array]], rate: float, size: int
) -> tuple[Array, Array, Array, NDArray[np.complex128], int]:
    """Average periodograms of x and y, each of shape (n,), over stretches.

    Args:
        pairs: (x, y) of each stretch; those shorter than a window are left out. rate: Hz. size: samples a window.

    Returns:
        Frequencies (Hz), P_xx, P_yy and P_xy (one-sided, unit²/Hz), shape (size // 2 + 1,), and the number of windows.
    """
    window = np.hanning(size + 1)[:-1]
    scale = 2.0 / (rate * float(np.sum(window**2)))
    lines = size // 2 + 1
    xx, yy, xy, count = np.zeros(lines), np.zeros(lines), np.zeros(lines, dtype=np.complex128), 0
    for x, y in pairs:
        for first in range(0, x.size - size + 1, max(size // 2, 1)):
            a, b = (
                np.fft.rfft(window * (z - np.mean(z)))
                for z in (x[first : first + size], y[first : first + size])
            )
            xx += np.abs(a) ** 2
            yy += np.abs(b) ** 2
            xy += np.conj(a) * b
            count += 1
    share = np.full(lines, scale / max(count, 1))
    share[0] *= 0.5  # one-sided: neither the mean nor the highest line has a twin
    if size % 2 == 0:
        share[-1] *= 0.5
    return np.arange(lines, dtype=np.float64) * (rate / size), xx * share, yy * share, xy * share, count


def spectra_of(logs: Sequence[Log]) -> tuple[Spectrum, ...]:
    """Give the spectra of the steering command against steering angle and yaw rate, where the logs hold them."""
    command = next(
        (c for c in ("curvature_command", "steering_command") if any(log.has(c) for log in logs)), None
    )
    if command is None:
        return ()
    found = []
    for answer in ("steering_angle", "yaw_rate"):
        having = [log for log in logs if log.has(command, answer, "speed")]
        spectrum = _spectrum(having, command, answer) if having else None
        if spectrum is not None:
            found.append(spectrum)
    return tuple(found)


def _spectrum(logs: Sequence[Log], command: str, answer: str) -> Spectrum | None:
    step = max(float(np.median([usual_step(log) for log in logs])), 0.005)
    pairs, longest = [], 0
    for log in logs:
        for piece in log.segments:
            time = log["time"][piece]
            grid = np.arange(time[0], time[-1], step)
            if grid.size < 32:
                continue
            x, y, v = (
                np.interp(grid, time, _even(time, log, name, piece)) for name in (command, answer, "speed")
            )
            pairs.append((x * v if answer == "yaw_rate" else x, y))
            longest = max(longest, grid.size)
    size = round(_WINDOW / step)
    while size >= 32 and _count(pairs, size) < _LEAST_WINDOWS:
        size //= 2
    if size < 32:
        return None
    frequency, xx, yy, xy, count = welch_over(pairs, 1.0 / step, size)
    excited = _excited(frequency, xx)
    if excited is None:
        return None
    frequency, xx, yy, xy, count = _banded(frequency, xx, yy, xy, count)
    product = xx * yy
    coherence = np.divide(np.abs(xy) ** 2, product, out=np.zeros_like(xx), where=product > 0.0)
    return Spectrum(
        command,
        answer,
        frequency,
        xx,
        yy,
        coherence,
        (1.0 - coherence) * yy,
        count,
        excited,
        _bandwidth(frequency, coherence),
    )


def _excited(frequency: Array, power: Array) -> float | None:
    """Give the frequency below which 95 % of the power lie, Hz; None for a command that never moves."""
    rising = np.cumsum(power[1:])
    if rising[-1] <= 0.0:
        return None
    return float(frequency[1:][np.searchsorted(rising, _POWER * rising[-1])])


def _banded(
    frequency: Array, xx: Array, yy: Array, xy: NDArray[np.complex128], count: int
) -> tuple[Array, Array, Array, NDArray[np.complex128], int]:
    """Average lines over bands of a sixth of an octave, single lines where these are wider: a steadier coherence."""
    band = np.floor(6.0 * np.log2(frequency[1:] / frequency[1]))
    _, first, lines = np.unique(band, return_index=True, return_counts=True)
    f, x, y = (np.add.reduceat(each[1:], first) / lines for each in (frequency, xx, yy))
    crossed = np.asarray(np.add.reduceat(xy[1:], first) / lines, dtype=np.complex128)
    return f, x, y, crossed, count


def _even(time: Array, log: Log, name: str, piece: slice) -> Array:
    values = log[name][piece]
    return values if name.endswith("command") else joined_by_lines(time, values, log.read_at(name)[piece])


def _count(pairs: Sequence[tuple[Array, Array]], size: int) -> int:
    return sum(max((x.size - size) // max(size // 2, 1) + 1, 0) for x, _ in pairs if x.size >= size)


def _bandwidth(frequency: Array, coherence: Array) -> float:
    """Give where the coherence, smoothed over three bands, first falls below a half after it has been above."""
    smooth = np.convolve(np.pad(coherence, 1, "edge"), np.full(3, 1.0 / 3.0), "valid")
    usable = frequency >= _LOWEST
    above = np.flatnonzero(usable & (smooth >= _ABOVE_NOISE))
    if above.size == 0:
        return 0.0
    below = np.flatnonzero(smooth[above[0] :] < _ABOVE_NOISE)
    return float(frequency[above[0] + below[0] - 1]) if below.size else float(frequency[-1])
