"""Tracks as CSV: the project's own format, which keeps the whole track, and any table with x and y.

The own format starts with the comment line "pathtrim track 1"; more comment lines "key: JSON value" hold name, closed,
source, start_offset, deviation, deviation_rms and one `section` each. The table has one row a node.
"""

from __future__ import annotations

import json
from pathlib import Path as FilePath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracks.csv_table import Table, read_table
from tracks.errors import FileError, InputError
from tracks.path import Path
from tracks.speed_plan import TOP_SPEED, plan_speed
from tracks.track import Corridor, Section, Track

__all__ = ["read_track", "write_track"]

_MARK = "pathtrim track 1"
_CAUTION = "Closed course, trained safety driver and working stop device first; local codes and licensed practice apply."
_UNITS = {
    "s": "m", "x": "m", "y": "m", "heading": "rad", "curvature": "1/m", "curvature_behind": "1/m",
    "speed": "m/s", "left": "m", "right": "m",
}  # fmt: skip
_OTHER_NAMES = {
    "x_m": "x", "y_m": "y", "s_m": "s", "w_tr_left_m": "left", "w_tr_right_m": "right",
    "left_m": "left", "right_m": "right", "width_left": "left", "width_right": "right",
    "width_left_m": "left", "width_right_m": "right", "speed_mps": "speed", "heading_rad": "heading",
}  # fmt: skip
_NODES = ("s", "x", "y", "heading", "curvature")
# Largest distance from the last point to the first, against the largest between neighbours.
_CLOSING_GAP = 1.5
_FIELDS = {
    "name": str,
    "closed": bool,
    "source": str,
    "start_offset": float,
    "deviation": float,
    "deviation_rms": float,
    "section": dict,
}


def write_track(track: Track) -> str:
    """Give a track in the own format; numbers have all the digits that they need to come back the same."""
    path = track.path
    header: list[tuple[str, Any]] = [
        ("name", track.name),
        ("closed", path.closed),
        ("source", track.source),
        ("start_offset", track.start_offset),
        ("deviation", path.deviation),
        ("deviation_rms", path.deviation_rms),
    ]
    for a in track.sections:
        header.append(("section", {"name": a.name, "start": a.start, "end": a.end, "step": a.step}))
    columns = {name: getattr(path, name) for name in _NODES} | {"speed": track.speed}
    if track.corridor is not None:
        columns |= {"left": track.corridor.left, "right": track.corridor.right}
    behind = np.append(path.curvature[0], path.arrays.curvature_end)
    if np.any(behind != path.curvature):
        columns["curvature_behind"] = behind
    lines = [f"# {_MARK}", f"# {_CAUTION}"]
    lines += [f"# {key}: {json.dumps(value, ensure_ascii=False)}" for key, value in header]
    lines.append("# units: " + ", ".join(f"{name} {_UNITS[name]}" for name in columns))
    lines.append(",".join(columns))
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    lines += [",".join(map(repr, row)) for row in rows]
    return "\n".join(lines) + "\n"


def read_track(file: str | FilePath, closed: bool | None = None, smoothing: float | None = None) -> Track:
    """Read a track from CSV; see `tracks.load` for the arguments.

    Raises:
        FileError: with line and column, what was expected and the remedy.
    """
    table = read_table(file, "track file", _OTHER_NAMES)
    own = any(text == _MARK for _, text in table.comments)
    _check_columns(table, own)
    facts = _facts(table) if own else {}
    closed = facts.get("closed", closed)
    try:
        if own and set(_NODES) <= set(table.columns):
            return _track_of_nodes(table, facts, bool(closed))
        return _track_of_points(table, facts, closed, smoothing)
    except FileError:
        raise
    except InputError as error:
        raise FileError(file, "", error.what, error.expected, error.remedy) from error


def _check_columns(table: Table, own: bool) -> None:
    file, columns = table.file, table.columns
    for name in ("x", "y"):
        if name not in columns:
            raise FileError(
                file,
                f"column {name}",
                "is missing",
                f"columns x and y (found: {', '.join(columns)})",
                "name it in the header",
            )
    if ("left" in columns) != ("right" in columns):
        missing = "right" if "left" in columns else "left"
        raise FileError(file, f"column {missing}", "is missing", "both left and right, or neither", "add it")
    for name in columns:
        if own and name not in _UNITS:
            raise FileError(
                file, f"column {name}", "is unknown", f"one of {', '.join(_UNITS)}", "rename or drop it"
            )
        if name in _UNITS and table.units.get(name, _UNITS[name]) != _UNITS[name]:
            raise FileError(
                file,
                f"column {name}",
                f"is in {table.units[name]}",
                f"values in {_UNITS[name]}",
                "convert the column",
            )
    for name, values in columns.items():
        if name not in _UNITS:
            continue
        edge = name in ("left", "right")
        wrong = ~(values > 0.0) if edge else ~np.isfinite(values) | ((name == "speed") & (values < 0.0))
        if np.any(wrong):
            i = int(np.argmax(wrong))
            expected = (
                "a distance above 0 m" if edge else "0 m/s or more" if name == "speed" else "a finite number"
            )
            raise FileError(
                file, f"line {table.lines[i]}, column {name}", f"is {values[i]:g}", expected, "correct it"
            )


