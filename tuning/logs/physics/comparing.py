"""Two signals that should be equal: do they go together, with which sign, in which ratio, how much later?

Notation: a(t) ≈ g b(t − τ), with a and b of shape (n,) in stretches of even step h; τ > 0 where a is the later one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["Likeness", "compare"]

Array = NDArray[np.float64]

# Judgements, no source.
_REACH = 1.5  # s: delays up to this are looked for
_LAG_COST = 0.15  # of correlation, at the end of the reach: a periodic signal fits at many delays, the least one is meant
_CLEAR = 0.1  # by which the better sign must lead
_BLOCKS = 8  # parts of the drive in which the delay is found once more, for its error and its drift
_LONGEST_MEMORY = 20.0  # s, over which the memory of a signal is summed


@dataclass(frozen=True)
class Likeness:
    """How two signals compare.

    Attributes:
        sign: 1, −1, or 0 where neither is clear.
        correlation: at the best delay, with its sign, −1 to 1.
        strength: how many standard deviations the correlation is from none, by Fisher's transformation (1921, from
            memory) with the number of independent samples.
        delay: τ, s. delay_error: its standard deviation, s.
        gain: ratio of the standard deviations of a to b at the best delay, without sign.
        means: of a and of b. count: samples compared.
        blocks: rows of time in the drive (s), delay (s) and weight, of the parts of the drive, shape (k, 3).
    """

    sign: int
    correlation: float
    strength: float
    delay: float
    delay_error: float
    gain: float
    means: tuple[float, float]
    count: int
    blocks: Array


def compare(a: Sequence[Array], b: Sequence[Array], logs: Sequence[int], step: float) -> Likeness | None:
    """Compare two signals, each given stretch by stretch.

    The mean over each log is taken off first, so constant offsets of sensors do not count.

    Args:
        a, b: stretches of shape (m,), at the same moments. logs: the log that each stretch is from. step: h, s.

    Returns:
        Their likeness, or None where there is nothing to compare: too short, or one of them stands still.
    """
    means = float(np.mean(np.concatenate(a))), float(np.mean(np.concatenate(b)))
    a, b = _centred(a, logs), _centred(b, logs)
    count = sum(x.size for x in a)
    most = min(round(_REACH / step), min(x.size for x in a) // 3)
    flat = min(float(np.std(np.concatenate(x))) for x in (a, b))
    if count < 60 or most < 2 or flat < 1e-12:
        return None
    lags = np.arange(-most, most + 1)
    curve = _correlations(a, b, most)
    cost = _LAG_COST * np.abs(lags) / most
    up, down = int(np.argmax(curve - cost)), int(np.argmax(-curve - cost))
    lead = (curve - cost)[up] - (-curve - cost)[down]
    sign = int(np.sign(lead)) if abs(lead) >= _CLEAR else 0
    at = up if lead >= 0.0 else down
    turned = curve if lead >= 0.0 else -curve
    # The cost must not pull the delay: from there uphill to the top itself.
    while 0 < at < lags.size - 1 and max(turned[at - 1], turned[at + 1]) > turned[at]:
        at += 1 if turned[at + 1] > turned[at - 1] else -1
    delay = (lags[at] + _vertex(turned, at)) * step
    blocks = _delays_of_blocks(a, b, int(lags[at]), 1.0 if lead >= 0.0 else -1.0, step)
    left, right = _shifted(a, b, int(lags[at]))
    gain = float(np.std(left) / max(np.std(right), 1e-300))
    free = max(_independent(a, b, step) - 3.0, 0.1)
    strength = np.arctanh(min(abs(curve[at]), 0.9999)) * np.sqrt(free)
    error = _spread_of_mean(blocks[:, 1], blocks[:, 2]) if len(blocks) >= 3 else np.inf
    return Likeness(sign, float(curve[at]), float(strength), float(delay), error, gain, means, count, blocks)


def _centred(signals: Sequence[Array], logs: Sequence[int]) -> list[Array]:
    means = {
        log: float(np.mean(np.concatenate([x for x, of in zip(signals, logs, strict=True) if of == log])))
        for log in set(logs)
    }
    return [x - means[log] for x, log in zip(signals, logs, strict=True)]


def _shifted(a: Sequence[Array], b: Sequence[Array], lag: int) -> tuple[Array, Array]:
    """Give all of a and of b, b moved later by `lag` samples."""
    if lag >= 0:
        return np.concatenate([x[lag:] for x in a]), np.concatenate([x[: x.size - lag] for x in b])
    return np.concatenate([x[:lag] for x in a]), np.concatenate([x[-lag:] for x in b])


def _correlations(a: Sequence[Array], b: Sequence[Array], most: int) -> Array:
    """Give the correlation at lags −most to most: of what overlaps, over all stretches."""
    products, left, right = (np.zeros(2 * most + 1) for _ in range(3))
    lags = np.arange(-most, most + 1)
    for x, y in zip(a, b, strict=True):
        n = x.size
        size = _fast_size(n + most + 1)
        crossed = np.fft.irfft(np.fft.rfft(x, size) * np.conj(np.fft.rfft(y, size)), size)
        products += crossed[lags]  # negative lags stand at the end
        for power, values, first in ((left, x, np.maximum(lags, 0)), (right, y, np.maximum(-lags, 0))):
            sums = np.concatenate(([0.0], np.cumsum(values**2)))
            power += sums[first + n - np.abs(lags)] - sums[first]
    scale = np.sqrt(left * right)
    return np.divide(products, scale, out=np.zeros_like(products), where=scale > 0.0)


def _fast_size(least: int) -> int:
    """Give the next power of two: quick for a Fourier transform."""
    return 1 << (least - 1).bit_length()


def _vertex(curve: Array, at: int) -> float:
    """Give where a parabola through three samples has its top, in samples from the middle one."""
    if not 0 < at < curve.size - 1:
        return 0.0
    below, middle, above = curve[at - 1 : at + 2]
    bend = below - 2.0 * middle + above
    return float(np.clip(0.5 * (below - above) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def _independent(a: Sequence[Array], b: Sequence[Array], step: float) -> float:
    """Give the number of independent samples for a correlation: n / (1 + 2 Σ ρ_a ρ_b) (Bartlett 1935, from memory)."""
    memory, count = 1.0, sum(x.size for x in a)
    longest = min(round(_LONGEST_MEMORY / step), count // 4)
    rho = [_memory(np.concatenate(x), longest) for x in (a, b)]
    memory += 2.0 * float(np.sum(rho[0][1:] * rho[1][1:]))
    return count / max(memory, 1.0)


def _memory(values: Array, longest: int) -> Array:
    """Give the autocorrelation at lags 0 to `longest`."""
    size = _fast_size(values.size + longest + 1)
    rho = np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2, size)[: longest + 1]
    return rho / rho[0] if rho[0] > 0.0 else np.zeros(longest + 1)


def _delays_of_blocks(a: Sequence[Array], b: Sequence[Array], lag: int, sign: float, step: float) -> Array:
    """Find the delay part by part, around the one of the whole: rows of time, delay and weight.

    The weight is what the part holds of slope: the more b moves, the better a delay shows in it.
    """
    total = sum(x.size for x in a)
    each = max(total // _BLOCKS, round(3.0 / step))
    window = max(round(0.4 / step), 2)
    rows, passed = [], 0
    for x, y in zip(a, b, strict=True):
        for first in range(0, max(x.size - each // 2, 1), each):
            part = slice(first, min(first + each, x.size))
            moments = np.arange(part.start, part.stop)
            shifts = np.arange(lag - window, lag + window + 1)
            moments = moments[(moments - shifts[-1] >= 0) & (moments - shifts[0] < y.size)]
            if moments.size < 20:
                continue
            target = sign * (x[moments] - np.mean(x[moments]))
            # Rows: the other signal over the same moments, moved later by each shift.
            moved = sliding_window_view(
                y[moments[0] - shifts[-1] : moments[-1] - shifts[0] + 1], moments.size
            )[::-1]
            spread = np.sqrt(np.var(moved, axis=1) * moments.size)
            size = spread * float(np.sqrt(np.sum(target**2)))
            along = np.einsum("ij,j->i", moved, target)
            curve = np.divide(along, size, out=np.zeros_like(along), where=size > 1e-30)
            top = int(np.argmax(curve))
            if 0 < top < shifts.size - 1 and curve[top] > 0.7:
                slope = float(np.mean(np.diff(y[moments]) ** 2)) / (1.0 - min(curve[top], 0.999) ** 2)
                when = (passed + 0.5 * (part.start + part.stop)) * step
                rows.append((when, (shifts[top] + _vertex(curve, top)) * step, slope))
        passed += x.size
    return np.array(rows).reshape(-1, 3)


def _spread_of_mean(values: Array, weights: Array) -> float:
    """Give the standard deviation of a weighted mean from the spread of its parts."""
    share = weights / np.sum(weights)
    mean = float(share @ values)
    parts = 1.0 / float(share @ share)
    return float(np.sqrt(share @ (values - mean) ** 2 / max(parts - 1.0, 0.5)))
