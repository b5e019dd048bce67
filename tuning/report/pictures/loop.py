"""The picture of one loop: Bode's gain and phase, and Nyquist's curve with the disk that it stays out of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from numpy.typing import NDArray

from tuning.report.look import BLUE, BROKEN, INK, QUIET, VERMILLION, applied, figure, tidy

if TYPE_CHECKING:
    from tuning.stability import Loop, Margins

__all__ = ["LoopCurve", "loop_curve", "loop_picture"]

Array = NDArray[np.float64]

_POINTS = 600
_LOWEST = 1e-3  # of half the rate of commands
_WINDOW = 2.6  # of the Nyquist plane, either way from its middle


@dataclass(frozen=True)
class LoopCurve:
    """The loop over frequency, shape (n,).

    Attributes:
        frequency: Hz, up to half the rate of commands.
        response: L. phase: of it, deg, unwrapped from its lowest frequency.
        crossings: where |L| = 1 and where L is real and below 0, Hz: two arrays.
        disk: (centre, radius) of the circle around −1 that a disk margin keeps free; None for an unstable loop.
    """

    frequency: Array
    response: NDArray[np.complex128]
    phase: Array
    crossings: tuple[Array, Array]
    disk: tuple[float, float] | None


def loop_curve(loop: Loop, margins: Margins) -> LoopCurve:
    """Gather what the picture of a loop shows."""
    w = np.geomspace(_LOWEST * loop.highest, loop.highest, _POINTS)
    response = loop.response(w)
    phase = np.degrees(np.unwrap(np.angle(response)))
    # Begin within one turn: a loop with two integrators comes from -180 degrees.
    phase -= 360.0 * np.ceil(phase[0] / 360.0 - 1e-9)
    size, imaginary = np.abs(response) - 1.0, response.imag
    unity = np.flatnonzero((size[:-1] < 0.0) != (size[1:] < 0.0))
    real = np.flatnonzero(((imaginary[:-1] < 0.0) != (imaginary[1:] < 0.0)) & (response.real[:-1] < 0.0))
    hertz = w / (2.0 * np.pi)
    disk = None
    if margins.stable:
        # The disk of gains within (2 - a)/(2 + a) and its inverse: L stays out of its image, -1/gain.
        ends = -(2.0 + margins.disk) / (2.0 - margins.disk), -(2.0 - margins.disk) / (2.0 + margins.disk)
        disk = 0.5 * (ends[0] + ends[1]), 0.5 * (ends[1] - ends[0])
    return LoopCurve(hertz, response, phase, (_at(hertz, size, unity), _at(hertz, imaginary, real)), disk)


def _at(frequency: Array, values: Array, places: NDArray[np.int64]) -> Array:
    """Give the frequencies of sign changes, interpolated."""
    share = values[places] / (values[places] - values[places + 1])
    return frequency[places] * (frequency[places + 1] / frequency[places]) ** share


def loop_picture(curve: LoopCurve) -> Figure:
    """Draw gain and phase over frequency on the left, Nyquist's curve on the right."""
    with applied():
        made = figure(height=4.8)
        parts: Any = made.subfigures(1, 2, width_ratios=(1.15, 1.0))
        left, right = parts
        gain, phase = left.subplots(2, 1, sharex=True)
        _bode(gain, phase, curve)
        _nyquist(right.subplots(), curve)
    return made


def _bode(gain: Axes, phase: Axes, curve: LoopCurve) -> None:
    decibel = 20.0 * np.log10(np.maximum(np.abs(curve.response), 1e-9))
    gain.semilogx(curve.frequency, decibel, color=BLUE)
    phase.semilogx(curve.frequency, curve.phase, color=BLUE)
    gain.axhline(0.0, color=QUIET, linewidth=0.8)
    phase.axhline(-180.0, color=QUIET, linewidth=0.8)
    for crossings, mark, colour, label in (
        (curve.crossings[0], "o", INK, "gain 1: phase margin"),
        (curve.crossings[1], "D", VERMILLION, "-180 deg: gain margin"),
    ):
        for axes, values in ((gain, decibel), (phase, curve.phase)):
            at = np.interp(np.log(crossings), np.log(curve.frequency), values)
            axes.plot(crossings, at, mark, color=colour, markersize=5.0, label=label, linestyle="")
    gain.set_ylim(max(-45.0, float(decibel.min()) - 3.0), min(45.0, float(decibel.max()) + 3.0))
    seen = curve.phase[(decibel > -45.0) & (decibel < 45.0)]
    lowest = max(float(seen.min()) - 15.0, -560.0)
    phase.set_ylim(lowest, max(float(seen.max()) + 15.0, -90.0))
    phase.set_yticks([t for t in range(-540, 91, 90) if lowest <= t <= phase.get_ylim()[1]])
    gain.legend(loc="upper right")
    tidy(gain, y="gain, dB", title="Loop over frequency")
    tidy(phase, x="frequency, Hz", y="phase, deg")
    inside = curve.frequency[np.abs(decibel) < 45.0]
    phase.set_xlim(inside[0], curve.frequency[-1])
    ticks = [t for t in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if inside[0] <= t <= curve.frequency[-1]]  # fmt: skip
    phase.set_xticks(ticks, [f"{t:g}" for t in ticks])
    phase.minorticks_off()


def _nyquist(axes: Axes, curve: LoopCurve) -> None:
    axes.set_aspect("equal")
    if curve.disk is not None:
        centre, radius = curve.disk
        axes.add_patch(
            Circle((centre, 0.0), radius, facecolor=BROKEN, edgecolor=QUIET, linewidth=0.8, zorder=1)
        )
    turn = np.linspace(0.0, 2.0 * np.pi, 200)
    axes.plot(np.cos(turn), np.sin(turn), color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
    axes.plot(curve.response.real, curve.response.imag, color=BLUE, zorder=3)
    axes.plot(curve.response.real, -curve.response.imag, color=BLUE, linewidth=0.8, alpha=0.5, zorder=2)
    axes.plot([-1.0], [0.0], "+", color=INK, markersize=11.0, markeredgewidth=2.0, zorder=4)
    axes.annotate("-1", (-1.0, 0.0), xytext=(5, 6), textcoords="offset points", fontsize=9.0)
    axes.set_xlim(-_WINDOW - 0.6, _WINDOW - 0.6)
    axes.set_ylim(-_WINDOW, _WINDOW)
    tidy(axes, "real part", "imaginary part", "Nyquist: shaded, the disk that it stays out of")
