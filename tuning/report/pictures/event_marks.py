"""Marks of events in the picture of a drive: a number where each began, and a key that says what the numbers mean.

Titles are too long to stand beside each other on a map; numbers that would touch are put into one mark ("1, 2").
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from tuning.report.look import INK, PAPER
from tuning.report.pictures.driven_data import DrivenData, EventMark

__all__ = ["event_key", "mark_events", "mark_events_on_map", "together"]

_APART = 0.03  # of the axes' extent: two marks nearer than that would touch
_BOX = {"boxstyle": "round,pad=0.22", "facecolor": INK, "edgecolor": PAPER, "linewidth": 0.8}
_LINE = (0, (2, 3))


def together(places: Sequence[tuple[float, ...]], apart: float) -> list[list[int]]:
    """Give groups of the indices of places that lie closer than `apart` to the first of their group."""
    groups: list[list[int]] = []
    for i, place in enumerate(places):
        near = next(
            (
                group
                for group in groups
                if np.hypot.reduce(np.subtract(place, places[group[0]]), initial=0.0) < apart
            ),
            None,
        )
        if near is None:
            groups.append([i])
        else:
            near.append(i)
    return groups


def mark_events(numbered: Axes, others: Iterable[Axes], data: DrivenData) -> None:
    """Draw a thin line where each event began through all panels over arc length, with its number above one of them."""
    low, high = numbered.get_xlim()
    for mark in data.events:
        for axes in (numbered, *others):
            axes.axvline(mark.s, color=INK, linewidth=0.9, linestyle=_LINE, zorder=3)
    for group in together([(mark.s,) for mark in data.events], _APART * (high - low)):
        marks = [data.events[i] for i in group]
        numbered.text(
            marks[0].s, 1.0, _numbers(marks), transform=numbered.get_xaxis_transform(), ha="center", va="center",
            color=PAPER, fontsize=7.5, fontweight="bold", bbox=_BOX, zorder=8,
        )  # fmt: skip


def mark_events_on_map(axes: Axes, data: DrivenData) -> None:
    """Put the number of each event beside the place where it began: below it, clear of the start's name."""
    extent = max(float(np.ptp(data.path[0])), 1e-9 if data.narrow else float(np.ptp(data.path[1])))
    places = [(mark.along, 0.0 if data.narrow else mark.across) for mark in data.events]
    for group in together(places, 2.0 * _APART * extent):
        marks = [data.events[i] for i in group]
        for mark in marks:
            axes.plot(mark.along, mark.across, marker="o", markersize=4.5, color=INK, zorder=8)
        axes.annotate(
            _numbers(marks), (marks[0].along, marks[0].across), xytext=(0, -12), textcoords="offset points",
            ha="center", va="center", color=PAPER, fontsize=7.5, fontweight="bold", bbox=_BOX, zorder=8,
        )  # fmt: skip


def event_key(data: DrivenData) -> list[Line2D]:
    """Give the entries of a key: number and title of each event, and where it began."""
    return [
        Line2D([], [], color=INK, linewidth=0.9, linestyle=_LINE, label=_label(mark)) for mark in data.events
    ]


def _label(mark: EventMark) -> str:
    return f"{mark.number}: {mark.title}, at {mark.s:.0f} m"


def _numbers(marks: Sequence[EventMark]) -> str:
    return ", ".join(str(mark.number) for mark in marks)
