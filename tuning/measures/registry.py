"""Every measure by name, and the one function that takes them all from a run."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tuning.measures import comfort, effort, steps, stopping, tracking
from tuning.measures.base import Drive, Measure, Recording

__all__ = ["MEASURES", "measure"]

_COURSE_DRIVEN = Measure(
    "course_driven", "%", "how far along the course the run came", "common practice, no source"
)

# Each takes a recording and gives its measures by name; a new family is listed here and its MEASURES below.
_FAMILIES: tuple[Callable[[Recording], dict[str, float]], ...] = (
    steps.steps,
    tracking.lateral_error,
    tracking.heading_error,
    tracking.corner_cutting,
    tracking.corridor_used,
    comfort.lateral_comfort,
    comfort.longitudinal_comfort,
    effort.effort,
    stopping.stopping,
)

MEASURES: dict[str, Measure] = {
    entry.name: entry
    for entry in (
        *steps.MEASURES,
        *tracking.MEASURES,
        *comfort.MEASURES,
        *effort.MEASURES,
        *stopping.MEASURES,
        _COURSE_DRIVEN,
    )
}


def measure(run: Drive) -> dict[str, float]:
    """Take every measure from a run, by name, in the order of `MEASURES`.

    A measure that does not apply (overshoot where nothing steps) is NaN. A run that did not end as its scenario
    means it to has every measure infinite but `course_driven`, so that a vehicle which gave up early does not look smooth.

    Raises:
        InputError: a run with fewer than 100 samples a second.
    """
    if not run.as_meant:
        return dict.fromkeys(MEASURES, math.inf) | {"course_driven": _course_driven(run)}
    record = Recording.of(run)
    values: dict[str, float] = {}
    for family in _FAMILIES:
        values.update(family(record))
    values["course_driven"] = 100.0
    return {name: float(value) for name, value in values.items()}


def _course_driven(run: Drive) -> float:
    """Give the furthest arc length over the course's, in percent, below 100 for a run that did not finish."""
    laps = run.scenario.laps if run.track.path.closed else 1
    reached = run.s[np.isfinite(run.s)]
    if not reached.size:
        return 0.0
    return 100.0 * min(max(float(reached.max()) / (run.track.path.length * laps), 0.0), 0.999)
