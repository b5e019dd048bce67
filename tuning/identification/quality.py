"""How well a simulation agrees with a measurement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Trace", "agreement"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """A measured output and the simulated one at the same moments, each of shape (m,), SI.

    `time` (s) runs on from one recording to the next.
    """

    time: Array
    measured: Array
    simulated: Array


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
