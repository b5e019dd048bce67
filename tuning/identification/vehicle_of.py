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
    problem, values = lateral.problem, lateral.values
    changes: dict[str, Any] = {k: v for k, v in values.items() if not k.startswith("steering.map_angle[")}
    if problem.knots.size:
        commands, angles = problem.map_of(values)
        changes["steering.map_command"] = tuple(float(x) for x in commands)
        changes["steering.map_angle"] = tuple(float(x) for x in angles)
    if speed is not None:
        changes |= speed.values
    changes["body.model"] = problem.model
    widened = dict.fromkeys(lateral.widened, "found")
    assumed = _limits(lateral, known, changes, findings)
    if problem.model == "single-track" and "body.yaw_inertia" not in known:
        assumed["body.yaw_inertia"] = problem.vehicle.plant.yaw_inertia
        changes["body.yaw_inertia"] = assumed["body.yaw_inertia"]
        findings.append(
            "the yaw inertia is assumed as mass × both axle distances: published cars lie at 0.75 to 1.05 of it"
        )
    moved = problem.vehicle
    for field in TABLES["drive"].model_fields:
        dotted = f"drive.{field}"
        if dotted not in known and dotted not in changes:
            # The fit may have worked without limits: a limit that was not found goes back to the usual one.
            assumed[dotted] = changes[dotted] = TABLES["drive"].model_fields[field].default
    if problem.model == "kinematic" and "tyres.understeer_gradient" not in {**known, **changes}:
        assumed["tyres.understeer_gradient"] = 0.0
    vehicle = moved.replace(**changes)
    extra = [Row(n, float(v), _unit(n), np.nan, np.nan, np.nan, "assumed") for n, v in assumed.items()]
    found = {row.name for row in rows}
    for dotted in widened:
        if dotted not in found:
            low, high = lateral.widened[dotted]
            extra.insert(
                0,
                Row(dotted, _value(vehicle, dotted), _unit(dotted), low, high, (high - low) / 3.92, "found"),
            )
    for dotted, value in known.items():
        if isinstance(value, float) and dotted not in found:
            extra.append(Row(dotted, value, _unit(dotted), np.nan, np.nan, np.nan, "known"))
    intervals = {
        row.name: (row.low, row.high)
        for row in (*rows, *extra)
        if np.isfinite(row.low) and np.isfinite(row.high) and row.status not in ("not seen", "known")
    }
    fit = {
        f"{output}_{measure}": float(v[measure])
        for output, v in validation.items()
        for measure in ("fit_percent", "rmse")
    }
    provenance = vehicle.provenance.model_copy(
        update={
            "name": name,
            "source": ", ".join(log.name for log in logs),
            "date": date,
            "notes": " ".join(f"{text}." for text in findings),
            "assumed": tuple(assumed),
            "intervals": intervals,
            "fit": fit,
        }
    )
    return vehicle.replace(provenance=provenance), extra


def _limits(
    lateral: LateralFit, known: Mapping[str, Any], changes: dict[str, Any], findings: list[str]
) -> dict[str, float]:
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
    changes |= assumed
    return assumed


def _unit(dotted: str) -> str:
    table, field = dotted.split(".")
    extra = TABLES[table].model_fields[field].json_schema_extra
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _value(vehicle: Vehicle, dotted: str) -> float:
    table, field = dotted.split(".")
    return float(getattr(getattr(vehicle, table), field))
