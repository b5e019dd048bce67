"""The picture of usages: how much of each limit every law spends, with the line at 100 % that must not be passed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from tuning.report.look import BROKEN, INK, QUIET, applied, figure, style_of, tidy
from tuning.search.scoring import HOPELESS
from tuning.text import spoken

__all__ = ["UsageData", "usage_data", "usage_picture"]

_WIDEST = 2.5  # usages beyond are drawn cut off, with their figure beside them, or nothing else could be read


@dataclass(frozen=True)
class UsageData:
    """Usages as a table.

    Attributes:
        limits: names of the limits, the most used first.
        laws: labels, in the order given.
        usage: shape (limits, laws); NaN where a law has none.
    """

    limits: tuple[str, ...]
    laws: tuple[str, ...]
    usage: np.ndarray

    def binding(self, law: int) -> int:
        """Index of the limit that a law uses most, its binding limit."""
        return int(np.nanargmax(self.usage[:, law]))


def usage_data(usages: Mapping[str, Mapping[str, float]]) -> UsageData:
    """Arrange usages for drawing, the limit with the largest usage first.

    Args:
        usages: law -> limit -> usage; usages that are infinite (a run that failed) stay so.
    """
    laws = tuple(usages)
    names = list(dict.fromkeys(name for one in usages.values() for name in one))
    table = np.array([[usages[law].get(name, np.nan) for law in laws] for name in names]).reshape(
        len(names), -1
    )
    largest = np.array([np.nanmax(row) if np.any(~np.isnan(row)) else -1.0 for row in table])
    order = np.argsort(-largest, kind="stable")
    return UsageData(tuple(names[i] for i in order), laws, table[order])


def usage_picture(data: UsageData) -> Figure:
    """Draw one group of bars a limit, one bar a law."""
    rows, count = len(data.limits), len(data.laws)
    with applied():
        made = figure(height=1.3 + rows * (0.14 + 0.17 * count))
        axes = made.add_subplot()
        top = float(np.nanmax(np.where(np.isfinite(data.usage), data.usage, 0.0)))
        right = min(max(1.25, 1.12 * top), _WIDEST)
        axes.axvspan(1.0, right, color=BROKEN, linewidth=0)
        thickness = 0.8 / count
        for j, law in enumerate(data.laws):
            _draw_bars(axes, data, j, thickness, right)
            axes.barh([np.nan], [np.nan], color=style_of(law, j)["color"], label=law)
        axes.axvline(1.0, color=INK, linewidth=1.4)
        axes.set_yticks(range(rows), [spoken(name) for name in data.limits])
        axes.set_ylim(rows - 0.45, -0.55)
        axes.set_xlim(0.0, right)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
        axes.grid(visible=False, axis="y")
        tidy(
            axes,
            "usage = measure / limit (above 100 % the limit is broken); bold: the binding limit of a law",
        )
        made.legend(loc="outside upper center", ncols=count)
    return made


def _draw_bars(axes: Axes, data: UsageData, law: int, thickness: float, right: float) -> None:
    binding = data.binding(law) if np.any(~np.isnan(data.usage[:, law])) else -1
    for i, value in enumerate(data.usage[:, law]):
        if np.isnan(value):
            continue
        at = i + (law - 0.5 * (len(data.laws) - 1)) * thickness
        shown = min(value, right)
        axes.barh([at], [shown], height=0.86 * thickness, color=style_of(data.laws[law], law)["color"])
        bold = i == binding
        inside = shown > 0.9 * right
        axes.annotate(
            f"{100.0 * value:.0f} %" if value < HOPELESS else "not completed",
            (shown, at),
            xytext=(-3 if inside else 3, 0),
            textcoords="offset points",
            ha="right" if inside else "left",
            va="center_baseline",
            fontsize=7.5,
            fontweight="bold" if bold else "normal",
            color="#ffffff" if inside else (INK if bold else QUIET),
        )
