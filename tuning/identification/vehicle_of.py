"""The vehicle that a fit describes, with its provenance, and what of it was known or had to be assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tuning.identification.fitted import LateralFit
from tuning.identification.known import TABLES
from tuning.identification.lateral_fit import NO_ANGLE_LIMIT, NO_RATE_LIMIT
from tuning.identification.result import Row
from tuning.identification.speed_fit import SpeedFit
from tuning.logs.log import Log
from tuning.vehicle import Vehicle
from tuning.vehicle.tables import Provenance, is_refinement

__all__ = ["assemble"]

_ANGLE_ROOM = 1.05  # an angle limit is assumed this much beyond the largest angle asked for


def assemble(
    lateral: LateralFit,
    speed: SpeedFit | None,
    known: Mapping[str, Any],
    rows: Sequence[Row],
    validation: Mapping[str, Mapping[str, float]],
    logs: Sequence[Log],
    name: str,
    date: str,
    findings: list[str],
) -> tuple[Vehicle, list[Row]]:
    """Give the vehicle, and the rows of the table for what was known or assumed."""
    changes = _found(lateral, speed)
    assumed = _limits(lateral, known, changes) | _defaults(lateral, known, changes, findings)
    vehicle = lateral.problem.vehicle.replace(**(changes | assumed))
    extra = _more_rows(vehicle, lateral, known, rows, assumed)
    unseen = [row.name for row in rows if row.status == "not seen" and "[" not in row.name]
    intervals = {
        row.name: (row.low, row.high)
        for row in (*rows, *extra)
        if np.isfinite(row.low) and np.isfinite(row.high) and row.status != "not seen"
    }
    fit = {
        f"{output}_{measure}": float(numbers[measure])
        for output, numbers in validation.items()
        for measure in ("fit_percent", "rmse")
    }
    provenance = Provenance(
        name=name,
        source=", ".join(log.name for log in logs),
        date=date,
        notes=" ".join(f"{text}." for text in findings),
        assumed=(*assumed, *unseen),
        intervals=intervals,
        fit=fit,
    )
    return vehicle.replace(provenance=provenance), extra


def _found(lateral: LateralFit, speed: SpeedFit | None) -> dict[str, Any]:
    """Give the fitted values by dotted name of the vehicle's fields."""
    problem, values = lateral.problem, lateral.values
    found: dict[str, Any] = {k: v for k, v in values.items() if not k.startswith("steering.map_angle[")}
    if problem.knots.size:
        commands, angles = problem.map_of(values)
        found["steering.map_command"] = tuple(float(x) for x in commands)
        found["steering.map_angle"] = tuple(float(x) for x in angles)
    found["body.model"] = problem.model
    return found | (speed.vehicle_values if speed is not None else {})


def _defaults(
    lateral: LateralFit, known: Mapping[str, Any], changes: Mapping[str, Any], findings: list[str]
) -> dict[str, float]:
    """Assume the usual values of what was neither known nor found."""
    assumed: dict[str, float] = {}
    given = {**known, **changes}
    problem = lateral.problem
    if problem.model == "single-track" and "body.yaw_inertia" not in given:
        assumed["body.yaw_inertia"] = problem.vehicle.plant.yaw_inertia
        findings.append(
            "the yaw inertia is assumed as mass × both axle distances: published cars lie at 0.75 to 1.05 of it"
        )
    # The speed loop may have been fitted without limits: one that was not found goes back to the usual one.
    for field, described in TABLES["drive"].model_fields.items():
        if f"drive.{field}" not in given and not is_refinement(TABLES["drive"], field):
            assumed[f"drive.{field}"] = float(described.default)
    if problem.model == "kinematic" and "tyres.understeer_gradient" not in given:
        assumed["tyres.understeer_gradient"] = 0.0
    return assumed


def _more_rows(
    vehicle: Vehicle,
    lateral: LateralFit,
    known: Mapping[str, Any],
    rows: Sequence[Row],
    assumed: Mapping[str, float],
) -> list[Row]:
    """Give the rows of what was found apart from the last fit, assumed or known."""
    present = {row.name for row in rows}
    apart = [
        Row(name, _value(vehicle, name), _unit(name), low, high, (high - low) / (2.0 * 1.96), "found")
        for name, (low, high) in lateral.widened.items()
        if name not in present
    ]
    told = {name: v for name, v in known.items() if isinstance(v, float) and name not in present}
    return [
        *apart,
        *(Row(name, v, _unit(name), np.nan, np.nan, np.nan, "assumed") for name, v in assumed.items()),
        *(Row(name, v, _unit(name), np.nan, np.nan, np.nan, "known") for name, v in told.items()),
    ]


def _limits(lateral: LateralFit, known: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, float]:
    """Assume the limits that the logs did not reach: the usual ones, or what the logs went up to if that is more."""
    assumed: dict[str, float] = {}
    answer = lateral.problem.simulate(lateral.values)
    steering = TABLES["steering"].model_fields
    if "steering.rate_limit" not in known and "steering.rate_limit" not in lateral.values:
        assumed["steering.rate_limit"] = min(
            max(float(steering["rate_limit"].default), float(np.max(np.abs(answer[1])))), NO_RATE_LIMIT
        )
    if "steering.angle_limit" not in known:
        largest = max(
            float(np.max(np.abs(answer[0]))), *(abs(a) for a in changes.get("steering.map_angle", (0.0,)))
        )
        assumed["steering.angle_limit"] = min(
            max(float(steering["angle_limit"].default), _ANGLE_ROOM * largest), NO_ANGLE_LIMIT
        )
    return assumed


def _unit(dotted: str) -> str:
    table, field = dotted.split(".")
    extra = TABLES[table].model_fields[field].json_schema_extra
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _value(vehicle: Vehicle, dotted: str) -> float:
    table, field = dotted.split(".")
    return float(getattr(getattr(vehicle, table), field))
