"""The score of a candidate: its largest usage over limits, tracks and scenarios."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from tuning.measures import Limits

__all__ = ["UNFINISHED", "Binding", "run_usage", "worst"]

UNFINISHED = "unfinished"  # the limit that a run breaks when it does not reach the end of its course
# Usage of a run that gets nowhere is twice this, and this of one that fails at the very end: above what any
# finished run reaches, yet still showing the search which way is better.
_HOPELESS = 1000.0


class Binding(NamedTuple):
    """The largest usage and where it occurs: the limit and the index of the run."""

    usage: float
    limit: str
    run: int


def run_usage(limits: Limits, measures: Mapping[str, float]) -> dict[str, float]:
    """Give the usage of every limit for one run; of an unfinished run, only `UNFINISHED`, by how far it got."""
    share = measures["course_driven"] / 100.0
    if share < 1.0:
        return {UNFINISHED: _HOPELESS * (2.0 - share)}
    return limits.usage(measures)


def worst(usages: list[dict[str, float]]) -> Binding:
    """Give the binding limit of a candidate over its runs; usage 0 where no limit applies, the first of equals."""
    found = Binding(0.0, "", 0)
    for run, usage in enumerate(usages):
        for limit, value in usage.items():
            if value > found.usage or math.isnan(value):
                found = Binding(math.inf if math.isnan(value) else value, limit, run)
    return found
