"""How well a simulation agrees with a measurement, and how much more one explains than another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["EVIDENCE", "Trace", "agreement", "evidence", "lag_one", "product"]

Array = NDArray[np.float64]

# Drop of N ln(sum of squares) that one more unknown must bring: the criterion of Schwarz (from memory) asks for ln N,
# 5 to 9 here; a little more, since the residuals are never all noise.
EVIDENCE = 10.0


@dataclass(frozen=True)
class Trace:
    """A measured output and the simulated one at the same moments, each of shape (m,), SI.

    Attributes:
        time: s, running on from one recording to the next.
        measured, simulated: the output.
        command: what was asked for, averaged over `averaged` seconds around each moment: a road-wheel angle (rad,
            + left, before gain and offset of the steering) or, beside the speed, a speed (m/s). None where unknown.
        speed: measured, m/s; None where unknown.
        group: number of the uninterrupted recording that each moment belongs to; None for a single one.
        averaged: s.
    """

    time: Array
    measured: Array
    simulated: Array
    command: Array | None = None
    speed: Array | None = None
    group: NDArray[np.int64] | None = None
    averaged: float = 0.0


def agreement(measured: Array, simulated: Array) -> dict[str, float]:
    """Give measures of agreement of two signals of shape (n,).

    Returns:
        `fit_percent`: 100 (1 − ‖y − ŷ‖/‖y − mean y‖) (Ljung, System Identification; from memory);
        `r_squared`: 1 − ‖y − ŷ‖²/‖y − mean y‖²; `rmse` in the signals' unit; `samples`.
        A signal that stands still has no fit: both are then 0 unless the agreement is perfect.
    """
    error = float(np.linalg.norm(measured - simulated))
    spread = float(np.linalg.norm(measured - np.mean(measured)))
    ratio = error / spread if spread > 0.0 else float(error > 0.0)
    return {
        "fit_percent": 100.0 * (1.0 - ratio),
        "r_squared": 1.0 - ratio**2,
        "rmse": error / float(np.sqrt(measured.size)),
        "samples": float(measured.size),
    }


def lag_one(values: Array) -> float:
    """Give the correlation of neighbouring residuals, shape (n,), within 0 and 0.995; 0 where all are 0."""
    power = product(values, values)
    return float(np.clip(product(values[1:], values[:-1]) / power, 0.0, 0.995)) if power > 0.0 else 0.0


def product(a: Array, b: Array) -> float:
    """Give the inner product of two signals of shape (n,), without the threads of BLAS, which wait for busy cores."""
    return float(np.einsum("i,i", a, b))


def evidence(smaller: Mapping[str, Array], larger: Mapping[str, Array]) -> tuple[float, float]:
    """Give how much more a larger fit explains, from the residuals of both by output, each of shape (m,).

    Returns:
        The drop of N ln(sum of squares), summed over the outputs, with N the number of independent residuals: N
        shrinks with their lag-one correlation ρ by (1 − ρ)/(1 + ρ), as for a mean of a coloured signal. And the
        largest relative drop of the sum of squares of an output.
    """
    total, largest = 0.0, 0.0
    for name, values in smaller.items():
        power = max(product(values, values), 1e-300)
        left = max(product(larger[name], larger[name]), 1e-300)
        rho = lag_one(values)
        total += values.size * (1.0 - rho) / (1.0 + rho) * float(np.log(power / left))
        largest = max(largest, 1.0 - left / power)
    return total, largest
