"""An earlier fit of part of the driving, fitted once more to all of it: its choices stay, its values move a little."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from tuning.identification.choices import choose_order, part_wheelbase
from tuning.identification.fitted import LateralFit, Settings, run, started
from tuning.identification.lateral_fit import sensors_of
from tuning.identification.looseness import tightened
from tuning.identification.records import Recording
from tuning.identification.static_map import is_knot, map_unknowns, place_knots
from tuning.identification.steering_problem import SteeringProblem
from tuning.identification.unknowns import with_priors

__all__ = ["refit"]


def refit(
    earlier: LateralFit,
    recording: Recording,
    known: Mapping[str, Any],
    settings: Settings,
    findings: list[str],
) -> LateralFit:
    """Fit the unknowns that an earlier fit chose to other driving, from where it ended.

    Args:
        earlier: chose model, order of the steering, limits and what is loose.
        recording: the driving, more of it.
        known: values by dotted name.
        settings: seed and priors.
        findings: gets what the reader of the result should know.
    """
    if earlier.blurred is not None:
        whole = run(_with(earlier.blurred, recording, known, settings), settings, earlier.estimate.noise, 1)
        return part_wheelbase(whole, settings, findings)
    found = run(_with(earlier, recording, known, settings), settings, earlier.estimate.noise, 1)
    return replace(choose_order(tightened(found, settings)), widened=earlier.widened)


def _with(
    earlier: LateralFit, recording: Recording, known: Mapping[str, Any], settings: Settings
) -> SteeringProblem:
    problem = replace(earlier.problem, recording=recording)
    values = earlier.values
    kept = [
        u for u in problem.unknowns if u.name.split(".")[0] not in ("sensors", "road") and not is_knot(u.name)
    ]
    if problem.knots.size:
        knots = place_knots(recording.command[recording.counts])
        commands, angles = problem.map_of(values)
        # Beyond the driving of the earlier fit its map goes on as it ends.
        ends = [np.polyfit(commands[at], angles[at], 1) for at in (slice(0, 2), slice(-2, None))]
        moved = np.where(
            knots < commands[0], np.polyval(ends[0], knots),
            np.where(knots > commands[-1], np.polyval(ends[1], knots), np.interp(knots, commands, angles)),
        )  # fmt: skip
        kept += map_unknowns(moved)
        problem = replace(problem, knots=knots)
        values = {name: value for name, value in values.items() if not is_knot(name)}
    sensors = sensors_of(problem, known)
    return started(replace(problem, unknowns=with_priors((*kept, *sensors), settings.priors)), values)
