"""How a `Sheet` is drawn: axes above each other, each line named where it runs, the event's span shaded."""

from __future__ import annotations

import io
import json

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from PIL import Image, PngImagePlugin  # comes with matplotlib, which needs it

from tuning.report.look import (
    BLUE,
    BROKEN,
    FAINT,
    INK,
    MEASURED,
    QUIET,
    VERMILLION,
    applied,
    figure,
    tidy,
)
from tuning.simulation.guide.sheet import Curve, Panel, Sheet

__all__ = ["draw", "figures_of", "picture"]

_DOTS_PER_INCH = 110
_WIDTH = 8.4  # in
_GREEN = "#009E73"  # of the same set as `look.BLUE` (M. Okabe and K. Ito, 2002)
_STYLES = {
    "first": (BLUE, "-", 1.8),
    "second": (VERMILLION, (0, (5, 1.5)), 1.8),
    "third": (_GREEN, (0, (5, 1.2, 1, 1.2)), 1.8),
    "wanted": (INK, (0, (1, 2)), 1.1),
    "broad": (MEASURED, "-", 4.0),
}
_COLOURS = 64  # of the file: few are drawn, and it is a third of the size
_KEPT_CLOSE = (
    0.3  # of the room: errors that stay below are drawn without the lane's edge, or nothing would be seen
)
_PLAIN_TEXT = "figures"  # key of the text in the file


def draw(sheet: Sheet) -> Figure:
    """Draw a sheet."""
    with applied():
        made = figure(height=1.25 + 1.6 * len(sheet.panels), width=_WIDTH)
        made.set_dpi(_DOTS_PER_INCH)
        made.suptitle(sheet.message, x=0.012, ha="left", fontsize=10.5, fontweight="bold")
        stack = np.atleast_1d(made.subplots(len(sheet.panels), 1, sharex=True))
        for axes, panel in zip(stack, sheet.panels, strict=True):
            axes.set_xlim(*sheet.limits)
            _draw_panel(axes, panel, sheet.limits)
            for span in sheet.spans:
                axes.axvspan(
                    span.start,
                    min(span.end, sheet.limits[1]),
                    color=FAINT,
                    alpha=0.45,
                    linewidth=0,
                    zorder=0.1,
                )
        _name_spans(stack[0], sheet)
        stack[-1].set_xlabel(sheet.x)
        made.align_ylabels(list(stack))
    return made


def _name_spans(axes: Axes, sheet: Sheet) -> None:
    for span in sheet.spans:
        axes.annotate(
            span.text, (span.start, 1.0), xycoords=axes.get_xaxis_transform(), xytext=(1, 3),
            textcoords="offset points", ha="left", va="bottom", fontsize=8.5, color=QUIET,
        )  # fmt: skip


def _draw_panel(axes: Axes, panel: Panel, limits: tuple[float, float]) -> None:
    for curve in panel.curves:
        _draw_curve(axes, curve)
    _fit(axes, panel, limits)
    tidy(axes, "", panel.quantity)


def _draw_curve(axes: Axes, curve: Curve) -> None:
    colour, dash, width = _STYLES[curve.role]
    if curve.dots:
        axes.plot(curve.x, curve.y, color=colour, marker=".", markersize=3.5, linestyle="none")
    else:
        axes.plot(
            curve.x, curve.y, color=colour, linestyle=dash, linewidth=width,
            drawstyle="steps-post" if curve.stepped else "default",
        )  # fmt: skip
    if curve.label is not None:
        label = curve.label
        y = float(np.interp(label.x, curve.x, curve.y)) if label.y is None else label.y
        axes.annotate(
            label.text, (label.x, y), xytext=(label.right, label.up),
            textcoords="offset points", ha="left", va="center", fontsize=8.8,
            color=QUIET if curve.role == "broad" else colour, zorder=8,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )  # fmt: skip


def _fit(axes: Axes, panel: Panel, limits: tuple[float, float]) -> None:
    """Set the y axis to what is seen, with room for labels, and shade what lies beyond the lane's edge."""
    seen = [curve.y[(curve.x >= limits[0]) & (curve.x <= limits[1])] for curve in panel.curves]
    low, high = float(min(np.min(y) for y in seen)), float(max(np.max(y) for y in seen))
    room = panel.room
    if room is not None and max(-low, high) > _KEPT_CLOSE * room:
        low, high = min(low, -1.25 * room), max(high, 1.25 * room)
    elif room is not None:
        spread = max(-low, high, 0.02)
        low, high = -spread, spread
    margin = panel.margin * max(high - low, 1e-6)
    low, high = low - margin, high + margin
    axes.set_ylim(low, high)
    if room is not None and high > room:
        for near, far in ((room, high), (low, -room)):
            axes.axhspan(near, far, color=BROKEN, linewidth=0, zorder=0.2)
        for edge in (room, -room):
            axes.axhline(edge, color=INK, linewidth=0.9)
        axes.annotate(
            "body beyond the edge of the lane", (1.0, room), xycoords=axes.get_yaxis_transform(),
            xytext=(-3, 2), textcoords="offset points", ha="right", va="bottom", fontsize=8, color=INK,
        )  # fmt: skip
    elif room is not None:
        axes.annotate(
            f"edge of the lane at ±{room:.2f} m", (1.0, 1.0), xycoords="axes fraction", xytext=(-3, -3),
            textcoords="offset points", ha="right", va="top", fontsize=8, color=QUIET,
        )  # fmt: skip


def picture(sheet: Sheet) -> bytes:
    """Give the PNG of a sheet, its message and figures inside as text; equal sheets give equal bytes."""
    stream = io.BytesIO()
    canvas = FigureCanvasAgg(draw(sheet))
    canvas.draw()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    # No dithering: flat areas stay flat.
    image = image.quantize(_COLOURS, dither=Image.Dither.NONE)
    told = PngImagePlugin.PngInfo()
    told.add_text("Title", sheet.message.replace("\n", " ").encode("ascii", "replace").decode())
    told.add_text(_PLAIN_TEXT, json.dumps({name: round(v, 3) for name, v in sheet.figures.items()}))
    image.save(stream, "PNG", optimize=True, pnginfo=told)
    return stream.getvalue()


def figures_of(file: bytes) -> dict[str, float]:
    """Give the figures that a picture was drawn with, to a thousandth."""
    with Image.open(io.BytesIO(file)) as image:
        image.load()
        return json.loads(image.text[_PLAIN_TEXT])  # type: ignore[attr-defined]
