"""The section on the vehicle: every value with its unit, how it is known, and how well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel

from tuning.report.page import Cell, Section, Table
from tuning.text import number

if TYPE_CHECKING:
    from tuning.vehicle import Vehicle

__all__ = ["vehicle_section", "vehicle_values"]

_TABLES = ("body", "tyres", "steering", "drive")


def vehicle_values(vehicle: Vehicle) -> list[tuple[str, str, str, str, str, str]]:
    """Give `(name, value, unit, 95 % interval, how known, meaning)` of every value that the vehicle has, as text."""
    rows = []
    for table in _TABLES:
        values: BaseModel = getattr(vehicle, table)
        for field, info in type(values).model_fields.items():
            value = getattr(values, field)
            if value is None or value == ():
                continue
            name = f"{table}.{field}"
            extra = info.json_schema_extra
            unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
            rows.append((name, _shown(value), unit, *_certainty(vehicle, name), info.description or ""))
    return rows


def _shown(value: object) -> str:
    if isinstance(value, float):
        return number(value, 4)
    if isinstance(value, tuple):
        return ", ".join(number(float(entry)) for entry in value)
    return str(value)


def _certainty(vehicle: Vehicle, name: str) -> tuple[str, str]:
    """Give the 95 % interval and how the value is known: identified, assumed, or given by the user."""
    interval = vehicle.provenance.intervals.get(name)
    if interval is not None:
        return f"{number(interval[0], 4)} to {number(interval[1], 4)}", "identified"
    return "", "assumed" if name in vehicle.provenance.assumed else "given"


def vehicle_section(vehicle: Vehicle, paragraphs: tuple[str, ...] = ()) -> Section:
    """Give the section on a vehicle."""
    source = vehicle.provenance.source
    intro = (
        f"Simulated as a {vehicle.model_name} vehicle. A value is identified (from the logs, with its 95 % interval), "
        "given (by the user), or assumed (a middling value that nobody measured: measure it, or treat what depends "
        "on it with care).",
        *((f"Source: {source}.",) if source else ()),
    )
    rows = tuple(
        (
            Cell(name.replace("_", " ").replace(".", ": ")),
            value,
            unit,
            interval,
            Cell(known, "quiet" if known == "given" else ""),
            Cell(meaning, "quiet"),
        )
        for name, value, unit, interval, known, meaning in vehicle_values(vehicle)
    )
    heads = ("Value", "Found", "Unit", "95 % interval", "How known", "Meaning")
    name = vehicle.provenance.name or "The vehicle"
    return Section("Vehicle", (*intro, *paragraphs), (Table(name, heads, rows),))
