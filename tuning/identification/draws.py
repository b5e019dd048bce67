"""Vehicles drawn from the uncertainty of an identification."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from tracks.errors import InputError
from tuning.identification.estimate import Estimate
from tuning.identification.fitted import LateralFit
from tuning.identification.speed_fit import SpeedFit
from tuning.identification.unknowns import Unknown, bounds, from_coordinates
from tuning.identification.vehicle_of import changes_of
from tuning.vehicle import Vehicle

__all__ = ["Drawing"]

Array = NDArray[np.float64]

_TRIES = 200  # draws for one that lies within the bounds and is a vehicle


@dataclass(frozen=True)
class Drawing:
    """What vehicles are drawn from: the fits of steering and body and of drive and brake, where there are such."""

    lateral: LateralFit | None
    speed: SpeedFit | None

    def draw(self, vehicle: Vehicle, n: int, seed: int) -> list[Vehicle]:
        """Give n vehicles like `vehicle` with drawn values, as `Identified.draws` says."""
        if n < 1 or seed < 0:
            raise InputError(
                f"{n} vehicles with seed {seed} were asked for",
                "1 or more, and a seed of 0 or more",
                "correct them",
            )
        rng = np.random.default_rng(seed)
        return [self._one(vehicle, number, rng) for number in range(1, n + 1)]

    def _one(self, vehicle: Vehicle, number: int, rng: np.random.Generator) -> Vehicle:
        for _ in range(_TRIES):
            changes: dict[str, Any] = {}
            if self.lateral is not None:
                values = _drawn(self.lateral.problem.unknowns, self.lateral.estimate, rng)
                changes |= changes_of(self.lateral, values, {}) | _apart(self.lateral.widened, rng)
            if self.speed is not None:
                changes |= self.speed.vehicle_values(
                    _drawn(self.speed.problem.unknowns, self.speed.estimate, rng)
                )
            provenance = vehicle.provenance.model_copy(
                update={
                    "name": f"{vehicle.provenance.name} (draw {number})".strip(),
                    "notes": "drawn from the uncertainty of an identification",
                    "intervals": {},
                    "fit": {},
                }
            )
            try:
                return vehicle.replace(**changes, provenance=provenance)
            except ValidationError:
                continue  # values that no vehicle has together, as an offset beyond a stop
        raise InputError(
            f"{_TRIES} draws from the found values gave no vehicle",
            "values known well enough that most draws can be vehicles",
            "see what is undetermined, and drive what the advice says",
        )


def _drawn(unknowns: Sequence[Unknown], estimate: Estimate, rng: np.random.Generator) -> dict[str, float]:
    """Draw the unknowns from the joint normal distribution of the fit, within their bounds."""
    low, high = bounds(unknowns)
    unseen = ~np.isfinite(np.diag(estimate.covariance))
    seen = np.flatnonzero(~unseen)
    scale, directions = np.linalg.eigh(estimate.covariance[np.ix_(seen, seen)])
    root = directions * np.sqrt(np.maximum(scale, 0.0))
    z = rng.uniform(low, high)
    for _ in range(_TRIES):
        z[seen] = estimate.z[seen] + root @ rng.normal(size=seen.size)
        if np.all((z >= low) & (z <= high)):
            break
    return from_coordinates(unknowns, np.clip(z, low, high))


def _apart(widened: Mapping[str, tuple[float, float]], rng: np.random.Generator) -> dict[str, float]:
    """Draw what was found apart from the last fit: normally, its interval taken as one of 95 % and as its bounds."""
    return {
        name: float(np.clip(rng.normal(0.5 * (low + high), (high - low) / (2.0 * 1.96)), low, high))
        for name, (low, high) in widened.items()
    }
