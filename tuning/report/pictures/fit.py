"""The picture of a fitted output: measured against simulated, a telling stretch of it, and what is left over beneath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tuning.identification.quality import Trace
from tuning.report.look import BLUE, MEASURED, QUIET, applied, figure, tidy

__all__ = ["FitSignal", "fit_picture", "fit_signal"]

Array = NDArray[np.float64]

_MOST_POINTS = 6000
_GAP = 3.0  # times the median spacing: no line is drawn across
_STRETCH = "#fdf3d8"  # background of the stretch that is shown larger


@dataclass(frozen=True)
class FitSignal:
    """One measured signal beside the simulated one, each of shape (k,), over time (s).

    Attributes:
        label: quantity and unit for the axis ("yaw rate, rad/s").
        time: s, from the start; NaN, as in the signals, where nothing is to be joined.
        fit: percent, 100 (1 − ‖y − ŷ‖/‖y − mean y‖), over all samples.
        rmse: root mean square of measured less simulated, in the signal's unit.
        stretch: from and to, s: where the output moves most.
    """

    label: str
    time: Array
    measured: Array
    simulated: Array
    fit: float
    rmse: float
    stretch: tuple[float, float]

    @property
    def residual(self) -> Array:
        """Measured less simulated, shape (k,)."""
        return self.measured - self.simulated


def fit_signal(label: str, trace: Trace, agreement: dict[str, float], span: float = 6.0) -> FitSignal:
    """Arrange a trace for drawing.

    Args:
        label: quantity and unit.
        trace: of one output.
        agreement: its `fit_percent` and `rmse`.
        span: s, of the stretch to be shown larger.
    """
    time = trace.time - trace.time[0]
    group = np.zeros(time.size, dtype=np.int64) if trace.group is None else trace.group
    steps = np.diff(time)
    apart = (np.diff(group) != 0) | (steps > _GAP * float(np.median(steps)))
    stretch = _telling(time, trace.simulated, apart, span)
    thin = max(int(np.ceil(time.size / _MOST_POINTS)), 1)
    keep = np.arange(time.size) % thin == 0
    piece = np.concatenate(([0], np.cumsum(apart)))[keep]
    at = np.flatnonzero(np.diff(piece)) + 1
    t, m, s = (np.insert(values[keep], at, np.nan) for values in (time, trace.measured, trace.simulated))
    return FitSignal(label, t, m, s, agreement["fit_percent"], agreement["rmse"], stretch)


def _telling(time: Array, values: Array, apart: NDArray[np.bool_], span: float) -> tuple[float, float]:
    """Give the stretch of `span` seconds in which a signal moves most, from and to, s."""
    moved = np.concatenate(([0.0], np.cumsum(np.where(apart, 0.0, np.abs(np.diff(values))))))
    within = np.interp(time + span, time, moved) - moved
    # The middle of all that are as good: a short motion then stands in the middle.
    best = np.flatnonzero(within >= within.max() * (1.0 - 1e-9))
    start = float(time[best[best.size // 2]])
    start = min(max(start, 0.0), max(float(time[-1]) - span, 0.0))
    return start, start + span


def fit_picture(signal: FitSignal) -> Figure:
    """Draw measured in grey under simulated in colour, all of it and a stretch larger, residuals beneath."""
    with applied():
        made = figure(height=3.4)
        panels = made.subplots(
            2, 2, sharex="col", sharey="row", width_ratios=(1.5, 1.0), height_ratios=(1.9, 1.0)
        )
        for column, wide in enumerate((2.6, 3.6)):
            above, below = panels[0, column], panels[1, column]
            above.plot(signal.time, signal.measured, color=MEASURED, linewidth=wide, label="measured")
            above.plot(signal.time, signal.simulated, color=BLUE, linewidth=1.0, label="simulated")
            below.plot(signal.time, signal.residual, color=QUIET, linewidth=0.8)
            below.axhline(0.0, color=BLUE, linewidth=0.8)
            below.set_xlabel("time, s")
        quantity, _, unit = signal.label.partition(", ")
        tidy(panels[0, 0], "", f"{quantity}\n{unit}", f"{quantity}: fit {signal.fit:.1f} %")
        tidy(panels[0, 1], "", "", "where it moves most")
        panels[1, 0].set_ylabel(f"left over\n{unit}")
        panels[1, 0].annotate(
            f"RMS {signal.rmse:.3g} {unit}", (0.995, 0.97), xycoords="axes fraction", ha="right", va="top",
            fontsize=8.5, bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )  # fmt: skip
        panels[0, 0].set_xlim(0.0, float(np.nanmax(signal.time)))
        panels[0, 1].set_xlim(*signal.stretch)
        for axes in panels[:, 0]:
            _mark(axes, signal.stretch)
        panels[0, 0].legend(loc="lower right", bbox_to_anchor=(1.01, 0.98), ncols=2, borderpad=0.0)
    return made


def _mark(axes: Axes, stretch: tuple[float, float]) -> None:
    axes.axvspan(*stretch, color=_STRETCH, zorder=0)
