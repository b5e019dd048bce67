"""A fitted longitudinal side, and how to fit one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tuning.identification.estimate import Estimate, fit
from tuning.identification.speed_problem import COMMAND_AGE, SpeedProblem

__all__ = ["SpeedFit", "run_speed"]

_SPREAD = ("drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag", "drive.speed_gain")
_NOT_OF_THE_VEHICLE = ("sensors", "road")


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

    def vehicle_values(self, values: Mapping[str, float] | None = None) -> dict[str, Any]:
        """Give what belongs into a vehicle file, by dotted name: not what is of the sensors, the log or the road.

        Args:
            values: of the unknowns, by name; None for the found ones.
        """
        values = self.values if values is None else values
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
    """Fit a problem from several starts of its dynamic unknowns."""
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    estimate = fit(
        problem.residuals, problem.stack, problem.unknowns, noise, spread, starts, seed, steps=steps
    )
    return SpeedFit(problem, estimate)
