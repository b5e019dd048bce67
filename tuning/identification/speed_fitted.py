"""A fitted longitudinal side, and how to fit one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Estimate, fit
from tuning.identification.speed_problem import COMMAND_AGE, GRADE, SpeedProblem
from tuning.identification.unknowns import bounds, coordinates

__all__ = ["SpeedFit", "run_speed"]

Array = NDArray[np.float64]

_SPREAD = ("drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag", "drive.speed_gain")
_NOT_OF_THE_VEHICLE = ("sensors", "road")
_USUAL_GRADE = 0.02  # rad, standard deviation of a test road's mean grade; common practice, no source


@dataclass(frozen=True)
class SpeedFit:
    """A fitted longitudinal side.

    Attributes:
        problem: what was fitted.
        estimate: the outcome.
        needed: names without which a fit leaves part of the loop open.
    """

    problem: SpeedProblem
    estimate: Estimate
    needed: tuple[str, ...] = ()

    @property
    def values(self) -> dict[str, float]:
        """The unknowns' values by name."""
        return self.problem.values(self.estimate.z)

    @property
    def vehicle_values(self) -> dict[str, Any]:
        """What of it belongs into a vehicle file, by dotted name: not what is of the sensors, the log or the road."""
        values = self.values
        found: dict[str, Any] = {
            name: value for name, value in values.items() if name.partition(".")[0] not in _NOT_OF_THE_VEHICLE
        }
        if COMMAND_AGE in values:
            # They stand at 0 where commands are stamped late.
            found["drive.dead_time"] = self.problem.vehicle.drive.dead_time
            if "drive.brake_lag" in values:
                found["drive.brake_dead_time"] = self.problem.vehicle.drive.brake_dead_time
        if self.problem.by_positions:
            found["drive.interface"] = "positions"
        return found


def run_speed(
    problem: SpeedProblem, starts: int, seed: int, noise: dict[str, float], steps: int | None = None
) -> SpeedFit:
    """Fit a problem from several starts of its dynamic unknowns; grades lean towards a level road."""
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    slopes = [i for i, u in enumerate(problem.unknowns) if u.name.startswith(GRADE)]
    lean: Callable[[Array], Array] | None = (lambda z: z[slopes] / _USUAL_GRADE) if slopes else None
    estimate = fit(
        problem.residuals, problem.stack, coordinates(problem.unknowns), bounds(problem.unknowns), noise,
        spread, starts, seed, lean, steps,
    )  # fmt: skip
    return SpeedFit(problem, estimate)
