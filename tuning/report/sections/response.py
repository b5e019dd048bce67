"""What a frequency response shows, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.identification.frequency_response import GOOD
from tuning.report.pictures.response_data import ResponsePanel

__all__ = ["response_words"]

_INTERVAL = 1.96  # standard errors either side
_FULL = 0.1  # how far below the coherence of a linear answer the simulated one may lie before it is said


def response_words(panel: ResponsePanel) -> str:
    """Say where the readings tell the response, how far simulation and readings agree there, and what limits it."""
    measured, simulated = panel.measured, panel.simulated
    usable = measured.usable
    title = panel.title.capitalize()
    if not np.any(usable):
        return (
            f"{title}: at no frequency does the answer follow the command enough (coherence 0.6) for the readings to tell the "
            "response. Steer more, and more quickly."
        )
    f = measured.frequency
    words = f"{title}: usable from {_ranges(f, usable)} Hz"
    words += (
        f", good from {_ranges(f, measured.good)} Hz" if np.any(measured.good) else ", good (0.8) nowhere"
    )
    off = simulated.response / np.where(usable, measured.response, 1.0)
    # Noise moves gain and phase by the same relative amount, so the distance in the complex plane is √2 of one.
    distance = np.abs(off - 1.0)
    beyond = usable & (distance > _INTERVAL * np.sqrt(2.0) * measured.error)
    if np.any(beyond):
        at = int(np.argmax(np.where(beyond, distance, -1.0)))
        words += (
            f". The simulation lies beyond the readings' 95 % interval at {np.count_nonzero(beyond)} of "
            f"{np.count_nonzero(usable)} usable frequencies, furthest at {f[at]:.2g} Hz, where its gain is "
            f"{_signed(100.0 * (abs(off[at]) - 1.0))} % and its phase {_signed(np.degrees(np.angle(off[at])))} deg from what "
            "was measured"
        )
    else:
        words += ". The simulation lies within the readings' 95 % interval at all of them"
    if panel.left_out:
        words += (
            f". {100.0 * panel.left_out:.0f} % of the driving was left out, since the steering's rate limit acts there and "
            "the answer is not linear"
        )
    if np.median(simulated.coherence[usable]) < GOOD + _FULL:
        words += (
            ". The simulated answer, which has no noise, is as little linear: what lowers the coherence is in the model, such "
            "as a limit that the commands reach. Small motions follow the dashed line"
        )
    return f"{words}."


def _signed(value: float) -> str:
    """Give a rounded number with its sign; 0 has none."""
    whole = round(value)
    return f"{whole:+d}".replace("-", "\u2212") if whole else "0"


def _ranges(f: NDArray[np.float64], which: NDArray[np.bool_]) -> str:
    """Give the runs of frequencies, as "0.14 to 0.39 and 0.5 to 1.9"."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], which.astype(int), [0])))).reshape(-1, 2)
    return " and ".join(f"{f[a]:.2g} to {f[b - 1]:.2g}" if b > a + 1 else f"{f[a]:.2g}" for a, b in edges)
