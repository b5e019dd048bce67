"""The frequency response from command to answer as the readings show it, without any model: averaged cross-spectra.

Notation: u the command, y the answer; S_uu, S_yy, S_uy averaged spectra; H = S_uy/S_uu; γ² the coherence; n the number
of independent averages; ε the relative random error. Formulas from J. S. Bendat and A. G. Piersol, "Random Data"
(from memory); windows whose length changes with frequency after the composite windows of M. B. Tischler and
R. K. Remple, "Aircraft and Rotorcraft System Identification", 2006 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tuning.identification.even import even_pieces

__all__ = ["GOOD", "LEAST_AVERAGES", "USABLE", "FrequencyResponse", "frequency_response"]

Array = NDArray[np.float64]

USABLE, GOOD = 0.6, 0.8  # coherence; Tischler & Remple, from memory
# Unrelated signals show a coherence above 1 - 0.05^(1/(n - 1)) in 5 % of cases (from memory; tested): 0.63 with four
# averages, 0.53 with five. So five are the fewest with which a coherence of 0.6 means something; one alone gives 1.
LEAST_AVERAGES = 5.0

_CYCLES = 5  # that a window holds at least: the bands beside it (Hann: two bins) then stay clear of the mean
_SHORTEST = (
    4.0  # s; shorter windows at high frequency would blur what is resolved for no more than more averages
)
_PER_OCTAVE = 6
_HALF_HANN = 1.0 / 6.0  # correlation of a Hann window with itself moved by half its length
_HIGHEST = 0.4  # of the sampling rate: above, what is faster than half the rate folds back
_TOP = 10.0  # Hz; by-wire steering has long stopped following
_LONGEST_DELAY = 2.0  # s, looked for


@dataclass(frozen=True)
class FrequencyResponse:
    """What the readings say about the response, arrays of shape (m,) over frequency.

    Attributes:
        frequency: Hz.
        response: complex H, answer per command.
        coherence: γ², within 0 and 1: the share of the answer's power that follows the command, linearly.
        averages: number of independent averages; below `LEAST_AVERAGES` coherence and errors say nothing.
        phase: of H, rad, unwrapped.
        delay: s, by which the answer was moved before averaging (and its phase given back after).
    """

    frequency: Array
    response: NDArray[np.complex128]
    coherence: Array
    averages: Array
    phase: Array
    delay: float

    @property
    def gain(self) -> Array:
        """|H|."""
        return np.abs(self.response)

    @property
    def error(self) -> Array:
        """Relative standard error of the gain, which is that of the phase in rad: √((1 − γ²)/(2 γ² n))."""
        seen = np.maximum(self.coherence, 1e-12)
        return np.sqrt(np.maximum(1.0 - seen, 0.0) / (2.0 * seen * np.maximum(self.averages, 1.0)))

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Where there are enough averages and the coherence is 0.6 or more."""
        return (self.averages >= LEAST_AVERAGES) & (self.coherence >= USABLE)

    @property
    def good(self) -> NDArray[np.bool_]:
        """Where there are enough averages and the coherence is 0.8 or more."""
        return (self.averages >= LEAST_AVERAGES) & (self.coherence >= GOOD)

    @property
    def band(self) -> tuple[float, float] | None:
        """The longest uninterrupted range of usable frequencies (in octaves), Hz; None where there is none."""
        edges = np.flatnonzero(np.diff(np.concatenate(([0], self.usable.astype(int), [0]))))
        runs = [(float(self.frequency[a]), float(self.frequency[b - 1])) for a, b in edges.reshape(-1, 2)]
        return max(runs, key=lambda run: run[1] / run[0]) if runs else None


