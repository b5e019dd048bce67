"""Reading and writing vehicle files: TOML in which every value carries its unit as a comment."""

from __future__ import annotations

import difflib
import json
import re
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError

from tracks.errors import FileError
from tracks.file_access import read_toml, write_atomically
from tracks.validation import file_error
from tuning.vehicle.tables import Body, Drive, Link, Provenance, Steering, Tyres, is_refinement

if TYPE_CHECKING:
    from tuning.vehicle.vehicle import Vehicle

__all__ = ["read_vehicle", "write_vehicle"]

_Vehicle = TypeVar("_Vehicle", bound="Vehicle")
_TABLES: dict[str, type[BaseModel]] = {
    "body": Body,
    "tyres": Tyres,
    "steering": Steering,
    "drive": Drive,
    "link": Link,
    "provenance": Provenance,
}
# A vehicle whose by-wire layer was silently made up is worse than none.
_REQUIRED = ("body", "steering", "drive")
_HEADER = """\
# Vehicle file of pathtrim. SI units and radians; ISO 8855 axes, + to the left; angles are road-wheel angles.
# Values describe one vehicle, load, tyre and road. First drives: on a closed course, with a trained safety
# driver and a working stop device; local codes and licensed practice come first.
"""


def read_vehicle(kind: type[_Vehicle], path: str | FilePath) -> _Vehicle:
    """Read a vehicle file; raises `FileError`.

    Values of steering and drive that the file leaves out take their defaults and are listed in
    `provenance.assumed`.
    """
    data = read_toml(path, "vehicle file", "lines such as name = 1.0")
    for name in _REQUIRED:
        if name not in data:
            raise FileError(path, "", f"the table [{name}] is missing", f"a table [{name}]", f"add [{name}]")
    for name, value in data.items():
        if name in _TABLES and not isinstance(value, dict):
            raise FileError(path, name, f"received {value!r}", f"a table [{name}]", f"write [{name}] instead")
    both = sorted({"natural_frequency", "damping"} & set(data["steering"]))
    if "lag" in data["steering"] and both:
        raise FileError(
            path, "steering", f"lag is given as well as {' and '.join(both)}",
            "a lag (first order), or natural_frequency and damping (second order)",
            "keep those of the order that describes the steering",
        )  # fmt: skip
    try:
        vehicle = kind.model_validate(data)
    except ValidationError as error:
        raise _explained(path, error) from None
    assumed = [
        f"{name}.{field}"
        for name in ("steering", "drive")
        for field in _TABLES[name].model_fields
        if field not in data[name]
        and not field.startswith("map_")
        and not is_refinement(_TABLES[name], field)
        and not _unused(vehicle, name, field)
    ]
    new = tuple(name for name in assumed if name not in vehicle.provenance.assumed)
    if not new:
        return vehicle
    return vehicle.replace(**{"provenance.assumed": vehicle.provenance.assumed + new})


def _unused(vehicle: Vehicle, table: str, field: str) -> bool:
    """Tell whether a field of the steering has no say, its order being the other one."""
    return table == "steering" and field in (
        ("natural_frequency", "damping") if vehicle.steering.lag is not None else ("lag",)
    )


def _explained(path: str | FilePath, error: ValidationError) -> FileError:
    """Add the nearest documented name to a complaint about an unknown one."""
    fault = error.errors(include_url=False)[0]
    if fault["type"] != "extra_forbidden":
        return file_error(path, error)
    *tables, name = (str(part) for part in fault["loc"])
    known = list(_TABLES[tables[0]].model_fields) if tables else list(_TABLES)
    nearest = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    what = "the field is unknown" if tables else "the table is unknown"
    remedy = f'write "{nearest[0]}" if that was meant' if nearest else "remove it"
    return FileError(path, ".".join((*tables, name)), what, f"one of {', '.join(known)}", remedy)


def write_vehicle(vehicle: Vehicle, path: str | FilePath) -> None:
    """Write a vehicle file, whole or not at all; a value that is not known stands as a comment."""
    parts = [_HEADER]
    for name in _TABLES:
        lines = _lines(vehicle, name)
        if len(lines) > 1 or name in _REQUIRED:
            parts.append("\n".join(lines) + "\n")
    write_atomically(path, "\n".join(parts))


def _lines(vehicle: Vehicle, table: str) -> list[str]:
    values = getattr(vehicle, table)
    lines, tables = [f"[{table}]"], []
    for name, field in type(values).model_fields.items():
        value = getattr(values, name)
        if is_refinement(type(values), name) and value == field.default:
            continue
        extra = field.json_schema_extra
        unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
        comment = f"{unit}; {field.description}" if unit else f"{field.description}"
        if isinstance(value, dict):
            if value:
                tables += ["", f"[{table}.{name}]  # {comment}"]
                tables += [f"{_key(key)} = {_toml(entry)}" for key, entry in value.items()]
        elif value is None or _unused(vehicle, table, name):
            lines.append(f"# {name} is not given  # {comment}")
        elif not (isinstance(value, tuple) and not value):
            lines.append(f"{name} = {_toml(value)}  # {comment}")
    return lines + tables


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def _toml(value: Any) -> str:
    if isinstance(value, str):
        # JSON escapes are TOML escapes, except that TOML also wants DEL escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (tuple, list)):
        return f"[{', '.join(_toml(entry) for entry in value)}]"
    return repr(float(value))
