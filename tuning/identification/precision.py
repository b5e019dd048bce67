"""How well a fit knows its unknowns when the residuals are coloured, as those of a model always are.

Notation: J_o = ∂r_o/∂z of the weighted residuals r_o of output o, P the information of the priors, g_t = Σ_o J_o,tᵀ r_o,t
the score of moment t. The estimate's covariance is B S B with B = (Σ_o J_oᵀ J_o + P)⁻¹ and S the covariance of the sum of
all scores (the "sandwich"; white residuals give S = B⁻¹ and the classical B).

Two estimates of S, of which each unknown gets the larger:

- *Colour.* S = Σ_o J_oᵀ Γ_o J_o + P with Γ_o the autocovariance of the residuals of output o (Morelli & Klein, Journal of
  Aircraft 34(2), 1997: from memory), here that of the autoregressive process fitted to them, its order by Schwarz's
  criterion: a raw autocovariance hundreds of lags long is too rough. It takes residuals and J for independent.
- *Scores.* The long-run covariance of the scores themselves, Bartlett weights (Newey & West, Econometrica 55(3), 1987),
  bandwidth of Andrews (Econometrica 59(3), 1991), widened for its own roughness (Kiefer & Vogelsang, Econometric Theory
  21(6), 2005; all from memory). It also sees a misfit that grows where the unknowns act, but is rougher.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.signal import oaconvolve
from scipy.stats import t as student_t

from tuning.identification.quality import lag_one

__all__ = ["Colour", "Stack", "bandwidth", "colour_of", "long_run_covariance", "precision"]

Array = NDArray[np.float64]

_HIGHEST_ORDER = 30  # of the autoregressive process
_LEAST_LAGS_SHARE = 10  # moments that each order of the process must have
_FORGOTTEN = 1e-3  # of the variance, below which the autocovariance is taken to have ended
_MOST_INFLATION = 1e4
# Standard errors are widened by this: the measured speed, which the simulation takes as exact, is not, and nor are the
# choices of order and limits. Over 50 to 100 drives each of four invented vehicles the scatter of what was found was 0.8 to
# 1.2 times the error stated without it, and most where the speed was noisy.
_MORE = 1.1


@dataclass(frozen=True)
class Stack:
    """Where each residual stands in time, for the colour of the residuals.

    Attributes:
        moments: output name -> sample that each residual belongs to, shape (m,).
        group: recording of each sample, shape (n,): correlation does not reach across recordings.
    """

    moments: dict[str, NDArray[np.int64]]
    group: NDArray[np.int64]


@dataclass(frozen=True)
class Colour:
    """Autocovariance of residuals.

    Attributes:
        covariance: at lags 0, 1, ... residuals, shape (k,); 0 beyond.
        inflation: how many residuals are worth one independent one, for a mean; 1 for white ones.
        order: of the autoregressive process.
    """

    covariance: Array
    inflation: float
    order: int


def colour_of(values: Array, group: NDArray[np.int64]) -> Colour:
    """Fit an autoregressive process to residuals by the equations of Yule and Walker, its order by Schwarz's criterion.

    Args:
        values: residuals in the order of time, shape (m,); their mean is taken to be 0.
        group: recording of each, shape (m,).
    """
    parts = np.split(values, np.flatnonzero(np.diff(group)) + 1)
    n = values.size
    longest = max(part.size for part in parts)
    highest = max(min(_HIGHEST_ORDER, n // _LEAST_LAGS_SHARE, longest - 1), 0)
    raw = sum((_products(part, highest) for part in parts), np.zeros(highest + 1)) / n
    if raw[0] <= 0.0:
        return Colour(np.zeros(1), 1.0, 0)
    weights, order = _process(raw, n)
    length = min(longest, 20 * n)
    extended = list(raw[: order + 1])
    quiet = 0
    while len(extended) < length and quiet <= order and order:
        value = float(weights @ np.array(extended[-1 : -order - 1 : -1]))
        extended.append(value)
        quiet = quiet + 1 if abs(value) < _FORGOTTEN * raw[0] else 0
    covariance = np.array(extended)
    total = covariance[0] + 2.0 * float(np.sum(covariance[1:]))
    return Colour(covariance, float(np.clip(total / covariance[0], 1.0, _MOST_INFLATION)), order)


def _products(part: Array, highest: int) -> Array:
    """Give the sums of products of a recording's residuals that stand 0 to `highest` apart, shape (highest + 1,)."""
    length = next_fast_len(part.size + highest + 1, real=True)
    power = np.abs(np.fft.rfft(part, length)) ** 2
    return np.fft.irfft(power, length)[: highest + 1]


def _process(raw: Array, n: int) -> tuple[Array, int]:
    """Give weights and order of the process by the recursion of Levinson and Durbin on the autocovariance."""
    weights, error = np.zeros(0), raw[0]
    best = (n * np.log(raw[0]), weights, 0)
    for order in range(1, raw.size):
        reflection = (raw[order] - float(weights @ raw[order - 1 : 0 : -1])) / error
        weights = np.append(weights - reflection * weights[::-1], reflection)
        error *= 1.0 - reflection**2
        if error <= 1e-12 * raw[0]:
            break
        score = n * np.log(error) + order * np.log(n)
        if score < best[0]:
            best = (score, weights, order)
    return best[1], best[2]


