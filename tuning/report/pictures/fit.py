"""The picture of a fit: what was measured on logs kept out of the fit, and what the identified vehicle says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tuning.report.look import BLUE, MEASURED, applied, figure, tidy

__all__ = ["FitSignal", "fit_picture", "fit_signal"]

Array = NDArray[np.float64]

_MOST_POINTS = 1500


@dataclass(frozen=True)
class FitSignal:
    """One measured signal beside the simulated one, each of shape (k,), over time (s).

    Attributes:
        label: quantity and unit for the axis ("yaw rate, rad/s").
        fit: percent, 100 (1 − ‖y − ŷ‖/‖y − mean y‖), over all samples, or NaN.
    """

    label: str
    time: Array
    measured: Array
    simulated: Array
    fit: float


def fit_signal(
    label: str, time: Array, measured: Array, simulated: Array, fit: float | None = None
) -> FitSignal:
    """Arrange a signal for drawing; samples where either is not finite are left out.

    Args:
        label: quantity and unit.
        time: s, shape (n,).
        measured, simulated: shape (n,).
        fit: percent; None computes it.
    """
    time, measured, simulated = (np.asarray(a, dtype=float) for a in (time, measured, simulated))
    good = np.isfinite(measured) & np.isfinite(simulated)
    time, measured, simulated = time[good], measured[good], simulated[good]
    if fit is None:
        spread = float(np.linalg.norm(measured - np.mean(measured)))
        fit = 100.0 * (1.0 - float(np.linalg.norm(measured - simulated)) / spread) if spread > 0.0 else np.nan
    keep = np.unique(np.linspace(0, time.size - 1, _MOST_POINTS).astype(int))
    return FitSignal(label, time[keep], measured[keep], simulated[keep], float(fit))


def fit_picture(name: str, signals: Sequence[FitSignal]) -> Figure:
    """Draw one panel a signal, measured in grey under simulated in colour.

    Args:
        name: of the log.
        signals: at least one.
    """
    with applied():
        made = figure(height=0.7 + 1.9 * len(signals))
        panels = np.atleast_1d(made.subplots(len(signals), 1, sharex=True))
        for axes, signal in zip(panels, signals, strict=True):
            axes.plot(signal.time, signal.measured, color=MEASURED, linewidth=2.8, label="measured")
            axes.plot(signal.time, signal.simulated, color=BLUE, linewidth=1.0, label="simulated")
            fit = f"fit {signal.fit:.1f} %" if np.isfinite(signal.fit) else "constant signal: no fit figure"
            tidy(axes, "", signal.label, f"{name}: {fit}")
        panels[-1].set_xlabel("time, s")
        handles, labels = panels[0].get_legend_handles_labels()
        made.legend(handles, labels, loc="outside upper center", ncols=2)
    return made
