"""The speed loop: dead times and lags of drive and brake, the loop's gain, and the limits that the logs reach."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Estimate, Residuals, Stack, fit
from tuning.identification.quality import EVIDENCE, evidence
from tuning.identification.records import Recording
from tuning.identification.speed_kernel import speed_answer
from tuning.identification.speeds import say
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.vehicle import Vehicle
from tuning.vehicle.parameters import PlantParameters

__all__ = ["SpeedFit", "SpeedProblem", "fit_speed"]

Array = NDArray[np.float64]

_NO_LIMIT = 50.0  # m/s², the largest that a vehicle file takes
_PLANT_FIELDS = {
    "drive.lag": "drive_lag",
    "drive.brake_lag": "brake_lag",
    "drive.speed_gain": "speed_gain",
    "drive.acceleration_limit": "acceleration_limit",
    "drive.deceleration_limit": "deceleration_limit",
}
_SPREAD = ("drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag", "drive.speed_gain")
_LEAST_DEMAND = 0.1  # m/s²; a loop that never asks for more has shown neither drive nor brake
_LEAST_SHARE = 0.01  # of the samples that must ask for drive (or brake) for its answer to be looked for


@dataclass(frozen=True)
class SpeedProblem:
    """The speed loop as a least-squares problem.

    Attributes:
        vehicle: holds every value that is not fitted.
        unknowns: what is fitted.
        recording: the data, with a speed command.
    """

    vehicle: Vehicle
    unknowns: tuple[Unknown, ...]
    recording: Recording

    def values(self, z: Array) -> dict[str, float]:
        """Give the unknowns' values by name."""
        return from_coordinates(self.unknowns, z)

    def simulate(self, values: Mapping[str, float]) -> Array:
        """Give the simulated answer, shape (3, n), as `speed_answer` says."""
        changed: dict[str, Any] = {
            _PLANT_FIELDS[name]: value for name, value in values.items() if name in _PLANT_FIELDS
        }
        p: PlantParameters = self.vehicle.plant._replace(**changed)
        drive = self.vehicle.drive
        speed, acceleration = self.recording.speed_command, self.recording.acceleration_command
        if speed is None or acceleration is None:
            raise AssertionError("a speed problem is made only of logs with a speed command")
        return speed_answer(
            p,
            float(values.get("drive.dead_time", drive.dead_time)),
            float(values.get("drive.brake_dead_time", drive.brake_dead_time)),
            self.recording.drives,
            speed,
            acceleration,
        )

    def compared(self, values: Mapping[str, float]) -> dict[str, tuple[Array, Array]]:
        """Give the speed as (measured, simulated), both of shape (m,), m/s."""
        measured = self.recording.measured["speed"]
        return {"speed": (measured.values, self.simulate(values)[0, measured.at])}

    def residuals(self, z: Array) -> Residuals:
        """Give simulated minus measured speed, m/s."""
        return {name: s - m for name, (m, s) in self.compared(self.values(z)).items()}

    @property
    def stack(self) -> Stack:
        """Where the residuals stand in time."""
        return Stack({"speed": self.recording.measured["speed"].at}, self.recording.drives.first)


@dataclass(frozen=True)
class SpeedFit:
    """A fitted speed loop."""

    problem: SpeedProblem
    estimate: Estimate

    @property
    def values(self) -> dict[str, float]:
        """The unknowns' values by name."""
        return self.problem.values(self.estimate.z)


def fit_speed(
    recording: Recording,
    vehicle: Vehicle,
    known: Mapping[str, Any],
    starts: int,
    seed: int,
    findings: list[str],
    near: Mapping[str, float] | None = None,
) -> SpeedFit | None:
    """Fit the speed loop, or give None, with a finding, where the logs do not show it."""
    if recording.speed_command is None:
        say(findings, "the logs hold no speed command: the [drive] table is assumed")
        return None
    candidates = [
        Unknown("drive.dead_time", "s", 0.0, 2.0, 0.2),
        Unknown("drive.lag", "s", 0.02, 5.0, 0.4, True),
        Unknown("drive.brake_dead_time", "s", 0.0, 2.0, 0.15),
        Unknown("drive.brake_lag", "s", 0.02, 5.0, 0.3, True),
        Unknown("drive.speed_gain", "1/s", 0.02, 10.0, 0.8, True),
    ]
    unlimited = {
        name: _NO_LIMIT
        for name in ("drive.acceleration_limit", "drive.deceleration_limit")
        if name not in known
    }
    unknowns = tuple(u.at((near or {}).get(u.name, u.start)) for u in candidates if u.name not in known)
    problem = SpeedProblem(vehicle.replace(**unlimited), unknowns, recording)
    unknowns = _without_unasked(problem, findings)
    if not unknowns:
        return None
    problem = replace(problem, unknowns=unknowns)
    found = _run(
        problem, starts, seed, {"speed": 0.2 * float(np.std(recording.measured["speed"].values)) or 1.0}
    )
    for name, row, sign, what in (
        ("drive.acceleration_limit", 1, 1.0, "acceleration"),
        ("drive.deceleration_limit", 2, -1.0, "deceleration"),
    ):
        if name not in known:
            found = _with_limit(found, name, row, sign, what, seed, findings)
    return found


def _run(problem: SpeedProblem, starts: int, seed: int, noise: dict[str, float]) -> SpeedFit:
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    estimate = fit(
        problem.residuals, problem.stack, problem.unknowns, noise, spread, starts, seed,
    )  # fmt: skip
    return SpeedFit(problem, estimate)


def _without_unasked(problem: SpeedProblem, findings: list[str]) -> tuple[Unknown, ...]:
    """Leave out drive or brake where the loop, as first guessed, hardly asks anything of it."""
    answer = problem.simulate({u.name: u.start for u in problem.unknowns})
    kept = problem.unknowns
    for row, sign, what, names in (
        (1, 1.0, "drive", ("drive.dead_time", "drive.lag")),
        (2, -1.0, "brake", ("drive.brake_dead_time", "drive.brake_lag")),
    ):
        if float(np.mean(sign * answer[row] > _LEAST_DEMAND)) < _LEAST_SHARE:
            say(findings, f"the logs hardly ask anything of the {what}: its dead time and lag are assumed")
            kept = tuple(u for u in kept if u.name not in names)
    return kept if any(u.name != "drive.speed_gain" for u in kept) else ()


def _with_limit(
    found: SpeedFit, name: str, row: int, sign: float, what: str, seed: int, findings: list[str]
) -> SpeedFit:
    """Add a limit if the logs show one, else say how much has been asked for without reaching one."""
    most = float(np.max(sign * found.problem.simulate(found.values)[row]))
    if most > _LEAST_DEMAND:
        limit = Unknown(name, "m/s²", 0.05 * most, min(1.5 * most, _NO_LIMIT), 0.6 * most, True)
        unknowns = tuple(u.at(found.values[u.name]) for u in found.problem.unknowns)
        trial = _run(replace(found.problem, unknowns=(*unknowns, limit)), 1, seed, found.estimate.noise)
        gain, _ = evidence(*(one.problem.residuals(one.estimate.z) for one in (found, trial)))
        if gain > EVIDENCE and not trial.estimate.at_bound[-1]:
            return trial
    say(findings, f"the {what} limit was not reached; the most asked for was {max(most, 0.0):.3g} m/s²")
    return found
