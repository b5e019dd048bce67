"""A fitted steering and body, and how to fit one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Estimate, fit
from tuning.identification.steering_problem import SteeringProblem
from tuning.identification.unknowns import bounds, coordinates

__all__ = ["LAG", "LIMIT", "SECOND_ORDER", "LateralFit", "Settings", "run"]

Array = NDArray[np.float64]

SECOND_ORDER = ("steering.natural_frequency", "steering.damping")
LAG = "steering.lag"
LIMIT = "steering.rate_limit"

_SPREAD = ("steering.dead_time", *SECOND_ORDER)  # what other starts vary; the rest is nearly linear


@dataclass(frozen=True)
class Settings:
    """How to fit.

    Attributes:
        starts: how many are followed.
        seed: of the starts.
        earlier: a fit of part of the data whose choices (order of the steering, rate limit) and values are taken over.
    """

    starts: int
    seed: int
    earlier: LateralFit | None = None


@dataclass(frozen=True)
class LateralFit:
    """A fitted problem.

    Attributes:
        problem: what was fitted.
        estimate: the outcome.
        widened: name -> (low, high) where an interval must hold more than the scatter of the fit.
    """

    problem: SteeringProblem
    estimate: Estimate
    widened: Mapping[str, tuple[float, float]]

    @property
    def values(self) -> dict[str, float]:
        """The unknowns' values by name."""
        return self.problem.values(self.estimate.z)


def run(
    problem: SteeringProblem,
    settings: Settings,
    noise: dict[str, float],
    start: Array | None = None,
    steps: int | None = None,
) -> LateralFit:
    """Fit a problem from several starts of its dynamic unknowns, or from the one given, shape (p,)."""
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    estimate = fit(
        problem.residuals, problem.stack, coordinates(problem.unknowns) if start is None else start,
        bounds(problem.unknowns), noise, spread, 1 if start is not None else settings.starts, settings.seed,
        problem.penalty if problem.knots.size else None, steps,
    )  # fmt: skip
    return LateralFit(problem, estimate, {})
