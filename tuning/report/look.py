"""One look for every picture and page: colours, fonts, sizes, and how a figure becomes a file.

Figures are made without pyplot: it keeps global state, chooses a window system, and costs start time.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

__all__ = [
    "BLUE",
    "BROKEN",
    "COLOURS",
    "FAINT",
    "INK",
    "KEPT",
    "MEASURED",
    "QUIET",
    "VERMILLION",
    "WIDTH",
    "Style",
    "applied",
    "figure",
    "png",
    "style_of",
    "tidy",
]

# M. Okabe and K. Ito, "Color Universal Design", 2002 (values from memory): told apart with every colour vision.
BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
SKY, ORANGE = "#56B4E9", "#E69F00"
COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, SKY, ORANGE)
INK, QUIET, FAINT, PAPER = "#1c2430", "#5b6675", "#d5dae1", "#ffffff"
MEASURED = "#b4bcc8"  # broad and pale beneath what is simulated
KEPT, BROKEN = "#e6f4ee", "#fbe9dd"  # background where limits are kept, and where not

WIDTH = 10.0  # in, of every picture
_DOTS_PER_INCH = 140

# A law keeps its colour and its dash in every picture, whichever other laws stand beside it.
_FIXED = {
    "PurePursuit": (BLUE, "-"),
    "Stanley": (VERMILLION, (0, (5, 1.5))),
    "PreviewLQR": (PURPLE, (0, (1.5, 1))),
    "MPC": (GREEN, (0, (5, 1.2, 1, 1.2))),
}
_DASHES = ("-", (0, (5, 1.5)), (0, (5, 1.2, 1, 1.2)), (0, (1.5, 1)))

_SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 6.0,
    "axes.labelsize": 9.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 9.0,
    "legend.frameon": False,
    "lines.linewidth": 1.6,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "path.simplify": True,
}


class Style(dict[str, Any]):
    """Keyword arguments of a line: its colour and dash."""


def style_of(name: str, index: int = 0) -> Style:
    """Give the line style of a law: fixed for the shipped laws, else by its place in the list.

    Args:
        name: the law's name, or a label that starts with it ("MPC (gentle)").
        index: its place among the lines drawn, for names that have no fixed style.
    """
    colour, dash = _FIXED.get(
        name.split(" ")[0], (COLOURS[index % len(COLOURS)], _DASHES[index % len(_DASHES)])
    )
    return Style(color=colour, linestyle=dash)


@contextmanager
def applied() -> Iterator[None]:
    """Put the look on everything drawn inside, and give matplotlib its own settings back afterwards."""
    with mpl.rc_context(_SETTINGS):
        yield


def figure(height: float, width: float = WIDTH) -> Figure:
    """Make an empty figure of the given size in inches; call it inside `applied`."""
    made = Figure(figsize=(width, height), dpi=_DOTS_PER_INCH, layout="constrained")
    made.get_layout_engine().set(w_pad=0.06, h_pad=0.05, hspace=0.03)  # type: ignore[union-attr]
    return made


def tidy(axes: Axes, x: str = "", y: str = "", title: str = "") -> None:
    """Label axes; a long label of y must not outgrow its panel, so units stand on a line of their own."""
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    if title:
        axes.set_title(title)


def png(drawn: Figure) -> bytes:
    """Give a figure as the bytes of a PNG file, without a date in it so that equal pictures are equal files."""
    stream = io.BytesIO()
    # Not `savefig`, which draws everything twice: once only to find out how large it gets.
    FigureCanvasAgg(drawn).print_png(stream, metadata={"Software": None})
    return stream.getvalue()