def _facts(table: Table) -> dict[str, Any]:
    """Give the header's values by key, "sections" as a list of `Section`."""
    facts: dict[str, Any] = {"sections": []}
    for line, text in table.comments:
        key, _, raw = text.partition(":")
        if key not in _FIELDS:
            continue
        where = f"line {line}, {key}"
        try:
            value: Any = json.loads(raw)
        except json.JSONDecodeError:
            raise FileError(
                table.file, where, f"holds {raw.strip()}", "a JSON value", "put text in quotes"
            ) from None
        if isinstance(value, int) and not isinstance(value, bool) and _FIELDS[key] is float:
            value = float(value)
        if not isinstance(value, _FIELDS[key]):
            raise FileError(
                table.file,
                where,
                f"holds {raw.strip()}",
                f"a value like {json.dumps(_FIELDS[key]())}",
                "correct it",
            )
        if key == "section":
            facts["sections"].append(_section(table.file, where, value))
        else:
            facts[key] = value
    return facts


def _section(file: FilePath, where: str, value: Any) -> Section:
    fields = {"name", "start", "end"}
    if not fields <= set(value) <= fields | {"step"} or not isinstance(value["name"], str):
        raise FileError(
            file, where, f"has the fields {', '.join(value)}", "name, start, end and step", "mend them"
        )
    try:
        return Section(value["name"], value["start"], value["end"], value.get("step"))
    except InputError as error:
        raise FileError(file, where, error.what, error.expected, error.remedy) from None


def _finish(
    table: Table,
    facts: dict[str, Any],
    path: Path,
    speed: NDArray[np.float64] | None,
    corridor: Corridor | None,
) -> Track:
    if speed is None:
        speed = plan_speed(path, TOP_SPEED, end_speed=None if path.closed else 0.0)
    name, source = facts.get("name", table.file.stem), facts.get("source", f"file {table.file.name}")
    return Track(
        name, path, speed, corridor, facts.get("sections", ()), source, facts.get("start_offset", 0.0)
    )


def _track_of_nodes(table: Table, facts: dict[str, Any], closed: bool) -> Track:
    c = table.columns
    ends = c.get("curvature_behind", c["curvature"])[1:]
    s, x, y, heading, curvature = (c[name] for name in _NODES)
    exactness = (facts.get("deviation", 0.0), facts.get("deviation_rms", 0.0))
    path = Path.from_nodes(s, x, y, heading, curvature[:-1], ends, closed, *exactness)
    corridor = Corridor(c["left"], c["right"]) if "left" in c else None
    return _finish(table, facts, path, c.get("speed"), corridor)


def _track_of_points(
    table: Table, facts: dict[str, Any], closed: bool | None, smoothing: float | None
) -> Track:
    c = table.columns
    x, y = c["x"], c["y"]
    closed = _looks_closed(x, y) if closed is None else closed
    path = Path.from_points(x, y, closed, smoothing)
    # The search goes along with the points, so a self-crossing is no trap; the first point is at the start.
    s, offset = path.locate(x, y, near=0.0)
    if not closed:
        s = np.clip(s, 0.0, path.length)
    order = np.argsort(s, kind="stable")
    period = path.length if closed else None

    def at_nodes(values: NDArray[np.float64]) -> NDArray[np.float64]:
        found = np.interp(path.s, s[order], values[order], period=period)
        if closed:
            found[-1] = found[0]
        return found

    corridor = None
    if "left" in c:
        # Widths are measured from the points, and smoothing has moved the path off them by the offset.
        left, right = at_nodes(c["left"] + offset), at_nodes(c["right"] - offset)
        corridor = Corridor(left, right)
    return _finish(table, facts, path, at_nodes(c["speed"]) if "speed" in c else None, corridor)


def _looks_closed(x: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
    """Say whether the last point comes back to the first: within 1.5 times the largest gap, on ten points or more."""
    gaps = np.hypot(np.diff(x), np.diff(y))
    closing = float(np.hypot(x[0] - x[-1], y[0] - y[-1]))
    return (
        x.size >= 10 and closing <= _CLOSING_GAP * float(np.max(gaps)) and closing < 0.1 * float(np.sum(gaps))
    )
