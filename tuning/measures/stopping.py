"""How the vehicle stopped where something on the way stopped it."""

from __future__ import annotations

import math

from tuning.measures.base import Measure, Recording

__all__ = ["MEASURES", "stopping"]

MEASURES = (
    Measure(
        "stopping_distance", "m", "driven from the demand, or from the loss that stopped it, to the standstill; the longest",
        "common practice, no source",
    ),
    Measure(
        "stopping_excursion", "m", "of the body's side beyond the corridor's edge while stopping; the largest",
        "common practice, no source",
    ),
)  # fmt: skip


def stopping(record: Recording) -> dict[str, float]:
    """Give the longest stop and the largest excursion in one; NaN where nothing stopped the vehicle."""
    stops = [found for found in record.happenings if not math.isnan(found.stopping_distance)]
    excursions = [found.excursion for found in stops if not math.isnan(found.excursion)]
    return {
        "stopping_distance": max((found.stopping_distance for found in stops), default=math.nan),
        "stopping_excursion": max(excursions, default=math.nan),
    }
