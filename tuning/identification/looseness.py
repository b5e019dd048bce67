"""What is loose in a steering: the servo's dead band, and play between servo and road wheels.

Without them a fit puts the time that a small motion takes to get through into the dead time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tuning.identification.choices import explains
from tuning.identification.fitted import LateralFit, Settings, run, started
from tuning.identification.unknowns import Unknown, with_priors

__all__ = ["choose_looseness", "tightened"]

_LOOSE = {"steering.dead_band": 0.02, "steering.backlash": 0.04}  # rad, the largest that is looked for
_START = 0.03  # of the bound
_TRIAL = 10  # evaluations of J that a trial gets


def choose_looseness(found: LateralFit, known: Mapping[str, Any], settings: Settings) -> LateralFit:
    """Add dead band and backlash of the steering where they explain much more of what was measured."""
    names = [name for name in _LOOSE if name not in known]
    loose = _with(found, names, settings)
    if not explains(found, loose):
        return found
    for name in names:
        # One of the two may do all of it: the other then explains nothing, and goes.
        others = [other for other in names if other != name and other in loose.values]
        if others and not explains(trial := _with(found, others, settings), loose):
            loose = trial
    final = run(started(loose.problem, loose.values), settings, loose.estimate.noise, 1)
    return replace(final, widened=found.widened, blurred=found.blurred)


def tightened(found: LateralFit, settings: Settings) -> LateralFit:
    """Give the fit without what is loose by nothing on more driving than it was chosen by."""
    gone = {
        unknown.name
        for unknown, at_bound in zip(found.problem.unknowns, found.estimate.at_bound, strict=True)
        if unknown.name in _LOOSE and at_bound
    }
    if not gone:
        return found
    kept = tuple(unknown for unknown in found.problem.unknowns if unknown.name not in gone)
    problem = started(replace(found.problem, unknowns=kept), found.values)
    return replace(run(problem, settings, found.estimate.noise, 1), widened=found.widened)


def _with(found: LateralFit, names: list[str], settings: Settings) -> LateralFit:
    more = [Unknown(name, "rad", 0.0, _LOOSE[name], _START * _LOOSE[name]) for name in names]
    unknowns = with_priors((*found.problem.unknowns, *more), settings.priors)
    problem = started(replace(found.problem, unknowns=unknowns), found.values)
    return run(problem, settings, found.estimate.noise, 1, _TRIAL)
