"""Pictures of how well values are known: intervals against what tuning needs, and how their errors hang together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tuning.identification.needed import need_of
from tuning.report.look import BLUE, BROKEN, INK, KEPT, QUIET, VERMILLION, applied, figure, tidy
from tuning.text import number

if TYPE_CHECKING:
    from tuning.identification import Identified

__all__ = [
    "CorrelationData",
    "ValueLine",
    "correlation_data",
    "correlation_picture",
    "value_lines",
    "values_picture",
]

Array = NDArray[np.float64]

_EDGE = 4.0  # times what is needed: longer intervals are cut there, with an arrow
_ROAD = "road."  # values of the roads that were driven: no one tunes on them, and there are as many as logs
_MOST_NAMES = 16  # that a table of correlations stays legible with
_STRONG = 0.9  # magnitude from which two values are known only together; a judgement without a source


@dataclass(frozen=True)
class ValueLine:
    """One found value.

    Attributes:
        label: its name as one says it.
        text: value, unit and 95 % interval.
        low, high: ends of the interval from the value, in units of what tuning needs (1: as wide as it may be).
    """

    label: str
    text: str
    low: float
    high: float

    @property
    def enough(self) -> bool:
        """Whether the interval is as narrow as tuning needs it."""
        return max(-self.low, self.high) <= 1.0


def value_lines(found: Identified) -> tuple[ValueLine, ...]:
    """Gather the values with an interval, in the order of the table: vehicle and sensors, not the roads driven."""
    lines = []
    for name, row in found.parameters.to_dict("index").items():
        low, high = float(row["low"]), float(row["high"])
        if str(name).startswith(_ROAD) or not np.isfinite(low + high) or high <= low:
            continue
        value = float(row["value"])
        amount = need_of(str(name)).amount(value)
        # A value of exactly 0 whose need is a share of it has no scale of its own: its interval is then the scale.
        amount = amount if amount > 0.0 else max(high - value, value - low)
        unit = f" {row['unit']}" if row["unit"] else ""
        text = f"{number(value, 4)}{unit}  [{number(low, 4)}, {number(high, 4)}]"
        lines.append(ValueLine(_said(str(name)), text, (low - value) / amount, (high - value) / amount))
    return tuple(lines)


def values_picture(lines: tuple[ValueLine, ...]) -> Figure:
    """Draw each interval around its value; within the shade it is narrow enough to tune on."""
    with applied():
        made = figure(height=1.1 + 0.27 * len(lines))
        axes = made.subplots()
        axes.axvspan(-1.0, 1.0, color=KEPT, zorder=0)
        axes.axvline(0.0, color=QUIET, linewidth=0.8)
        for i, line in enumerate(lines):
            colour = BLUE if line.enough else VERMILLION
            low, high = max(line.low, -_EDGE), min(line.high, _EDGE)
            axes.plot((low, high), (i, i), color=colour, linewidth=3.0, solid_capstyle="butt")
            for end, cut, sign in ((low, line.low, "<"), (high, line.high, ">")):
                mark = sign if abs(cut) > _EDGE else "|"
                axes.plot(end, i, marker=mark, markersize=7.0, color=colour, clip_on=False)
            axes.plot(0.0, i, marker="o" if line.enough else "s", markersize=5.0, color=colour)
            axes.annotate(
                line.text, (1.02, i), xycoords=("axes fraction", "data"), va="center", fontsize=8.5, color=INK
            )
        axes.annotate(
            "value  [95 % interval]", (1.02, -0.75), xycoords=("axes fraction", "data"), va="bottom",
            fontsize=8.5, fontweight="bold", color=INK,
        )  # fmt: skip
        axes.set_yticks(range(len(lines)), [line.label for line in lines])
        axes.set_ylim(len(lines) - 0.4, -0.6)
        axes.set_xlim(-_EDGE, _EDGE)
        axes.grid(axis="y", visible=False)
        tidy(axes, "95 % interval around the value, in units of what tuning needs (shaded: narrow enough)")
    return made


@dataclass(frozen=True)
class CorrelationData:
    """Correlation of the errors of values.

    Attributes:
        names: as one says them, k of them.
        matrix: shape (k, k), within -1 and 1.
    """

    names: tuple[str, ...]
    matrix: Array

    @property
    def strong(self) -> tuple[tuple[str, str, float], ...]:
        """Pairs of a magnitude of 0.9 or more, the strongest first."""
        first, second = np.triu_indices(len(self.names), 1)
        values = self.matrix[first, second]
        order = np.argsort(-np.abs(values), kind="stable")
        return tuple(
            (self.names[first[i]], self.names[second[i]], float(values[i]))
            for i in order
            if abs(values[i]) >= _STRONG
        )


def correlation_data(found: Identified) -> CorrelationData:
    """Gather the correlations of the values found of vehicle and sensors; of more than 16, those that hang together most."""
    matrix = found.covariance.to_numpy(dtype=float)
    spread = np.sqrt(np.diag(matrix))
    own = np.array([not str(name).startswith(_ROAD) for name in found.covariance.index], dtype=bool)
    seen = np.flatnonzero(own & np.isfinite(spread) & (spread > 0.0))
    matrix = matrix[np.ix_(seen, seen)] / np.outer(spread[seen], spread[seen])
    names = [_said(str(found.covariance.index[i])) for i in seen]
    if len(names) > _MOST_NAMES:
        strength = np.max(np.abs(matrix - np.eye(len(names))), axis=1)
        keep = np.sort(np.argsort(-strength, kind="stable")[:_MOST_NAMES])
        names, matrix = [names[i] for i in keep], matrix[np.ix_(keep, keep)]
    return CorrelationData(tuple(names), matrix)


def correlation_picture(data: CorrelationData) -> Figure:
    """Draw the lower triangle, with numbers; strong ones bold."""
    count = len(data.names)
    colours = LinearSegmentedColormap.from_list("signed", [VERMILLION, BROKEN, "#ffffff", "#d6e6f2", BLUE])
    with applied():
        made = figure(height=1.9 + 0.27 * count)
        axes = made.subplots()
        shown = np.ma.masked_where(np.triu(np.ones((count, count), dtype=bool)), data.matrix)
        axes.imshow(shown, cmap=colours, vmin=-1.0, vmax=1.0, aspect="auto")
        for i in range(count):
            for j in range(i):
                value = data.matrix[i, j]
                strong = abs(value) >= _STRONG
                seen = abs(value) >= 0.005
                axes.text(
                    j, i, f"{value:+.2f}".replace("-", "\u2212") if seen else "\u00b7",
                    ha="center", va="center", fontsize=8.0, fontweight="bold" if strong else "normal",
                    color="white" if abs(value) > 0.75 else INK if seen else QUIET,
                )  # fmt: skip
        axes.set_xticks(range(count - 1), data.names[:-1], rotation=35.0, ha="right", rotation_mode="anchor")
        axes.set_yticks(range(1, count), data.names[1:])
        axes.set_xlim(-0.5, count - 1.5)
        axes.set_ylim(count - 0.5, 0.5)
        axes.grid(visible=False)
        axes.tick_params(length=0.0)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
    return made


def _said(name: str) -> str:
    """Give a dotted name as one says it: "steering: dead time"."""
    return name.replace("_", " ").replace(".", ": ")
