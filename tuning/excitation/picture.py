"""The ground that a drive needs, to scale: what the vehicle sweeps, the space, and where to start and to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.patches import Patch, Rectangle

from tuning.report.look import BLUE, FAINT, INK, QUIET, VERMILLION, applied, figure, png, tidy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tuning.excitation.drives import Drive
    from tuning.excitation.ground import Ground
    from tuning.excitation.space import Size, Space

__all__ = ["drive_picture", "ground_marks"]

_ROOM = 0.09  # of the length, above and below the space, for the marks' names
_APART = 0.18  # of the length, from which the names of two marks stand beside each other
_UNCERTAIN, _NOMINAL = "#f3c9ad", "#7fb3d6"  # pale vermillion and pale blue


def ground_marks(drive: Drive, ground: Ground) -> dict[str, tuple[float, float]]:
    """Give where the nominal vehicle's rear-axle middle is at the marks, m: start, manoeuvre, stop command, stand."""
    path = ground.paths[0]
    first, last = drive.manoeuvre
    last = min(last, path.shape[0]) - 1
    points = {"start": 0, "manoeuvre begins": first, "stop commanded": last, "stands": path.shape[0] - 1}
    return {name: (float(path[i, 0]), float(path[i, 1])) for name, i in points.items()}


def drive_picture(drive: Drive, ground: Ground, space: Space, size: Size) -> bytes:
    """Draw the ground of a drive and its commands over time; give a PNG."""
    with applied():
        # One scale along and across, within what a page holds.
        tall = float(
            np.clip(8.6 * (space.width + 2.0 * _ROOM * space.length) / (1.08 * space.length), 2.2, 9.0)
        )
        drawn = figure(tall + 3.9)
        rows: Any = drawn.add_gridspec(3, 1, height_ratios=(tall + 1.0, 1.1, 1.1))
        above = drawn.add_subplot(rows[0])
        _ground(above, drive, ground, space, size)
        speed, bend = drawn.add_subplot(rows[1]), drawn.add_subplot(rows[2])
        speed.plot(drive.time, drive.speed_command, color=INK)
        tidy(speed, "", "speed\ncommand\nm/s")
        bend.plot(drive.time, drive.curvature_command, color=INK)
        tidy(bend, "time s", "curvature\ncommand\n1/m")
        for panel in (speed, bend):
            panel.set_xlim(0.0, drive.duration)
        return png(drawn)


def _ground(axes: Axes, drive: Drive, ground: Ground, space: Space, size: Size) -> None:
    half, margin = 0.5 * space.width, space.margin
    axes.add_patch(
        Rectangle((0.0, -half), space.length, space.width, fill=False, edgecolor=INK, linewidth=1.6)
    )
    axes.add_patch(
        Rectangle((margin, margin - half), space.length - 2.0 * margin, space.width - 2.0 * margin, fill=False,
                  edgecolor=QUIET, linewidth=0.8, linestyle=(0, (4, 3)))
    )  # fmt: skip
    for outlines in ground.outlines[1:]:
        axes.add_collection(PolyCollection(list(outlines), facecolor=_UNCERTAIN, edgecolor=_UNCERTAIN))
    axes.add_collection(PolyCollection(list(ground.outlines[0]), facecolor=_NOMINAL, edgecolor=_NOMINAL))
    axes.plot(*ground.paths[0].T, color=BLUE, linewidth=1.4)
    axes.add_collection(
        PolyCollection(
            [ground.outlines[0][0], ground.outlines[0][-1]], facecolor="none", edgecolor=INK, linewidth=1.2
        )
    )
    marks = ground_marks(drive, ground)
    places = [x for x, _ in marks.values()]
    for i, (name, (x, y)) in enumerate(marks.items()):
        sign, other = (1, -1)[i % 2], places[(i + 2) % 4]
        # Two names on the same side that would cover each other lean apart.
        apart = abs(x - other) >= _APART * space.length
        lean = "center" if apart else "right" if (x, i) < (other, (i + 2) % 4) else "left"
        axes.plot([x], [y], marker="|", markersize=16, color=VERMILLION, markeredgewidth=2.0)
        axes.annotate(
            f"{name}\n{x:.0f} m", (x, y), (x, sign * (half + 0.02 * space.length)), ha=lean,
            va="bottom" if sign > 0 else "top", fontsize=8.5, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.6},
        )  # fmt: skip
    axes.set_aspect("equal")
    room = 0.04 * space.length
    axes.set_xlim(-room, space.length + room)
    axes.set_ylim(-half - _ROOM * space.length, half + _ROOM * space.length)
    axes.grid(True, color=FAINT)
    tidy(
        axes,
        "m along the space, from its near end",
        "m to the left",
        f"{drive.name}: start mark at {ground.start[0]:.1f} m, {round(ground.start[1], 1) + 0.0:+.1f} m",
    )
    swept = [Patch(color=_NOMINAL, label="swept as planned"),
             Patch(color=_UNCERTAIN, label="swept by whatever the vehicle may turn out to be")]  # fmt: skip
    axes.legend(handles=swept, loc="lower right", ncols=2, fontsize=8.5)
