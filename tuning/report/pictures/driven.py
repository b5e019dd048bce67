"""The picture of one track: where each law drove, how far from the path, how fast, and how hard it pulled sideways."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tuning.measures.comfort import r79_acceleration
from tuning.report.look import FAINT, INK, QUIET, applied, figure, style_of, tidy

__all__ = ["DrivenData", "DrivenLine", "driven_data", "driven_picture", "label_rows"]

Array = NDArray[np.float64]

_MOST_POINTS = 1500  # of a line: a picture 10 in wide has no more pixels than that
_LETTER = 0.0075  # width of a letter of a section's name, over that of the axes
_NARROW = 4.0  # length over breadth beyond which equal axes would leave nothing to see


@dataclass(frozen=True)
class DrivenLine:
    """What one run left behind, thinned for drawing; every array has shape (k,).

    Attributes:
        label: the law.
        along, across: position in the axes of the map, m.
        s: arc length, m.
        error: lateral error, m, + left.
        speed: m/s.
        lateral_acceleration: m/s², + left, filtered in the way of UN R79, as its limit means it.
        finished: whether the run reached the end of its course.
    """

    label: str
    along: Array
    across: Array
    s: Array
    error: Array
    speed: Array
    lateral_acceleration: Array
    finished: bool


@dataclass(frozen=True)
class DrivenData:
    """Everything that the picture of a track shows.

    Attributes:
        name: the track.
        path, left, right: map lines of path and corridor edges, each of shape (2, n), m; edges None without corridor.
        plan_s, plan_speed: planned speed over arc length, shape (n,), m and m/s.
        lines: one a law.
        narrow: whether the map is long and thin, so that its axes have scales of their own.
        turned: rad by which the map was turned to lie along the horizontal axis.
        worst: `(label, s, error, along, across)` of the largest lateral error of all.
        sections: `(name, start, end)` along s, m.
        error_limit, acceleration_limit: bounds on |lateral error| (m) and |lateral acceleration| (m/s²), or None.
    """

    name: str
    path: Array
    left: Array | None
    right: Array | None
    plan_s: Array
    plan_speed: Array
    lines: tuple[DrivenLine, ...]
    narrow: bool
    turned: float
    worst: tuple[str, float, float, float, float]
    sections: tuple[tuple[str, float, float], ...]
    error_limit: float | None
    acceleration_limit: float | None


def driven_data(
    track: Any,
    runs: Mapping[str, Any],
    error_limit: float | None = None,
    acceleration_limit: float | None = None,
) -> DrivenData:
    """Gather what the picture of a track shows.

    Args:
        track: a `tracks.Track`.
        runs: label -> `Run` on this track.
        error_limit, acceleration_limit: bounds to draw, m and m/s².
    """
    path = track.path
    x, y = np.asarray(path.x), np.asarray(path.y)
    chord = np.arctan2(y[-1] - y[0], x[-1] - x[0])
    turned = 0.0
    narrow = False
    if not path.closed:
        along, across = _turn(x, y, chord)
        narrow = bool(np.ptp(along) > _NARROW * max(np.ptp(across), 1e-9))
        turned = float(chord) if narrow else 0.0
    left, right = _edges(track, turned)
    lines = tuple(_line(label, run, turned) for label, run in runs.items())
    return DrivenData(
        name=track.name,
        path=np.stack(_turn(x, y, turned)),
        left=left,
        right=right,
        plan_s=np.asarray(path.s),
        plan_speed=np.asarray(track.speed),
        lines=lines,
        narrow=narrow,
        turned=turned,
        worst=_worst(lines),
        sections=tuple((part.name, part.start, part.end) for part in track.sections),
        error_limit=error_limit,
        acceleration_limit=acceleration_limit,
    )


def _turn(x: Array, y: Array, angle: float) -> tuple[Array, Array]:
    """Give positions in axes turned by `angle` (rad, anticlockwise)."""
    c, s = np.cos(angle), np.sin(angle)
    return c * x + s * y, c * y - s * x


def _edges(track: Any, turned: float) -> tuple[Array | None, Array | None]:
    if track.corridor is None:
        return None, None
    path = track.path
    normal = np.stack((-np.sin(path.heading), np.cos(path.heading)))
    middle = np.stack((path.x, path.y))
    distances = np.stack((track.corridor.left, track.corridor.right))
    distances[np.isinf(distances)] = np.nan  # open to that side: no edge to draw
    left, right = middle + normal * distances[0], middle - normal * distances[1]
    return np.stack(_turn(left[0], left[1], turned)), np.stack(_turn(right[0], right[1], turned))


def _line(label: str, run: Any, turned: float) -> DrivenLine:
    keep = np.unique(np.linspace(0, len(run.time) - 1, _MOST_POINTS).astype(int))
    peak = int(
        np.argmax(np.abs(run.lateral_error))
    )  # thinning must not lose the figure that the table states
    keep = np.union1d(keep, [peak])
    along, across = _turn(np.asarray(run.x)[keep], np.asarray(run.y)[keep], turned)
    return DrivenLine(
        label,
        along,
        across,
        np.asarray(run.s)[keep],
        np.asarray(run.lateral_error)[keep],
        np.asarray(run.speed)[keep],
        r79_acceleration(np.asarray(run.lateral_acceleration), _rate(run))[keep],
        bool(run.outcome == 0),
    )


def _rate(run: Any) -> float:
    """Samples a second."""
    return (len(run.time) - 1) / float(run.time[-1] - run.time[0])


def _worst(lines: tuple[DrivenLine, ...]) -> tuple[str, float, float, float, float]:
    line = max(lines, key=lambda one: float(np.max(np.abs(one.error))))
    at = int(np.argmax(np.abs(line.error)))
    return line.label, line.s[at], line.error[at], line.along[at], line.across[at]


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
        error.margins(x=0.01)
        handles, labels = error.get_legend_handles_labels()
        made.legend(handles, labels, loc="outside upper center", ncols=max(len(labels), 1))
    return made


def _draw_map(axes: Axes, data: DrivenData) -> None:
    _draw_track(axes, data)
    for i, line in enumerate(data.lines):
        axes.plot(line.along, line.across, **style_of(line.label, i))
        _mark_end(axes, line, i, line.along, line.across)
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
    """Put a cross where a run ended before its course did."""
    if not line.finished:
        colour = style_of(line.label, index)["color"]
        axes.plot(x[-1], y[-1], marker="x", markersize=9, markeredgewidth=2.2, color=colour, zorder=7)


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
        label = line.label if line.finished else f"{line.label} (✕ not finished)"
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
    length = max(float(line.s[-1]) for line in data.lines) or 1.0
    sections = sorted(data.sections, key=lambda section: section[1])
    shaded_to = -1.0
    for (name, start, end), row in zip(sections, label_rows(sections, length), strict=True):
        if start > shaded_to + 1e-6 * length:
            axes.axvspan(start, min(end, length), color=FAINT, alpha=0.4, linewidth=0)
            shaded_to = end
        if row < 0:
            continue
        axes.text(
            0.5 * (start + min(end, length)), 1.0 + 0.12 * row, name, transform=axes.get_xaxis_transform(),
            ha="center", va="bottom", fontsize=8, color=QUIET,
        )  # fmt: skip


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
