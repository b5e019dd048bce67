"""The picture of a frequency response: as measured, as simulated, and from the values found."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from tuning.identification.frequency_response import GOOD, USABLE
from tuning.report.look import BLUE, INK, KEPT, QUIET, VERMILLION, applied, figure, tidy
from tuning.report.pictures.response_data import ResponsePanel

__all__ = ["response_picture"]

Array = NDArray[np.float64]

_INTERVAL = 1.96  # standard errors either side


def response_picture(panels: tuple[ResponsePanel, ...]) -> Figure:
    """Draw gain, phase and coherence, a column for each response; where the readings are usable is shaded."""
    with applied():
        made = figure(height=6.2)
        axes = made.subplots(
            3, len(panels), sharex="col", sharey="row", squeeze=False, height_ratios=(1.4, 1.4, 1.0)
        )
        for column, panel in enumerate(panels):
            _draw(axes[:, column], panel)
        tidy(axes[0, 0], "", "gain, dB", axes[0, 0].get_title(loc="left"))
        axes[1, 0].set_ylabel("phase, deg")
        axes[2, 0].set_ylabel("coherence")
        handles, _ = axes[0, 0].get_legend_handles_labels()
        shade = Patch(color=KEPT, label="usable: coherence 0.6 or more")
        made.legend(handles=[*handles, shade], loc="outside upper center", ncols=4)
    return made


def _draw(axes: Array, panel: ResponsePanel) -> None:
    gain, phase, coherence = axes
    shown = panel.shown
    f, measured, simulated = panel.measured.frequency[shown], panel.measured, panel.simulated
    usable, error = measured.usable[shown], _INTERVAL * measured.error[shown]
    for one in axes:
        _shade(one, f, usable)
        one.set_xscale("log")
        one.set_xlim(f[0] / 1.06, f[-1] * 1.06)
    level = measured.gain[shown]
    low, high = 20.0 * np.log10(np.maximum(1.0 - error, 1e-3)), 20.0 * np.log10(1.0 + error)
    bars = np.array((-low, high))[:, usable]
    degrees = np.degrees(measured.phase[shown])
    # As many whole turns as bring the closed form nearest to the first usable reading.
    form = np.degrees(np.unwrap(np.angle(panel.form)))[shown]
    turned = _near(form, degrees, usable)
    model = _near(np.degrees(simulated.phase[shown]), degrees, usable)
    style = {"fmt": "o", "markersize": 3.2, "color": INK, "elinewidth": 1.0, "capsize": 1.5, "zorder": 3}
    gain.errorbar(f[usable], _decibel(level)[usable], yerr=bars, **style, label="measured, 95 % interval")
    gain.plot(f, _decibel(simulated.gain[shown]), color=BLUE, label="simulated, estimated alike")
    gain.plot(
        f, _decibel(np.abs(panel.form[shown])), color=VERMILLION, linestyle=(0, (5, 1.5)), linewidth=1.2,
        label="closed form of the values found",
    )  # fmt: skip
    phase.errorbar(f[usable], degrees[usable], yerr=np.degrees(error)[usable], **style)
    phase.plot(f, model, color=BLUE)
    phase.plot(f, turned, color=VERMILLION, linestyle=(0, (5, 1.5)), linewidth=1.2)
    seen = np.concatenate((turned, degrees[usable], model[usable]))
    phase.set_ylim(np.min(seen) - 15.0, np.max(seen) + 15.0)
    coherence.plot(f, measured.coherence[shown], color=INK, marker="o", markersize=3.0, linewidth=1.0)
    coherence.plot(f, simulated.coherence[shown], color=BLUE)
    for level_line, word in ((USABLE, "usable"), (GOOD, "good")):
        coherence.axhline(level_line, color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
        coherence.annotate(
            word, (0.006, level_line), xycoords=("axes fraction", "data"), ha="left", va="bottom", fontsize=8.0,
            color=QUIET,
        )  # fmt: skip
    coherence.set_ylim(0.0, 1.05)
    coherence.set_xlabel("frequency, Hz")
    ticks = [t for t in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if f[0] / 1.06 <= t <= f[-1] * 1.06]
    coherence.set_xticks(ticks, [f"{t:g}" for t in ticks])
    coherence.minorticks_off()
    tidy(gain, "", "", panel.title)


def _decibel(gain: Array) -> Array:
    return 20.0 * np.log10(np.maximum(gain, 1e-6))


def _near(angle: Array, reading: Array, usable: NDArray[np.bool_]) -> Array:
    """Give an unwrapped phase (deg) moved by as many whole turns as bring it nearest to the usable readings."""
    if not np.any(usable):
        return angle
    return angle + 360.0 * np.round(np.median(reading[usable] - angle[usable]) / 360.0)


def _shade(axes: Axes, f: Array, usable: NDArray[np.bool_]) -> None:
    """Shade every run of usable frequencies, half a step to either side."""
    half = np.sqrt(f[1] / f[0])
    for start, stop in np.flatnonzero(np.diff(np.concatenate(([0], usable.astype(int), [0])))).reshape(-1, 2):
        axes.axvspan(f[start] / half, f[stop - 1] * half, color=KEPT, zorder=0)
