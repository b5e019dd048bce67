"""The vehicle that a fit describes, with its provenance, and what of it was known or had to be assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tuning.identification.fitted import LateralFit
from tuning.identification.known import NOT_VEHICLE, TABLES
from tuning.identification.lateral_fit import NO_ANGLE_LIMIT, NO_RATE_LIMIT
from tuning.identification.result import Row
from tuning.identification.sensors import SENSORS
from tuning.identification.speed_fit import SpeedFit
from tuning.identification.static_map import is_knot
from tuning.logs.log import Log
from tuning.vehicle import Vehicle
from tuning.vehicle.tables import Provenance, is_refinement

__all__ = ["assemble", "changes_of"]

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
    changes = changes_of(lateral, lateral.values, speed.vehicle_values() if speed is not None else {})
    assumed = _limits(lateral, known, changes) | _defaults(lateral, known, changes, findings)
    vehicle = lateral.problem.vehicle.replace(**(changes | assumed))
    extra = _more_rows(vehicle, lateral, known, rows, assumed)
    own = [row for row in (*rows, *extra) if row.name.split(".")[0] not in NOT_VEHICLE]
    if lateral.problem.model == "single-track":  # whose file holds stiffnesses in its place
        own = [row for row in own if row.name != "tyres.understeer_gradient"]
    unseen = [row.name for row in own if row.status == "not seen" and "[" not in row.name]
    intervals = {
        row.name: (row.low, row.high)
        for row in own
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


def changes_of(lateral: LateralFit, values: Mapping[str, float], drive: Mapping[str, Any]) -> dict[str, Any]:
    """Give values of the unknowns by dotted name of the vehicle's fields.

    Args:
        lateral: whose unknowns `values` are.
        values: of steering and body, by name; what belongs to sensors and road is left out.
        drive: of drive and brake, likewise by name of the vehicle's fields.
    """
    problem = lateral.problem
    found: dict[str, Any] = {
        name: value
        for name, value in (*values.items(), *drive.items())
        if not is_knot(name) and name.split(".")[0] not in NOT_VEHICLE
    }
    if problem.knots.size:
        commands, angles = problem.map_of(values)
        found["steering.map_command"] = tuple(float(x) for x in commands)
        found["steering.map_angle"] = tuple(float(x) for x in angles)
    found["body.model"] = problem.model
    return found


def _defaults(
    lateral: LateralFit, known: Mapping[str, Any], changes: Mapping[str, Any], findings: list[str]
) -> dict[str, float]:
    """Assume the usual values of what was neither known nor found."""
    assumed: dict[str, float] = {}
    given = {**known, **changes, **lateral.widened}
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
        Row(
            name, _value(vehicle, name), _unit(name), low, high, (high - low) / (2.0 * 1.96), "found"
        ).judged()
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
    if table in NOT_VEHICLE:
        return SENSORS[dotted][0] if dotted in SENSORS else "rad"
    extra = TABLES[table].model_fields[field].json_schema_extra
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _value(vehicle: Vehicle, dotted: str) -> float:
    table, field = dotted.split(".")
    return float(getattr(getattr(vehicle, table), field))
