"""Pictures of log health: what was driven, which speeds and lateral accelerations, and the excitation by frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from tuning.health import Coverage, Health, Manoeuvres, Spectrum
from tuning.report.look import BLUE, INK, QUIET, VERMILLION, applied, figure, tidy
from tuning.text import spoken

__all__ = [
    "CoverageData",
    "DrivingBar",
    "coverage_data",
    "coverage_picture",
    "driving_data",
    "driving_picture",
    "excitation_picture",
]

Array = NDArray[np.float64]

_WRITTEN = 260  # cells: with more, numbers in them would be too small to read
_LEAST_SHOWN = 0.05  # s
_ABOVE_NOISE = 0.5
_UNITS = {
    "curvature_command": "1/m",
    "steering_command": "",
    "steering_angle": "rad",
    "yaw_rate": "rad/s",
}


@dataclass(frozen=True)
class DrivingBar:
    """One bar: what was driven, seconds, share of the whole in percent, and its group ("turning" or "along")."""

    label: str
    seconds: float
    percent: float
    group: str


@dataclass(frozen=True)
class CoverageData:
    """Cells of the coverage: edges, seconds (NaN where nothing was driven), and the words in each cell."""

    speed_edges: Array
    lateral_edges: Array
    seconds: Array
    words: tuple[tuple[str, ...], ...]


def driving_data(manoeuvres: Manoeuvres) -> tuple[DrivingBar, ...]:
    """Arrange the seconds of each kind of driving as bars."""
    turning = ("standstill", "straight", "curve_left", "curve_right", "steering_left", "steering_right")
    along = ("standstill", "steady_speed", "accelerating", "braking", "reversing")
    seconds = dict(manoeuvres.items())
    total = max(seconds["total"], 1e-9)
    return tuple(
        DrivingBar(spoken(name), seconds[name], 100.0 * seconds[name] / total, group)
        for group, names in (("turning", turning), ("along", along))
        for name in names
    )


def driving_picture(manoeuvres: Manoeuvres) -> Figure:
    """Draw how long each kind of driving lasts, by turning and by speed."""
    bars = driving_data(manoeuvres)
    with applied():
        made = figure(height=3.0)
        panels = made.subplots(1, 2, sharex=True)
        widest = max(bar.seconds for bar in bars) or 1.0
        titles = {"turning": "by turning", "along": "by speed"}
        for axes, (group, title) in zip(panels, titles.items(), strict=True):
            shown = [bar for bar in bars if bar.group == group]
            axes.barh([bar.label for bar in shown], [bar.seconds for bar in shown], color=BLUE, height=0.66)
            for at, bar in enumerate(shown):
                words = f" {bar.seconds:.1f} s ({bar.percent:.0f} %)"
                axes.text(bar.seconds, at, words, va="center", fontsize=8.5, color=INK)
            axes.invert_yaxis()
            axes.grid(visible=False, axis="y")
            axes.set_xlim(0.0, 1.32 * widest)
            tidy(axes, "time, s", "", f"{title}, of {manoeuvres.total:.0f} s")
    return made


def coverage_data(coverage: Coverage) -> CoverageData:
    """Arrange the coverage for drawing: cells under 0.05 s count as empty."""
    seconds = np.where(coverage.seconds >= _LEAST_SHOWN, coverage.seconds, np.nan)
    words = tuple(
        tuple("" if not np.isfinite(cell) else _short(float(cell)) for cell in row) for row in seconds
    )
    return CoverageData(coverage.speed_edges, coverage.lateral_edges, seconds, words)


def _short(seconds: float) -> str:
    return f"{seconds:.0f}" if seconds >= 9.95 else f"{seconds:.1f}"


def coverage_picture(coverage: Coverage) -> Figure:
    """Draw seconds by speed and lateral acceleration; empty cells stay white."""
    data = coverage_data(coverage)
    with applied():
        made = figure(height=4.6)
        axes = made.subplots()
        axes.grid(visible=False)
        largest = float(np.nanmax(data.seconds)) if np.any(np.isfinite(data.seconds)) else 1.0
        scale = LogNorm(_LEAST_SHOWN, max(largest, 2.0 * _LEAST_SHOWN))
        # cividis: even steps of lightness for every colour vision (Nunez, Anderton, Renslow 2018, from memory).
        cells = axes.pcolormesh(
            data.lateral_edges,
            data.speed_edges,
            data.seconds,
            cmap="cividis_r",
            norm=scale,
            edgecolors="white",
            linewidth=0.6,
        )
        if data.seconds.size <= _WRITTEN:
            _write_cells(axes, data, scale)
        axes.axvline(0.0, color=QUIET, linewidth=0.8, linestyle=(0, (3, 2)))
        bar = made.colorbar(cells, ax=axes, pad=0.015, label="time in the cell, s (white: none)")
        bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        side = "lateral acceleration as speed × yaw rate, m/s² (left curves positive)"
        tidy(axes, side, "speed, m/s", "which driving the logs hold")
    return made


def _write_cells(axes: Axes, data: CoverageData, scale: LogNorm) -> None:
    middles = [0.5 * (edges[1:] + edges[:-1]) for edges in (data.speed_edges, data.lateral_edges)]
    size = 8.0 if data.seconds.size <= 160 else 7.0
    for i, row in enumerate(data.words):
        for j, word in enumerate(row):
            if word:
                dark = float(scale(data.seconds[i, j])) > 0.47
                axes.text(
                    middles[1][j], middles[0][i], word, ha="center", va="center", fontsize=size,
                    color="white" if dark else INK,
                )  # fmt: skip


def excitation_picture(health: Health) -> Figure:
    """Draw power of command and answer and their coherence over frequency, a column for each answer."""
    with applied():
        made = figure(height=6.6)
        grid = made.subplots(3, len(health.spectra), sharex="col", squeeze=False)
        for column, spectrum in enumerate(health.spectra):
            _draw_spectrum([grid[row, column] for row in range(3)], spectrum)
    return made


def _draw_spectrum(panels: list[Axes], s: Spectrum) -> None:
    shown = s.frequency > 0.0
    f = s.frequency[shown]
    turned = s.answer == "yaw_rate"
    command = f"speed × {spoken(s.command)}" if turned else spoken(s.command)
    unit = _UNITS["yaw_rate"] if turned and s.command == "curvature_command" else _UNITS[s.command]
    panels[0].loglog(f, s.command_power[shown], color=BLUE)
    tidy(panels[0], "", _density(unit), f"{command}: 95 % below {s.excited_to:.2g} Hz")
    panels[0].axvline(s.excited_to, color=QUIET, linewidth=1.0, linestyle=(0, (4, 2)))
    panels[1].loglog(f, s.answer_power[shown], color=BLUE, label=spoken(s.answer))
    panels[1].loglog(
        f,
        np.maximum(s.noise_power[shown], 1e-300),
        color=VERMILLION,
        linestyle=(0, (5, 1.5)),
        label="not explained by the command",
    )
    low = float(np.min(s.answer_power[shown][s.answer_power[shown] > 0.0], initial=1.0))
    panels[1].set_ylim(bottom=0.3 * min(low, float(np.median(s.noise_power[shown])) or low))
    tidy(panels[1], "", _density(_UNITS[s.answer]), spoken(s.answer))
    panels[1].legend(loc="lower left")
    panels[2].semilogx(f, s.coherence[shown], color=BLUE)
    panels[2].axhline(_ABOVE_NOISE, color=QUIET, linewidth=1.0, linestyle=(0, (1.5, 1.5)))
    words = f"above noise up to {s.bandwidth:.2g} Hz" if s.bandwidth > 0.0 else "never above noise"
    if s.bandwidth > 0.0:
        panels[2].axvline(s.bandwidth, color=VERMILLION, linewidth=1.4, linestyle=(0, (5, 1.5)))
    panels[2].set_ylim(0.0, 1.05)
    tidy(panels[2], "frequency, Hz", "coherence", f"{spoken(s.answer)}: {words}")
    panels[2].xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))


def _density(unit: str) -> str:
    return f"({unit})²/Hz" if unit else "1/Hz"
