"""The score of a candidate: its largest usage over limits, tracks and scenarios.

Where the largest usage hardly depends on the gains (the lateral acceleration of a bend comes from the speed plan), it
alone would leave the gains to chance. So candidates are ranked by the largest usage plus a small share of the mean one:
the augmented Chebyshev scalarisation (R. E. Steuer, E.-U. Choo, Mathematical Programming 26, 1983; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from tuning.measures import Limits
from tuning.text import spoken

__all__ = ["HOPELESS", "UNFINISHED", "Binding", "not_judged", "rank", "run_usage", "worst"]

# The limit that a run breaks when it does not end as its scenario means it to (`Run.as_meant`): at the end of its course, or
# in the stop that the scenario asks for.
UNFINISHED = "unfinished"
# Usage of a run that gets nowhere is twice this, and this of one that fails at the very end: above what any
# run that ends as meant reaches, yet still showing the search which way is better.
HOPELESS = 1000.0
_MEAN_SHARE = 0.1  # of the mean usage in the rank: it may cost some 3 % of the largest usage, hardly more


class Binding(NamedTuple):
    """The largest usage and where it occurs: the limit and the index of the run."""

    usage: float
    limit: str
    run: int


def run_usage(limits: Limits, measures: Mapping[str, float]) -> dict[str, float]:
    """Give the usage of every limit for one run; of an unfinished run, only `UNFINISHED`, by how far it got."""
    share = measures["course_driven"] / 100.0
    if share < 1.0:
        return {UNFINISHED: HOPELESS * (2.0 - share)}
    return limits.usage(measures)


def worst(usages: list[dict[str, float]]) -> Binding:
    """Give the binding limit of a candidate over its runs; usage 0 where no limit applies, the first of equals."""
    found = Binding(0.0, "", 0)
    for run, usage in enumerate(usages):
        for limit, value in usage.items():
            if value > found.usage or math.isnan(value):
                found = Binding(math.inf if math.isnan(value) else value, limit, run)
    return found


def not_judged(limits: Limits, applied: Iterable[str]) -> str:
    """Say which limits on stops no run was judged by, "" where none: without a stop they would seem to be kept.

    Args:
        limits: that were set.
        applied: the limits that had a usage in any run.
    """
    missing = [name for name in limits.active if name.startswith("stopping_")]
    missing = [spoken(name) for name in missing if name not in set(applied)]
    if not missing:
        return ""
    return (
        f"nothing was judged by the limit on {' and '.join(missing)}: no run stopped on the way where it applies "
        "(excursion needs a track with a corridor)"
    )


def rank(score: float, usages: list[dict[str, float]]) -> float:
    """Give what the search makes small: the score, and a tenth of the mean usage over limits and runs."""
    values = [value for usage in usages for value in usage.values() if math.isfinite(value)]
    return score + (_MEAN_SHARE * math.fsum(values) / len(values) if values else 0.0)
