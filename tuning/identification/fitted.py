"""A fitted steering and body, and how to fit one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tuning.identification.estimate import Estimate, fit
from tuning.identification.steering_problem import SteeringProblem

__all__ = ["LAG", "LIMIT", "SECOND_ORDER", "LateralFit", "Settings", "run", "started"]

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
        priors: dotted name -> mean and standard deviation of what the user knows before, SI.
    """

    starts: int
    seed: int
    priors: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class LateralFit:
    """A fitted problem.

    Attributes:
        problem: what was fitted.
        estimate: the outcome.
        widened: name -> (low, high) of what was found apart from this fit, or whose interval must hold more than its
            scatter.
        blurred: the fit of wheelbase and understeer together, where the two had to be told apart otherwise.
    """

    problem: SteeringProblem
    estimate: Estimate
    widened: dict[str, tuple[float, float]]
    blurred: LateralFit | None = None

    @property
    def values(self) -> dict[str, float]:
        """The unknowns' values by name."""
        return self.problem.values(self.estimate.z)


def run(
    problem: SteeringProblem,
    settings: Settings,
    noise: dict[str, float],
    starts: int | None = None,
    steps: int | None = None,
) -> LateralFit:
    """Fit a problem from the first guesses of its unknowns, and from other starts of its dynamic ones.

    Args:
        problem: what to fit.
        settings: starts and seed.
        noise: output -> first guess of what its residuals are divided by.
        starts: how many starts are followed, instead of what the settings say.
        steps: most evaluations of the derivatives, for a trial, which gets no covariance.
    """
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    estimate = fit(
        problem.residuals, problem.stack, problem.unknowns, noise, spread, starts or settings.starts, settings.seed,
        problem.penalty if problem.knots.size else None, steps, steps is None,
    )  # fmt: skip
    return LateralFit(problem, estimate, {})


def started(problem: SteeringProblem, values: Mapping[str, float]) -> SteeringProblem:
    """Give the problem with its unknowns started at earlier values, where there are some."""
    return replace(problem, unknowns=tuple(u.at(values.get(u.name, u.start)) for u in problem.unknowns))
