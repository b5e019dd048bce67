"""The section on the vehicle: every value with its unit, how it is known, and how well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel

from tuning.report.page import Cell, Section, Table
from tuning.text import number
from tuning.vehicle.tables import is_refinement

if TYPE_CHECKING:
    from tuning.identification import Identified
    from tuning.vehicle import Vehicle

__all__ = ["vehicle_section", "vehicle_values"]

_MOST_SHOWN = 9  # entries of a map that a line of the table still holds
_TABLES = ("body", "tyres", "steering", "drive", "link")


def vehicle_values(
    vehicle: Vehicle, found: Identified | None = None
) -> list[tuple[str, str, str, str, str, str]]:
    """Give `(name, value, 95 % interval, unit, how known, meaning)` of every value that acts, as text.

    Args:
        vehicle: to describe.
        found: the identification that gave it, which says more on how each value is known.
    """
    rows = []
    for table in _TABLES:
        values: BaseModel = getattr(vehicle, table)
        for field, info in type(values).model_fields.items():
            value = getattr(values, field)
            name = f"{table}.{field}"
            left_out = is_refinement(type(values), field) and value == info.default
            if value is None or value == () or left_out or _idle(vehicle, name):
                continue
            extra = info.json_schema_extra
            unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
            interval = vehicle.provenance.intervals.get(name)
            shown = f"{number(interval[0], 4)} to {number(interval[1], 4)}" if interval else ""
            rows.append(
                (name, _shown(value), shown, unit, _known(vehicle, name, found), info.description or "")
            )
    return rows


def _idle(vehicle: Vehicle, name: str) -> bool:
    """Tell whether a value does nothing in this vehicle, since another one is given in its place."""
    if name in ("steering.natural_frequency", "steering.damping"):
        return vehicle.steering.lag is not None
    if name == "tyres.understeer_gradient":
        return vehicle.model_name != "kinematic"
    return False


def _shown(value: object) -> str:
    if isinstance(value, float):
        return number(value, 4)
    if isinstance(value, tuple) and len(value) > _MOST_SHOWN:
        return f"{len(value)} values, {number(float(value[0]))} to {number(float(value[-1]))}"
    if isinstance(value, tuple):
        return ", ".join(number(float(entry)) for entry in value)
    return str(value)


def _known(vehicle: Vehicle, name: str, found: Identified | None) -> str:
    """Say how a value is known, in the words of the identification: found, derived, known or assumed."""
    if name == "body.model":
        return "chosen"
    if found is not None and name in found.parameters.index:
        return str(found.parameters["status"].to_dict()[name])
    if name in vehicle.provenance.assumed:
        return "assumed"
    return "found" if name in vehicle.provenance.intervals else "known"


def vehicle_section(vehicle: Vehicle, found: Identified | None = None) -> Section:
    """Give the section on a vehicle; `found` is the identification that gave it, if any."""
    source = vehicle.provenance.source
    intro = (
        f"Simulated as a {vehicle.model_name} vehicle. A value is found (from the logs, with its 95 % interval), "
        "derived (from values found), known (given by the user), or assumed (a middling value that nobody measured: measure it, or treat what depends "
        "on it with care). Effects that are not listed, such as backlash or drag, are left out.",
        *((f"Source: {source}.",) if source else ()),
    )
    rows = tuple(
        (
            Cell(name.replace("_", " ").replace(".", ": ")),
            value,
            interval,
            unit,
            Cell(known, "quiet" if known == "known" else ""),
            Cell(meaning, "quiet"),
        )
        for name, value, interval, unit, known, meaning in vehicle_values(vehicle, found)
    )
    heads = ("Value", "Found", "95 % interval", "Unit", "How known", "Meaning")
    return Section(
        "Vehicle", intro, (Table(vehicle.provenance.name or "The vehicle", heads, rows, numbers=(1, 2)),)
    )
