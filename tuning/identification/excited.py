"""Whether the steering was moved enough for its answer to be seen at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tuning.identification.fitted import LateralFit

__all__ = ["is_excited", "unseen"]

_SEEN = (
    0.7  # of an output's residuals that its spread by the commands must reach; below, noise is all there is
)


def is_excited(fitted: LateralFit) -> bool:
    """Say whether the commands, taken at their word, move an output by more than what the fit leaves unexplained.

    With a gain of 1 where that was fitted: a channel of garbage must not pass for a steering that was not moved, nor a
    fit that ran away for one that was.
    """
    values = dict(fitted.values)
    if "steering.gain" in values:
        values["steering.gain"] = 1.0
    if "steering.dead_time" in values and "steering.gain" in values:
        values["steering.dead_time"] = min(values["steering.dead_time"], 0.2)
    return any(
        float(np.std(simulated)) > _SEEN * fitted.estimate.scale[name]
        for name, (_, simulated) in fitted.problem.compared(values).items()
    )


def unseen(fitted: LateralFit) -> LateralFit:
    """Give the fit with everything that only an answer shows as not seen: a fit of noise may look sure of itself.

    What straight driving shows (offsets) and what rests on a prior stay.
    """
    estimate = fitted.estimate
    blind = np.array(
        [estimate.blind[i] or _by_answer(u.name, u.prior) for i, u in enumerate(fitted.problem.unknowns)]
    )
    covariance = estimate.covariance.copy()
    covariance[blind, :] = covariance[:, blind] = 0.0
    covariance[blind, blind] = np.inf
    return replace(fitted, estimate=replace(estimate, blind=blind, covariance=covariance), widened={})


def _by_answer(name: str, prior: tuple[float, float] | None) -> bool:
    return prior is None and name != "steering.offset"
