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

__all__ = ["choose_looseness"]

_LOOSE = {"steering.dead_band": 0.02, "steering.backlash": 0.04}  # rad, the largest that is looked for
_START = 0.05  # of the bound
_TRIAL = 12  # evaluations of J that a trial gets


def choose_looseness(found: LateralFit, known: Mapping[str, Any], settings: Settings) -> LateralFit:
    """Add dead band and backlash of the steering where they explain much more of what was measured."""
    for name, largest in _LOOSE.items():
        if name in known:
            continue
        unknown = Unknown(name, "rad", 0.0, largest, _START * largest)
        unknowns = with_priors((*found.problem.unknowns, unknown), settings.priors)
        trial = started(replace(found.problem, unknowns=unknowns), found.values)
        loose = run(trial, settings, found.estimate.noise, 1, _TRIAL)
        if explains(found, loose) and not loose.estimate.at_bound[-1]:
            final = run(started(trial, loose.values), settings, loose.estimate.noise, 1)
            found = replace(final, widened=found.widened, blurred=found.blurred)
    return found
