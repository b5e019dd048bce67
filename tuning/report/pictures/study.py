"""The picture of a study: the score of every candidate over each gain, the best one marked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter
from numpy.typing import NDArray

from tuning.report.look import INK, KEPT, QUIET, VERMILLION, applied, figure, style_of, tidy
from tuning.text import spoken

__all__ = ["GainPanel", "TuningData", "tuning_data", "tuning_picture"]

Array = NDArray[np.float64]

_COLUMNS = 3  # panels beside each other
_TALLEST = 2.0  # scores beyond are drawn at the upper edge: how bad a useless candidate is does not matter


@dataclass(frozen=True)
class GainPanel:
    """One gain of the candidates: its name, unit, whether its scale is logarithmic, values (n,), and the best one."""

    name: str
    unit: str
    logarithmic: bool
    values: Array
    best: float


@dataclass(frozen=True)
class TuningData:
    """What the picture of a study shows.

    Attributes:
        law: its name.
        gains: one panel each.
        score: of each candidate, shape (n,): its largest usage; infinite where a run failed.
        best_score: of the best candidate.
    """

    law: str
    gains: tuple[GainPanel, ...]
    score: Array
    best_score: float

    @property
    def feasible(self) -> NDArray[np.bool_]:
        """Which candidates keep every limit, shape (n,)."""
        return self.score <= 1.0


def tuning_data(
    law: str, space: dict[str, Any], candidates: Any, best: dict[str, float], best_score: float
) -> TuningData:
    """Arrange a study for drawing.

    Args:
        law: name of the law.
        space: gain -> `tracker.Gain`.
        candidates: table with one column a gain and the column `score`.
        best: gains of the best candidate.
        best_score: its score.
    """
    panels = tuple(
        GainPanel(
            name,
            gain.unit,
            bool(gain.logarithmic),
            np.asarray(candidates[name], dtype=float),
            float(best[name]),
        )
        for name, gain in space.items()
    )
    return TuningData(law, panels, np.asarray(candidates["score"], dtype=float), float(best_score))


def tuning_picture(data: TuningData) -> Figure:
    """Draw one panel a gain: score of every candidate, those that keep every limit filled, the best one starred."""
    columns = min(_COLUMNS, max(len(data.gains), 1))
    rows = -(-len(data.gains) // columns)
    with applied():
        made = figure(height=0.7 + 2.7 * rows)
        panels = np.atleast_1d(made.subplots(rows, columns, sharey=True, squeeze=True)).ravel()
        for i, (axes, gain) in enumerate(zip(panels, data.gains, strict=False)):
            _draw_gain(axes, data, gain)
            if i % columns == 0:
                axes.set_ylabel("largest usage of a limit")
                axes.yaxis.set_major_formatter(FuncFormatter(_percent))
        for empty in panels[len(data.gains) :]:
            empty.set_axis_off()
        handles, labels = panels[0].get_legend_handles_labels()
        made.legend(handles, labels, loc="outside upper center", ncols=3)
    return made


def _percent(usage: float, _: int) -> str:
    return f"{'≥ ' if usage >= _TALLEST else ''}{100.0 * usage:.0f} %"


def _draw_gain(axes: Axes, data: TuningData, gain: GainPanel) -> None:
    score = np.minimum(data.score, _TALLEST)
    kept = data.feasible
    colour = style_of(data.law)["color"]
    axes.axhspan(0.0, 1.0, color=KEPT, linewidth=0)
    axes.axhline(1.0, color=INK, linewidth=1.0)
    axes.scatter(
        gain.values[~kept], score[~kept], s=11, facecolors="none", edgecolors=QUIET, linewidths=0.6,
        label="breaks a limit",
    )  # fmt: skip
    axes.scatter(gain.values[kept], score[kept], s=13, color=colour, linewidths=0, label="keeps every limit")
    axes.plot(
        [gain.best], [min(data.best_score, _TALLEST)], marker="*", markersize=13, color=VERMILLION, linestyle="none",
        markeredgecolor=INK, markeredgewidth=0.8, label=f"best: {100.0 * data.best_score:.0f} %", zorder=6,
    )  # fmt: skip
    if gain.logarithmic:
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_ylim(0.0, 1.05 * _TALLEST)
    axes.set_yticks(np.arange(0.0, _TALLEST + 0.25, 0.5))
    unit = f", {gain.unit}" if gain.unit else ""
    tidy(axes, f"{spoken(gain.name)}{unit}", title=f"{spoken(gain.name)} = {gain.best:.3g}")
