"""The picture of residual tests: memory of what is left over, and whether it follows the command."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tuning.identification.residual_tests import LAGS, ResidualTest, residual_test
from tuning.report.look import BLUE, INK, KEPT, QUIET, VERMILLION, applied, figure, tidy
from tuning.text import spoken

if TYPE_CHECKING:
    from tuning.identification import Identified

__all__ = ["residual_tests", "residuals_picture"]

Array = NDArray[np.float64]

_LAGS_PER_RESPONSE = 4.0  # steps in the time in which the vehicle answers: 25 lags then span six such times


def residual_tests(found: Identified) -> dict[str, ResidualTest]:
    """Test every output on held-out driving; without those whose command is not known or that are too short.

    The lags are a quarter of dead time and lag of what answers: the steering, or drive and brake for the speed.
    """
    steering, drive = found.vehicle.steering, found.vehicle.drive
    lag = steering.lag
    if lag is None:
        lag = 2.0 * steering.damping / steering.natural_frequency
    answers = {"speed": max(drive.dead_time + drive.lag, drive.brake_dead_time + drive.brake_lag)}
    tests = {}
    for output, trace in found.traces.items():
        if trace.command is None:
            continue
        step = answers.get(output, steering.dead_time + lag) / _LAGS_PER_RESPONSE
        outcome = residual_test(trace.time, trace.measured, trace.simulated, trace.command, trace.group, step)
        if outcome is not None:
            tests[output] = outcome
    return tests


def residuals_picture(tests: dict[str, ResidualTest]) -> Figure:
    """Draw a row for each output: correlation of the residual with itself and with the command, bands shaded."""
    with applied():
        made = figure(height=0.5 + 1.75 * len(tests))
        panels = made.subplots(len(tests), 2, squeeze=False, width_ratios=(1.0, 1.9))
        for row, (output, test) in zip(panels, tests.items(), strict=True):
            _stems(row[0], test.lags[LAGS + 1 :], test.auto[1:], test.auto_band, test.auto_band)
            tidy(row[0], "", "correlation", f"{spoken(output)}: with itself")
            row[0].set_xlim(0.0, test.step * (LAGS + 1))
            _stems(row[1], test.lags, test.cross, test.cross_band, test.limit)
            row[1].axvline(0.0, color=QUIET, linewidth=0.8)
            row[1].set_xlim(-test.step * (LAGS + 1), test.step * (LAGS + 1))
            word = "nothing left of it" if test.passed else "follows it"
            tidy(row[1], "", "", f"{spoken(output)}: with the command ({word})")
        for axes in panels[-1]:
            axes.set_xlabel("lag, s")
    return made


def _stems(axes: Axes, lags: Array, values: Array, band: float, limit: float) -> None:
    """Draw stems; those beyond the limit in another colour and with another mark."""
    axes.axhspan(-band, band, color=KEPT, zorder=0)
    for level in {-limit, limit} - {-band, band}:
        axes.axhline(level, color=QUIET, linewidth=0.9, linestyle=(0, (4, 2)))
    beyond = np.abs(values) > limit
    axes.axhline(0.0, color=INK, linewidth=0.6)
    for which, colour, mark in ((~beyond, BLUE, "o"), (beyond, VERMILLION, "s")):
        axes.vlines(lags[which], 0.0, values[which], color=colour, linewidth=1.2)
        axes.plot(lags[which], values[which], mark, color=colour, markersize=3.2)
    reach = max(float(np.max(np.abs(values))), limit) * 1.15
    axes.set_ylim(-reach, reach)
