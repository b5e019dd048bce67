"""Values that follow from the found ones, with intervals by the delta method."""

from __future__ import annotations

import numpy as np

from tuning.identification.fitted import LAG, SECOND_ORDER, LateralFit
from tuning.identification.result import Row
from tuning.vehicle import understeer_gradient

__all__ = ["derived_rows", "gradient_of"]

_NORMAL = 1.96  # standard errors either side of a 95 % interval
_STEP = 1e-5  # of a logarithm
_WIDEST = 50.0  # of half an interval, as a logarithm: beyond all bounds, and still a number
_STIFFNESSES = ("tyres.cornering_stiffness_front", "tyres.cornering_stiffness_rear")


def derived_rows(fitted: LateralFit) -> list[Row]:
    """Give the steering's lag 2 ζ/ω where it is of the second order, and the understeer gradient of found tyres."""
    rows: list[Row] = []
    names = [unknown.name for unknown in fitted.problem.unknowns]
    covariance = np.where(np.isfinite(fitted.estimate.covariance), fitted.estimate.covariance, 0.0)
    if all(name in names for name in SECOND_ORDER):
        at = [names.index(name) for name in SECOND_ORDER]
        lag = 2.0 * fitted.values["steering.damping"] / fitted.values["steering.natural_frequency"]
        slope = np.array([-1.0, 1.0])  # both are fitted by their logarithms
        error = float(np.sqrt(max(slope @ covariance[np.ix_(at, at)] @ slope, 0.0)))
        ends = [
            2.0
            * getattr(fitted.problem.unknowns[at[1]], end)
            / getattr(fitted.problem.unknowns[at[0]], other)
            for end, other in (("low", "high"), ("high", "low"))
        ]
        unseen = bool(np.any(fitted.estimate.blind[at]))
        reach = np.exp(_WIDEST if unseen else min(_NORMAL * error, _WIDEST))
        low, high = max(lag / reach, min(ends[0], lag)), min(lag * reach, max(ends[1], lag))
        status = "not seen" if unseen else "derived"
        rows.append(
            Row(LAG, lag, "s", float(low), float(high), np.inf if unseen else lag * error, status).judged()
        )
    if fitted.problem.model == "single-track" and any(name in names for name in _STIFFNESSES):
        gradient, error = gradient_of(fitted)
        low, high = gradient - _NORMAL * error, gradient + _NORMAL * error
        name = "tyres.understeer_gradient"
        rows.append(Row(name, gradient, "rad/(m/s²)", low, high, error, "derived").judged())
    return rows


def gradient_of(fitted: LateralFit) -> tuple[float, float]:
    """Give the understeer gradient of a single-track fit and its standard error, rad/(m/s²)."""
    problem, values = fitted.problem, fitted.values
    names = [unknown.name for unknown in problem.unknowns]

    def gradient(changed: dict[str, float]) -> float:
        p = problem.plant(values | changed)
        return float(
            understeer_gradient(
                p.mass, p.front_axle_distance, p.rear_axle_distance, p.stiffness_front, p.stiffness_rear
            )
        )

    middle = gradient({})
    slope = np.zeros(len(names))
    for name in _STIFFNESSES:
        if name in names:
            moved = gradient({name: values[name] * float(np.exp(_STEP))})
            slope[names.index(name)] = (moved - middle) / _STEP
    return middle, float(np.sqrt(max(slope @ fitted.estimate.covariance @ slope, 0.0)))
