"""The picture of one track, drawn from `DrivenData`: map, lateral error, speed and lateral acceleration."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tuning.report.look import FAINT, INK, QUIET, applied, figure, style_of, tidy
from tuning.report.pictures.driven_data import Array, DrivenData, DrivenLine
from tuning.report.pictures.event_marks import event_key, mark_events, mark_events_on_map

__all__ = ["driven_picture", "label_rows"]

_LETTER = 0.0075  # width of a letter of a section's name, over that of the axes


def driven_picture(data: DrivenData) -> Figure:
    """Draw the picture of a track: map, lateral error, speed and lateral acceleration."""
    with applied():
        made = figure(height=8.6 if data.narrow else 10.4)
        grid = made.add_gridspec(4, 2, height_ratios=[1.25 if data.narrow else 2.7, 1.25, 0.9, 0.9])
        if data.narrow:
            _draw_map(made.add_subplot(grid[0, :]), data)
        else:
            _draw_map(made.add_subplot(grid[0, 0]), data)
            _draw_worst(made.add_subplot(grid[0, 1]), data)
        error = made.add_subplot(grid[1, :])
        speed = made.add_subplot(grid[2, :], sharex=error)
        pull = made.add_subplot(grid[3, :], sharex=error)
        _draw_error(error, data)
        _draw_speed(speed, data)
        _draw_pull(pull, data)
        for upper in (error, speed):
            upper.tick_params(labelbottom=False)
        length = driven_length(data)
        error.set_xlim(-0.01 * length, 1.01 * length)
        mark_events(speed, (error, pull), data)
        handles, labels = error.get_legend_handles_labels()
        made.legend(handles, labels, loc="outside upper center", ncols=max(len(labels), 1))
        if data.events:
            made.legend(handles=event_key(data), loc="outside lower center", ncols=min(len(data.events), 3))
    return made


def driven_length(data: DrivenData) -> float:
    """Give how far the pictures over arc length reach, m: as far as any law drove."""
    return max(float(line.s[-1]) for line in data.lines) or 1.0


def _draw_map(axes: Axes, data: DrivenData) -> None:
    _draw_track(axes, data)
    for i, line in enumerate(data.lines):
        axes.plot(line.along, line.across, **style_of(line.label, i))
        _mark_end(axes, line, i, line.along, line.across)
    mark_events_on_map(axes, data)
    if data.narrow:
        along, across = ("x", "y") if abs(data.turned) < 1e-6 else ("along the track", "across it")
        tidy(axes, f"{along}, m", f"{across}, m", f"{data.name}: map, {across} enlarged")
        axes.margins(x=0.01)
        return
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.06)
    start = (float(data.path[0, 0]), float(data.path[1, 0]))
    axes.plot(*start, marker="o", color=INK, markersize=5, zorder=6)
    axes.annotate("start", start, xytext=(6, 6), textcoords="offset points", color=INK, fontsize=8.5)
    axes.plot(
        *data.worst[3:], marker="s", markersize=13, markerfacecolor="none", markeredgecolor=INK, zorder=6
    )
    tidy(axes, "x, m", "y, m", f"{data.name}: map")


def _mark_end(axes: Axes, line: DrivenLine, index: int, x: Array, y: Array) -> None:
    """Put a cross where a run ended that should not have, and a square where one stopped as it should."""
    colour = style_of(line.label, index)["color"]
    if not line.finished:
        axes.plot(x[-1], y[-1], marker="x", markersize=9, markeredgewidth=2.2, color=colour, zorder=7)
    elif line.ending:
        # The first law's square is the largest, so that those of others, mostly in the same place, leave it visible.
        size = max(7.5 - 2.0 * index, 2.5)
        axes.plot(x[-1], y[-1], marker="s", markersize=size, color=colour, zorder=7)


def _draw_track(axes: Axes, data: DrivenData) -> None:
    for edge in (data.left, data.right):
        if edge is not None:
            axes.plot(*edge, color=QUIET, linewidth=0.8)
    axes.plot(*data.path, color=INK, linewidth=1.0, linestyle=(0, (1, 2)), zorder=4)


def _draw_worst(axes: Axes, data: DrivenData) -> None:
    label, s, error, along, across = data.worst
    _draw_track(axes, data)
    for i, line in enumerate(data.lines):
        axes.plot(line.along, line.across, **style_of(line.label, i))
    extent = max(np.ptp(data.path[0]), np.ptp(data.path[1]))
    half = max(8.0 * abs(error), 0.02 * extent)
    axes.set_xlim(along - half, along + half)
    axes.set_ylim(across - half, across + half)
    axes.set_aspect("equal", adjustable="box")
    tidy(axes, "x, m", "y, m", f"Furthest off: {label}, {error:+.3g} m at s = {s:.0f} m")


def _draw_error(axes: Axes, data: DrivenData) -> None:
    for i, line in enumerate(data.lines):
        label = f"{line.label} ({'■' if line.finished else '✕'} {line.ending})" if line.ending else line.label
        axes.plot(line.s, line.error, label=label, **style_of(line.label, i))
        _mark_end(axes, line, i, line.s, line.error)
    axes.axhline(0.0, color=QUIET, linewidth=0.8)
    _draw_limit(axes, data.error_limit, max(np.max(np.abs(line.error)) for line in data.lines))
    _name_sections(axes, data)
    tidy(axes, "", "lateral error, m\n(+ left of the path)")


def _draw_limit(axes: Axes, limit: float | None, largest: float) -> None:
    """Draw a limit either way, and name it; one that is far above everything drawn would only flatten the lines."""
    if limit is None or limit > 4.0 * largest:
        return
    for sign in (1.0, -1.0):
        axes.axhline(sign * limit, color=INK, linewidth=0.9, linestyle=(0, (3, 3)))
    axes.annotate(
        f"limit {limit:g}",
        (1.0, limit),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=8,
        color=INK,
    )
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -1.15 * limit), max(high, 1.3 * limit))


def label_rows(sections: Sequence[tuple[str, float, float]], length: float) -> list[int]:
    """Give the row (0 or 1 above the axes) in which each section's name has room, or -1 where neither has.

    Args:
        sections: `(name, start, end)`, m.
        length: of the axis, m.
    """
    ends = [-length, -length]
    rows = []
    for name, start, end in sections:
        half = 0.5 * _LETTER * length * len(name)
        middle = 0.5 * (start + end)
        row = next((row for row in (0, 1) if middle - half > ends[row]), -1)
        if row >= 0:
            ends[row] = middle + half + _LETTER * length
        rows.append(row)
    return rows


def _name_sections(axes: Axes, data: DrivenData) -> None:
    """Shade the named sections, of neighbours every other one, and name those that have room."""
    length = driven_length(data)
    sections = sorted((part for part in data.sections if part[1] < length), key=lambda part: part[1])
    shaded_to = -1.0
    for (name, start, end), row in zip(sections, label_rows(_cut(sections, length), length), strict=True):
        if start > shaded_to + 1e-6 * length:
            axes.axvspan(start, min(end, length), color=FAINT, alpha=0.4, linewidth=0)
            shaded_to = end
        if row < 0:
            continue
        axes.text(
            0.5 * (start + min(end, length)), 1.0 + 0.12 * row, name, transform=axes.get_xaxis_transform(),
            ha="center", va="bottom", fontsize=8, color=QUIET,
        )  # fmt: skip


def _cut(sections: Sequence[tuple[str, float, float]], length: float) -> list[tuple[str, float, float]]:
    return [(name, start, min(end, length)) for name, start, end in sections]


def _draw_speed(axes: Axes, data: DrivenData) -> None:
    axes.plot(data.plan_s, data.plan_speed, color=INK, linewidth=1.0, linestyle=(0, (1, 2)), zorder=4)
    for i, line in enumerate(data.lines):
        axes.plot(line.s, line.speed, **style_of(line.label, i))
    axes.set_ylim(bottom=0.0)
    tidy(axes, "", "speed, m/s\n(dotted: plan)")


def _draw_pull(axes: Axes, data: DrivenData) -> None:
    for i, line in enumerate(data.lines):
        axes.plot(line.s, line.lateral_acceleration, **style_of(line.label, i))
    axes.axhline(0.0, color=QUIET, linewidth=0.8)
    largest = max(np.max(np.abs(line.lateral_acceleration)) for line in data.lines)
    _draw_limit(axes, data.acceleration_limit, largest)
    tidy(axes, "arc length s, m", "lateral acceleration,\nm/s² (UN R79 filter)")
