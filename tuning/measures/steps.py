"""How a step of the reference is taken: overshoot and settling distance on the sections that have one.

Notation: d signed size of the lateral move that a section asks for [m, + left], e lateral error [m, + left].
Before the move e has the sign of −d; beyond the target it has the sign of d.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from tuning.measures.base import Measure, Recording, settling_band

if TYPE_CHECKING:
    from tracks import Section

__all__ = ["MEASURES", "overshoot", "settling_distance", "steps"]

MEASURES = (
    Measure(
        "overshoot", "%", "largest excursion beyond the target, of the step; worst section",
        "in the manner of ISO 7401 (from memory)",
    ),
    Measure(
        "settling_distance", "m",
        "from the step until the lateral error stays within 0.05 m or 5 % of the step; worst section",
        "common practice, no source",
    ),
    Measure(
        "unsettled_sections", "1", "sections with a step at whose end the vehicle had not settled",
        "common practice, no source",
    ),
)  # fmt: skip


def overshoot(record: Recording, section: Section) -> float:
    """Give max(0, max(sign(d) e))/|d| in percent on one section; NaN where it has no step or was not driven."""
    error = record.lateral_error[_driven(record, section)]
    if not section.step or not error.size:
        return math.nan
    beyond = float(error.max() if section.step > 0.0 else -error.min())
    return 100.0 * max(0.0, beyond) / abs(section.step)


def settling_distance(record: Recording, section: Section) -> tuple[float, bool]:
    """Give (distance in m from the section's start until |e| stays in the band, whether it does).

    The crossing is interpolated between samples. A vehicle that is outside of the band at the end of the
    section has not settled; then the section's length stands. NaN where there is no step or it was not driven.
    """
    span = _driven(record, section)
    size, s = np.abs(record.lateral_error[span]), record.s[span]
    if not section.step or not size.size:
        return math.nan, True
    band = settling_band(section.step)
    outside = np.flatnonzero(size > band)
    if not outside.size:
        return 0.0, True
    last = int(outside[-1])
    if last == size.size - 1:
        return section.end - section.start, False
    share = (size[last] - band) / (size[last] - size[last + 1])
    return float(s[last] + share * (s[last + 1] - s[last])) - section.start, True


def steps(record: Recording) -> dict[str, float]:
    """Give the worst overshoot and settling distance over the sections with a step; NaN where there is none."""
    sections = [section for section in record.track.sections if section.step]
    settled = [settling_distance(record, section) for section in sections]
    return {
        "overshoot": _worst([overshoot(record, section) for section in sections]),
        "settling_distance": _worst([distance for distance, _ in settled]),
        "unsettled_sections": float(sum(not done for _, done in settled)) if sections else math.nan,
    }


def _driven(record: Recording, section: Section) -> slice:
    """Give the samples of the first pass through a section; s hardly ever falls, so a search is enough."""
    first, last = np.searchsorted(record.s, (section.start, section.end), side="left")
    return slice(int(first), int(last))


def _worst(values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return max(known) if known else math.nan