def precision(
    jacobian: dict[str, Array],
    residuals: dict[str, Array],
    stack: Stack,
    prior: Array,
    rank_floor: float = 1e-12,
) -> Array:
    """Give the covariance of the unknowns, shape (p, p).

    Args:
        jacobian: output -> derivatives of its weighted residuals, shape (m, p), no column of which is 0 in all outputs
            and without prior.
        residuals: output -> weighted residuals, shape (m,).
        stack: where the residuals stand in time.
        prior: standard deviations of the priors, shape (p,); infinite without one.
        rank_floor: relative size of singular values that count as 0.
    """
    known = 1.0 / prior**2
    information = sum((j.T @ j for j in jacobian.values()), np.diag(known))
    size = np.sqrt(np.diag(information))
    bread = np.linalg.pinv(information / np.outer(size, size), rcond=rank_floor)
    scaled = {name: j / size for name, j in jacobian.items()}
    colours = {name: colour_of(r, stack.group[stack.moments[name]]) for name, r in residuals.items()}
    coloured = np.zeros((size.size, size.size))
    for name, j in scaled.items():
        coloured += _quadratic(j, colours[name].covariance, stack.group[stack.moments[name]])
    by_colour = bread @ coloured @ bread
    by_scores = bread @ _of_scores(scaled, residuals, stack) @ bread
    # Each unknown keeps the larger of the two variances; the correlations are those of the smoother estimate.
    widened = np.sqrt(np.maximum(np.diag(by_scores) / np.maximum(np.diag(by_colour), 1e-300), 1.0))
    independent = sum(r.size / colours[name].inflation for name, r in residuals.items())
    # What the fit takes from the residuals they no longer show: the usual n/(n − p), in independent residuals.
    freedom = independent / max(independent - 0.5 * size.size, 0.5 * independent)
    # And the few that there are leave the variance itself uncertain: Student's factor in place of the normal one.
    student = float(student_t.ppf(0.975, max(independent, 3.0))) / 1.96
    by_data = by_colour * np.outer(widened, widened) * freedom * (student * _MORE) ** 2
    by_prior = bread @ np.diag(known / size**2) @ bread
    return (by_data + by_prior) / np.outer(size, size)


def _quadratic(j: Array, covariance: Array, group: NDArray[np.int64]) -> Array:
    """Give Jᵀ Γ J with Γ made of an autocovariance within each recording, shape (p, p)."""
    both = np.concatenate([covariance[:0:-1], covariance])
    total = np.zeros((j.shape[1], j.shape[1]))
    for part in np.split(j, np.flatnonzero(np.diff(group)) + 1):
        smeared = oaconvolve(part, both[:, None], axes=0)[covariance.size - 1 :][: part.shape[0]]
        total += part.T @ smeared
    return 0.5 * (total + total.T)


def _of_scores(jacobian: dict[str, Array], residuals: dict[str, Array], stack: Stack) -> Array:
    width = next(iter(jacobian.values())).shape[1]
    scores = np.zeros((stack.group.size, width))
    used = np.zeros(stack.group.size, dtype=bool)
    rho = 0.0
    for name, j in jacobian.items():
        at = stack.moments[name]
        np.add.at(scores, at, j * residuals[name][:, None])
        used[at] = True
        rho = max(rho, lag_one(residuals[name]))
    count = int(np.count_nonzero(used))
    lags = bandwidth(count, rho)
    return (
        long_run_covariance(scores[used], stack.group[used], lags) * _roughness(min(lags / count, 1.0)) ** 2
    )


def bandwidth(n: int, rho: float) -> int:
    """Give how many moments apart the scores still count as correlated, from the residuals' lag-one correlation."""
    alpha = 4.0 * rho**2 / ((1.0 - rho) ** 2 * (1.0 + rho) ** 2)
    return int(np.ceil(1.1447 * (alpha * n) ** (1.0 / 3.0))) + 1


def _roughness(b: float) -> float:
    """Give the critical value over the normal one for a bandwidth that is the share b of the moments."""
    return (1.96 + 2.9694 * b + 0.4160 * b**2 - 0.5324 * b**3) / 1.96


def long_run_covariance(scores: Array, group: NDArray[np.int64], width: int) -> Array:
    """Give the sum over all pairs of moments of their scores' products, Bartlett weights, shape (p, p).

    Args:
        scores: shape (n, p), in the order of time.
        group: recording of each moment, shape (n,); pairs across recordings do not count.
        width: bandwidth in moments; 1 takes the scores for uncorrelated.

    The Bartlett sum with bandwidth m equals the mean over m of the products of moving sums of length m, so it costs
    one pass whatever the bandwidth.
    """
    total = np.zeros((scores.shape[1], scores.shape[1]))
    edges = np.flatnonzero(np.diff(group)) + 1
    for part in np.split(scores, edges):
        m = max(min(width, part.shape[0] // 2), 1)
        padded = np.concatenate([np.zeros((m, part.shape[1])), part, np.zeros((m - 1, part.shape[1]))])
        running = np.cumsum(padded, axis=0)
        sums = running[m:] - running[:-m]
        total += sums.T @ sums / m
    return total
