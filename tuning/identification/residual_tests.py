"""Whether what a model leaves over still holds something of the command: tests of residuals.

Notation: e the residual (measured less simulated), u the command, R_e(k) and R_u(k) their autocovariances at lag k,
N samples. Source: L. Ljung, "System Identification", 2nd ed., 1999, section 16.6 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tuning.identification.even import even_pieces

__all__ = ["LAGS", "ResidualTest", "in_words", "residual_test"]

Array = NDArray[np.float64]

LAGS = 25
_NORMAL_99 = 2.58  # standard errors either side of a 99 % band
_LEVEL = 0.01  # chance of rejecting a right model, all lags together
_DRAWS = 4000  # of the largest of the lags; fixed seed, so that equal logs give equal words
_MATTERS = 0.05  # of the output, missed: where it begins to show in a tuned law; a judgement without a source
_LEAST = 100  # samples: fewer say nothing at 25 lags
_RIDGE = 1e-6  # of the largest entry, added to what may be near singular
_ORDERS = 20  # of the autoregression that describes the residual's colour


@dataclass(frozen=True)
class ResidualTest:
    """Outcome for one output.

    Attributes:
        step: s, from one lag to the next.
        samples: N, after decimation, over all recordings.
        auto: autocorrelation of the residual at lags 0 to 25, shape (26,).
        auto_band: half width of the 99 % band of a white residual, 2.58/√N.
        cross: correlation of residual and command at lags −25 to 25, shape (51,); at a positive lag the residual
            comes after the command.
        cross_band: half width of its 99 % band at a lag of its own, for a residual and a command of these colours.
        limit: half width that the largest of the lags 0 to 25 of a right model stays within in 99 % of cases.
        share: standard deviation of that part of the residual that follows the command linearly (lags 0 to 25), over
            the standard deviation of the measured output: how much is missed.
    """

    step: float
    samples: int
    auto: Array
    auto_band: float
    cross: Array
    cross_band: float
    limit: float
    share: float

    @property
    def lags(self) -> Array:
        """Lags of `cross`, s, shape (51,)."""
        return self.step * np.arange(-LAGS, LAGS + 1, dtype=float)

    @property
    def white(self) -> bool:
        """Whether the residual is as noise without memory would be: no lag 1 to 25 beyond the limit of all."""
        return bool(np.all(np.abs(self.auto[1:]) <= self.auto_band * _limit(np.eye(LAGS)) / _NORMAL_99))

    @property
    def missed(self) -> Array:
        """Lags (s) at which the residual follows the command, shape (k,): empty for a model that misses nothing."""
        return self.lags[LAGS:][np.abs(self.cross[LAGS:]) > self.limit]

    @property
    def fed_back(self) -> Array:
        """Lags (s, below 0) at which the command follows the residual, shape (k,)."""
        return self.lags[:LAGS][np.abs(self.cross[:LAGS]) > self.limit]

    @property
    def passed(self) -> bool:
        """Whether nothing of the command is left in the residual."""
        return self.missed.size == 0


def residual_test(
    time: Array,
    measured: Array,
    simulated: Array,
    command: Array,
    group: NDArray[np.int64] | None = None,
    step: float | None = None,
) -> ResidualTest | None:
    """Test the residual of a simulated output against the command.

    The fits here are of the output-error kind: they say nothing of the noise, so a residual with memory is no fault
    and the input is what judges. Its correlation with the command has, for a right model, a variance of
    P/N = Σ_k R_e(k) R_u(k)/N (over R_e(0) R_u(0)), which for coloured signals is far from 1/N. R_u is that of the
    command driven; R_e that of an autoregression fitted to the residual, its order chosen by Akaike's criterion,
    since raw autocovariances at long lags are noise. The verdict looks at all lags 0 to 25 at once: the largest must
    stay below what the largest of 26 normal numbers with this covariance stays below in 99 % of cases.

    Measured with 200 seeds a case: a right model is rejected in 0 to 2 % of cases, whether command and residual are
    white or of lag-one correlation 0.8 or 0.95, with 400 and with 2000 samples (`tests/tuning/test_residual_tests.py`).

    Args:
        time: s, shape (n,).
        measured, simulated, command: shape (n,).
        group: number of the recording of each moment, shape (n,); None for one recording. Nothing is correlated
            across recordings or gaps.
        step: s, from lag to lag: 25 of them should span the dynamics a few times. None for the readings' own.

    Returns:
        The outcome; None where fewer than 100 samples are left, or residual or command stand still.

    Raises:
        InputError: as `even_pieces`.
    """
    step, pieces = even_pieces(time, [np.asarray(measured) - simulated, command, measured], group, step)
    pieces = [piece for piece in pieces if piece.shape[1] > 2 * LAGS]
    samples = sum(piece.shape[1] for piece in pieces)
    if samples < _LEAST:
        return None
    mean = np.sum([piece.sum(axis=1) for piece in pieces], axis=0) / samples
    e, u, y = ([piece[i] - mean[i] for piece in pieces] for i in range(3))
    power = _covariance(e, e, 0) / samples, _covariance(u, u, 0) / samples
    if min(power) <= 0.0:
        return None
    auto = np.array([_covariance(e, e, k) for k in range(LAGS + 1)])
    cross = np.array([_covariance(e, u, k) for k in range(-LAGS, LAGS + 1)]) / samples
    spread = _spread(e, u, samples)
    scale = float(np.sqrt(power[0] * power[1]))
    band = float(np.sqrt(spread[0] / samples)) / scale
    index = np.arange(LAGS + 1)
    limit = band * _limit(spread[np.abs(index[:, None] - index)] / spread[0])
    share = _followed(e, u) / float(np.sqrt(_covariance(y, y, 0) / samples))
    return ResidualTest(
        step, samples, auto / auto[0], _NORMAL_99 / float(np.sqrt(samples)), cross / scale,
        _NORMAL_99 * band, limit, share,
    )  # fmt: skip


def in_words(output: str, test: ResidualTest) -> str:
    """Say what a test found of an output, such as "yaw rate", in plain words."""
    if not test.passed:
        share = f"{100.0 * test.share:.1f} % of what the {output} does"
        judged = "enough to matter" if test.share >= _MATTERS else "too little to matter in most uses"
        return (
            f"The residual of the {output} still follows the command at lags {_range(test.missed)}: the model misses "
            f"part of the dynamics, {share} ({judged})."
        )
    words = f"Nothing of the command is left in the residual of the {output}"
    if test.fed_back.size:
        words += (
            f", but the command follows the residual by {_range(-test.fed_back)}: whoever drove answered what the model "
            "does not know, such as wind, or the command's time stamps are late"
        )
    elif not test.white:
        words += "; what is left has memory, as road, wind and filtered sensors give it, which the intervals allow for"
    return words + "."


def _range(lags: Array) -> str:
    low, high = float(np.min(lags)), float(np.max(lags))
    return f"{low:.2f} s" if low == high else f"{low:.2f} to {high:.2f} s"


def _covariance(e: list[Array], u: list[Array], lag: int) -> float:
    """Give Σ e(t) u(t − lag) within recordings."""
    if lag >= 0:
        return sum(float(a[lag:] @ b[: b.size - lag]) for a, b in zip(e, u, strict=True))
    return _covariance(u, e, -lag)


def _spread(e: list[Array], u: list[Array], samples: int) -> Array:
    """Give P(m) = Σ_k R_e(k) R_u(k + m) for m = 0 to 25."""
    reach = max(piece.size for piece in u) - 1
    of_e = _coloured(e, reach + LAGS)
    both = np.zeros(2 * reach + 1)  # R_u at lags -reach to reach
    for piece in u:
        both[reach + 1 - piece.size : reach + piece.size] += (
            signal.correlate(piece, piece, "full", "fft") / samples
        )
    at = np.arange(-reach, reach + 1)
    return np.array([float(of_e[np.abs(at - m)] @ both) for m in range(LAGS + 1)])


def _coloured(e: list[Array], reach: int) -> Array:
    """Give the autocovariance at lags 0 to `reach` of the autoregression that describes the residual best."""
    samples = sum(piece.size for piece in e)
    orders = min(_ORDERS, samples // 20)
    r = np.array([_covariance(e, e, k) for k in range(orders + 1)]) / samples
    best, chosen = np.inf, np.zeros(0)
    model, error = np.zeros(0), float(r[0])
    for order in range(orders + 1):
        if order:  # recursion of Levinson and Durbin
            reflection = (r[order] - model @ r[order - 1 : 0 : -1]) / error
            model = np.append(model - reflection * model[::-1], reflection)
            error *= 1.0 - reflection**2
        merit = samples * np.log(max(error, 1e-300)) + 2.0 * order
        if merit < best:
            best, chosen = merit, model
    # R(k) = Σ_i a_i R(k - i) beyond the order: the answer of a recursive filter to its own start.
    known = r[: chosen.size + 1]
    if chosen.size == 0:
        return np.concatenate((known, np.zeros(reach)))
    taps = np.concatenate(([1.0], -chosen))
    start = signal.lfiltic([1.0], taps, known[:0:-1])
    return np.concatenate((known, signal.lfilter([1.0], taps, np.zeros(reach), zi=start)[0]))[: reach + 1]


def _limit(correlation: Array) -> float:
    """Give what the largest of normal numbers with this correlation, shape (k, k), exceeds in 1 % of cases."""
    # Slow commands give neighbouring lags a correlation near 1. Not eigenvalues nor a product of matrices, whose
    # threads cost a hundred times as much when the cores are busy.
    root = np.linalg.cholesky(correlation + _RIDGE * np.eye(len(correlation)))
    draws = np.einsum("ij,jk->ik", root, _normal_numbers(len(correlation)))
    return float(np.quantile(np.max(np.abs(draws), axis=0), 1.0 - _LEVEL))


@lru_cache(maxsize=2)
def _normal_numbers(count: int) -> Array:
    return np.random.default_rng(0).standard_normal((count, _DRAWS))


def _followed(e: list[Array], u: list[Array]) -> float:
    """Give the standard deviation of what lags 0 to 25 of the command explain of the residual, by least squares.

    Less what as many regressors explain of noise by chance.
    """
    rows = np.concatenate([np.lib.stride_tricks.sliding_window_view(b, LAGS + 1) for b in u])
    answer = np.concatenate([a[LAGS:] for a in e])
    normal = np.einsum("ij,ik->jk", rows, rows)
    normal += _RIDGE * normal[0, 0] * np.eye(LAGS + 1)
    fitted = rows @ np.linalg.solve(normal, rows.T @ answer)
    left = float(np.sum((answer - fitted) ** 2)) / max(answer.size - LAGS - 1, 1)
    explained = float(np.sum(answer**2)) / answer.size - left
    return float(np.sqrt(max(explained, 0.0)))
