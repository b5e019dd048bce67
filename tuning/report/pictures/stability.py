"""Pictures of margins: contours over speed and a gain, curves over speed, and how far draws of the vehicle spread them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from tuning.report.look import BROKEN, INK, QUIET, VERMILLION, applied, figure, style_of, tidy
from tuning.text import spoken

if TYPE_CHECKING:
    from tuning.stability import Robustness, SpeedMargins, StabilityFindings, StabilityLimits, StabilityMap

__all__ = [
    "MarginCurve",
    "MarginPanel",
    "map_panels",
    "map_picture",
    "margin_curves",
    "margins_picture",
    "robustness_picture",
]

Array = NDArray[np.float64]

# In the order shown: how a margin is labelled, what its values are multiplied by, and the levels of its contours. Beyond the
# last level nothing more is to be gained, so the colours end there.
_SHOWN = {
    "gain_margin": ("gain margin, dB", 1.0, (0.0, 2.0, 4.0, 6.0, 9.0, 12.0, 15.0, 18.0)),
    "phase_margin": ("phase margin, deg", 1.0, (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0)),
    "delay_margin": ("delay margin, ms", 1e3, (0.0, 25.0, 50.0, 100.0, 200.0, 300.0, 400.0, 600.0)),
    "disk_margin": ("disk margin", 1.0, (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4)),
}
_COLOURS = "cividis"  # even in lightness, and the same to every colour vision
_BEYOND = "#c9ced6"  # of what is unstable, hatched as well
_MOST = {"gain_margin": 24.0, "phase_margin": 90.0, "delay_margin": 1000.0, "disk_margin": 2.0}


@dataclass(frozen=True)
class MarginPanel:
    """One panel of the map.

    Attributes:
        title: margin and unit. speeds: m/s, shape (n,). values: of the gain, shape (m,).
        margin: shape (n, m), in the unit of the title; 0 where the loop is unstable.
        levels: of the contours. limit: the least margin, None without.
        radius: of the outermost pole, shape (n, m): above 1 the loop is unstable.
    """

    title: str
    speeds: Array
    values: Array
    margin: Array
    levels: tuple[float, ...]
    limit: float | None
    radius: Array


def map_panels(found: StabilityMap, limits: StabilityLimits) -> tuple[MarginPanel, ...]:
    """Gather what the picture of a map shows."""
    panels = []
    for name, (title, factor, levels) in _SHOWN.items():
        margin = np.minimum(factor * found.margins[name], _MOST[name])
        bound = limits.active.get(name)
        limit = None if bound is None else factor * bound
        radius = found.margins["radius"]
        panels.append(MarginPanel(title, found.speeds, found.values, margin, levels, limit, radius))
    return tuple(panels)


def map_picture(found: StabilityMap, limits: StabilityLimits) -> Figure:
    """Draw gain, phase, delay and disk margins over speed and gain, with the edge of what is stable and the limits."""
    with applied():
        made = figure(height=7.4)
        axes = made.subplots(2, 2, sharex=True, sharey=True)
        for one, panel in zip(axes.ravel(), map_panels(found, limits), strict=True):
            _draw_panel(made, one, panel, found)
        label = spoken(found.gain) + (f", {found.unit}" if found.unit else "")
        for one in axes[:, 0]:
            one.set_ylabel(label)
        for one in axes[1]:
            one.set_xlabel("speed, m/s")
        made.legend(handles=_map_legend(found), loc="outside upper center", ncols=4)
    return made


def _draw_panel(made: Figure, axes: Axes, panel: MarginPanel, found: StabilityMap) -> None:
    levels = np.array(panel.levels)
    axes.grid(False)
    across, up = np.meshgrid(panel.speeds, panel.values, indexing="ij")
    shown = None
    if min(panel.margin.shape) > 1:
        shown = axes.contourf(across, up, panel.margin, levels=levels, cmap=_COLOURS, extend="max")
        if panel.limit is not None:
            _limit_line(axes, across, up, panel)
        if panel.radius.max() > 1.0:
            # The outermost pole moves evenly across the edge, which margins, cut off at 0, do not.
            beyond = axes.contourf(
                across, up, panel.radius, levels=[1.0, 2.0 * panel.radius.max()], colors=[_BEYOND], hatches=["///"]
            )  # fmt: skip
            beyond.set_edgecolor("#ffffff")
            beyond.set_linewidth(0.0)
    order = np.lexsort((found.edge[:, 0], found.edge[:, 1]))
    axes.plot(found.edge[order, 0], found.edge[order, 1], ".", color=INK, markersize=2.6)
    if found.own_value is not None and panel.values[0] <= found.own_value <= panel.values[-1]:
        axes.axhline(found.own_value, color="#ffffff", linewidth=2.6)
        axes.axhline(found.own_value, color=VERMILLION, linewidth=1.4, linestyle=(0, (5, 2)))
    if found.logarithmic:
        axes.set_yscale("log")
        _plain_ticks(axes, panel.values)
    axes.set_xlim(panel.speeds[0], panel.speeds[-1])
    axes.set_ylim(panel.values[0], panel.values[-1])
    tidy(axes, title=panel.title)
    if shown is not None:
        made.colorbar(shown, ax=axes, pad=0.01, ticks=levels)


def _limit_line(axes: Axes, across: Array, up: Array, panel: MarginPanel) -> None:
    """Draw where the margin equals its limit, as a white line with dark edges: seen on every colour."""
    if panel.limit is None or not panel.margin.min() < panel.limit < panel.margin.max():
        return
    for width, colour in ((3.2, INK), (1.6, "#ffffff")):
        axes.contour(across, up, panel.margin, levels=[panel.limit], colors=[colour], linewidths=width)


def _plain_ticks(axes: Axes, values: Array) -> None:
    """Label a logarithmic axis in plain numbers, 1-2-5."""
    decades = range(int(np.floor(np.log10(values[0]))), int(np.ceil(np.log10(values[-1]))) + 1)
    ticks = [m * 10.0**d for d in decades for m in (1, 2, 5) if values[0] <= m * 10.0**d <= values[-1]]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()


def _map_legend(found: StabilityMap) -> list[Any]:
    own = found.own_value
    handles: list[Any] = [
        Patch(facecolor=_BEYOND, hatch="///", edgecolor="#ffffff", label="unstable"),
        Line2D([], [], color=INK, marker=".", linestyle="", label="edge of stability"),
        _Outlined(label="least margin asked for"),
    ]
    if own is not None and found.values[0] <= own <= found.values[-1]:
        handles.append(Line2D([], [], color=VERMILLION, linestyle=(0, (5, 2)), label="the law's own value"))
    return handles


class _Outlined(Line2D):
    """The key of a white line with dark edges."""

    def __init__(self, label: str) -> None:
        from matplotlib.patheffects import Normal, Stroke

        super().__init__([], [], color="#ffffff", linewidth=1.6, label=label)
        self.set_path_effects([Stroke(linewidth=3.2, foreground=INK), Normal()])


@dataclass(frozen=True)
class MarginCurve:
    """One law's margin over speed: label, speeds m/s, values in the panel's unit; unstable speeds have 0."""

    label: str
    speeds: Array
    values: Array


def margin_curves(found: tuple[StabilityFindings, ...], name: str) -> tuple[MarginCurve, ...]:
    """Gather the curves of a margin by name."""
    _, factor, _ = _SHOWN[name]
    return tuple(
        MarginCurve(one.name, one.over_speed.speeds, factor * one.over_speed.values(name)) for one in found
    )


def margins_picture(found: tuple[StabilityFindings, ...], limits: StabilityLimits) -> Figure:
    """Draw gain, phase, delay and disk margins of laws over speed, what is below a limit shaded."""
    with applied():
        made = figure(height=6.4)
        axes = made.subplots(2, 2, sharex=True)
        for one, (name, (title, factor, _)) in zip(axes.ravel(), _SHOWN.items(), strict=True):
            _draw_curves(one, name, margin_curves(found, name))
            if name == "gain_margin":
                _reductions(one, found)
            bound = limits.active.get(name)
            if bound is not None:
                _shade_below(one, factor * bound)
            tidy(one, title=title)
        for one in axes[1]:
            one.set_xlabel("speed, m/s")
        handles, _ = axes[0, 0].get_legend_handles_labels()
        if limits.active:
            handles.append(Patch(facecolor=BROKEN, edgecolor=QUIET, label="less than asked for"))
        made.legend(handles=handles, loc="outside upper center", ncols=4)
    return made


def _draw_curves(axes: Axes, name: str, curves: tuple[MarginCurve, ...]) -> None:
    highest = 0.0
    for index, curve in enumerate(curves):
        style = style_of(curve.label, index)
        shown = np.minimum(curve.values, _MOST[name])
        marker = {"marker": "o", "markersize": 3.0} if shown.size < 20 else {}
        axes.plot(curve.speeds, shown, **style, **marker, label=curve.label)
        unstable = curve.values <= 0.0
        axes.plot(curve.speeds[unstable], shown[unstable], "x", color=INK, markersize=6.0, zorder=4)
        highest = max(highest, float(shown.max(initial=0.0)))
    axes.set_ylim(0.0, 1.08 * highest if highest > 0.0 else 1.0)


def _reductions(axes: Axes, found: tuple[StabilityFindings, ...]) -> None:
    """Add the gain that may be lost, where it is finite, pale."""
    for index, one in enumerate(found):
        lost = one.over_speed.values("gain_reduction")
        known = (lost > 0.0) & (lost < _MOST["gain_margin"])
        if np.any(known):
            style = style_of(one.name, index)
            axes.plot(
                one.over_speed.speeds, np.where(known, lost, np.nan), color=style["color"], linewidth=1.0, alpha=0.6,
                linestyle=(0, (1, 1.5)), label=f"{one.name}: gain that may be lost",
            )  # fmt: skip


def _shade_below(axes: Axes, limit: float) -> None:
    low, high = axes.get_ylim()
    axes.set_ylim(low, max(high, 1.3 * limit))
    axes.axhspan(0.0, limit, color=BROKEN, zorder=0)
    axes.axhline(limit, color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))


def robustness_picture(found: Robustness, own: SpeedMargins) -> Figure:
    """Draw shares of draws that are stable and keep the limits, and the spread of phase and delay margins."""
    with applied():
        made = figure(height=3.9)
        share, phase, delay = made.subplots(1, 3)
        style = style_of(found.law.name)
        share.plot(
            found.speeds, 100.0 * found.share_stable, color=INK, marker="o", markersize=3.0, label="stable"
        )
        share.plot(
            found.speeds, 100.0 * found.share_kept, color=VERMILLION, linestyle=(0, (5, 1.5)), marker="s",
            markersize=3.0, label="with every margin asked for",
        )  # fmt: skip
        share.set_ylim(-3.0, 105.0)
        tidy(share, "speed, m/s", f"share of {found.count} draws, %", "Draws")
        for axes, name in ((phase, "phase_margin"), (delay, "delay_margin")):
            title, factor, _ = _SHOWN[name]
            _spread(axes, found, own, name, factor, style)
            bound = found.limits.active.get(name)
            if bound is not None:
                _shade_below(axes, factor * bound)
            tidy(axes, "speed, m/s", title, spoken(name).capitalize())
        # Above the panels: within them a falling curve leaves no corner free for certain.
        handles = [*share.get_legend_handles_labels()[0], *phase.get_legend_handles_labels()[0]]
        made.legend(handles=handles, loc="outside upper center", ncols=5)
    return made


def _spread(
    axes: Axes, found: Robustness, own: SpeedMargins, name: str, factor: float, style: dict[str, Any]
) -> None:
    most = _MOST[name]
    low, high = (np.minimum(factor * found.quantile(name, share), most) for share in (0.05, 0.95))
    axes.fill_between(
        found.speeds, low, high, color=style["color"], alpha=0.25, linewidth=0.0, label="5 to 95 % of draws"
    )
    axes.plot(
        own.speeds, np.minimum(factor * own.values(name), most), color=style["color"], label="as identified"
    )
    axes.plot(
        found.speeds, np.minimum(factor * found.worst(name), most), color=INK, linestyle=(0, (1, 1.5)),
        label="worst draw",
    )  # fmt: skip
    axes.set_ylim(0.0, 1.08 * max(float(high.max()), 1e-3))