def frequency_response(
    time: Array,
    command: Array,
    answer: Array,
    group: NDArray[np.int64] | None = None,
    *,
    frequency: Array | None = None,
    averaged: float = 0.0,
    delay: float | None = None,
) -> FrequencyResponse:
    """Estimate the response from command to answer by averaged cross-spectra.

    Each frequency has a Hann window of its own: a whole number of cycles, five at least and 4 s long at least, moved
    on by half its length through every uninterrupted piece. So low frequencies get long windows and high ones many
    averages. The answer is first moved by its delay, since a window of length T weakens an answer that is τ late by
    some τ/T and its coherence with it.

    The command must be free of noise, as a recorded command is; noise on it would weaken the gain by its share of
    the power. Noise in the answer only scatters.

    Args:
        time: s, shape (n,); may be uneven (`even_pieces` says what that costs).
        command, answer: shape (n,), at those moments.
        group: number of the recording of each moment, shape (n,); None for one recording.
        frequency: Hz, increasing, shape (m,); None for sixths of an octave, from the lowest with enough averages.
        averaged: s, over which the command is a mean rather than a reading: what that takes from it is put back.
        delay: s, to move the answer by; None finds it from the largest cross-correlation.

    Returns:
        The estimate; with `frequency` None it may be empty, where the driving is too short for five averages.

    Raises:
        InputError: as `even_pieces`.
    """
    step, pieces = even_pieces(time, [command, answer], group)
    shift = _delay(pieces, step) if delay is None else max(round(delay / step), 0)
    moved = [
        np.stack((piece[0, : piece.shape[1] - shift], piece[1, shift:]))
        for piece in pieces
        if piece.shape[1] > shift
    ]
    lengths = [piece.shape[1] for piece in moved]
    if frequency is None:
        top = min(_HIGHEST / step, _TOP)
        grid = top * 2.0 ** (-np.arange(15 * _PER_OCTAVE)[::-1] / _PER_OCTAVE)
        enough = [_averages(lengths, _window(f, step)[0]) >= LEAST_AVERAGES for f in grid]
        # From the lowest on from which all have enough.
        last = np.flatnonzero(~np.array(enough))
        frequency = grid[last[-1] + 1 :] if last.size else grid
    m = frequency.size
    response, coherence, averages = np.zeros(m, complex), np.zeros(m), np.zeros(m)
    for i, f in enumerate(frequency):
        length, cycles = _window(f, step)
        uu, yy, uy = _spectra(moved, length, cycles)
        averages[i] = _averages(lengths, length)
        if uu > 0.0:
            response[i] = uy / uu * np.sinc(f * averaged)
            coherence[i] = min(abs(uy) ** 2 / (uu * yy), 1.0) if yy > 0.0 else 0.0
    late = shift * step
    phase = _unwrapped(np.angle(response), coherence) - 2.0 * np.pi * frequency * late
    turned = response * np.exp(-2j * np.pi * frequency * late)
    return FrequencyResponse(np.asarray(frequency, dtype=float), turned, coherence, averages, phase, late)


def _unwrapped(angle: Array, coherence: Array) -> Array:
    """Unwrap the phase from one usable frequency to the next, so that noise between them adds no turn."""
    seen = np.flatnonzero(coherence >= USABLE)
    if seen.size < 2:
        return angle
    whole = angle.copy()
    whole[seen] = np.unwrap(angle[seen])
    near = whole[seen[np.clip(np.searchsorted(seen, np.arange(angle.size), side="right") - 1, 0, None)]]
    return whole + 2.0 * np.pi * np.round((near - whole) / (2.0 * np.pi))


def _window(f: float, step: float) -> tuple[int, int]:
    """Give length in samples and whole cycles of the window for a frequency."""
    cycles = max(_CYCLES, round(_SHORTEST * f))
    return max(round(cycles / (f * step)), 2), cycles


def _spectra(pieces: list[Array], length: int, cycles: int) -> tuple[float, float, complex]:
    """Give S_uu, S_yy and S_uy at one frequency, unscaled, summed over the windows of all pieces that hold one.

    The same as `scipy.signal.csd` there, which would work out every other frequency too: ten times the time.
    """
    turns = np.arange(length) / length
    turn = (0.5 - 0.5 * np.cos(2.0 * np.pi * turns)) * np.exp(-2j * np.pi * cycles * turns)
    turn -= turn.sum() / length  # takes the mean off each window
    waves = np.stack((turn.real, turn.imag), axis=1)
    uu, yy, uy = 0.0, 0.0, 0j
    for piece in pieces:
        if _count(piece.shape[1], length) == 0:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(piece, length, axis=1)[:, :: length - length // 2]
        parts = windows @ waves
        u, y = parts[..., 0] + 1j * parts[..., 1]
        uu += float(np.sum(np.abs(u) ** 2))
        yy += float(np.sum(np.abs(y) ** 2))
        uy += complex(np.sum(np.conj(u) * y))
    return uu, yy, uy


def _count(samples: int, length: int) -> int:
    """Give the number of windows, each half over the one before, that a piece holds."""
    return max((samples - length // 2) // (length - length // 2), 0)


def _averages(lengths: list[int], length: int) -> float:
    """Give the number of independent averages: windows that overlap by half share some of what they say.

    The variance of a mean of n windows is 1 + 2 (1 - 1/n) ρ² times that of n independent ones, with ρ the correlation
    of the window with itself moved by half its length (P. D. Welch 1967, from memory).
    """
    counts = [count for n in lengths if (count := _count(n, length)) > 0]
    return sum(count / (1.0 + 2.0 * (1.0 - 1.0 / count) * _HALF_HANN**2) for count in counts)


def _delay(pieces: list[Array], step: float) -> int:
    """Give the number of steps, up to 2 s, after which the answer looks most like the command."""
    most = round(_LONGEST_DELAY / step)
    total = np.zeros(most + 1)
    for u, y in pieces:
        reach = min(most, u.size - 2)
        whole = signal.correlate(y - y.mean(), u - u.mean(), "full", "fft")
        total[: reach + 1] += whole[u.size - 1 : u.size + reach]
    return int(np.argmax(np.abs(total)))
