"""Reading a CSV table of numbers so that every fault is named with file, line and column."""

from __future__ import annotations

import math
import re
from pathlib import Path as FilePath
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracks.errors import FileError
from tracks.file_access import read_text

__all__ = ["Table", "read_table"]

_UNIT = re.compile(r"^(?P<name>.*?)\s*[\[(](?P<unit>.*)[\])]$")


class Table(NamedTuple):
    """A table of numbers: `columns` by name (k,), `lines` the line of each row (k,), `comments` as (line, text).

    `units` holds the unit of each column that names one, as in "speed [m/s]".
    """

    file: FilePath
    columns: dict[str, NDArray[np.float64]]
    units: dict[str, str]
    lines: list[int]
    comments: list[tuple[int, str]]


def read_table(file: str | FilePath, kind: str, known: dict[str, str]) -> Table:
    """Read a CSV file: comment lines start with #, the delimiter is a comma, a semicolon or a tab.

    Args:
        file: the file.
        kind: what it should be, for messages ("track file").
        known: other names of columns → the name used here. The column names may stand in a comment line if the table
            has no header; a table of two columns without names is taken as x and y.

    Raises:
        FileError: no rows, no names, a name twice, a row of another width, or something that is not a number.
    """
    comments: list[tuple[int, str]] = []
    rows: list[tuple[int, str]] = []
    for number, line in enumerate(read_text(file, kind).splitlines(), start=1):
        text = line.strip()
        if text.startswith("#"):
            comments.append((number, text.lstrip("#").strip()))
        elif text:
            rows.append((number, text))
    if not rows:
        raise FileError(file, "", "the file has no rows", "a header and one row a point", "export it again")
    delimiter = max(",;\t", key=rows[0][1].count)
    names, units = _names(rows[0][1], delimiter, known)
    line_of_names = rows[0][0]
    if all(_is_number(field) for field in rows[0][1].split(delimiter)):
        line_of_names, names, units = _names_without_header(file, rows[0], comments, delimiter, known)
    else:
        rows = rows[1:]
    for name in names:
        if names.count(name) > 1:
            raise FileError(
                file, f"line {line_of_names}", f"column {name!r} stands twice", "each column once", "drop one"
            )
    if not rows:
        raise FileError(file, "", "the file has a header but no rows", "one row a point", "export it again")
    values = np.empty((len(rows), len(names)))
    for i, (number, text) in enumerate(rows):
        fields = text.split(delimiter)
        if len(fields) != len(names):
            raise FileError(
                file,
                f"line {number}",
                f"{len(fields)} fields",
                f"{len(names)} ({', '.join(names)})",
                "complete the row",
            )
        for j, field in enumerate(fields):
            values[i, j] = _number(file, number, names[j], field)
    columns = {name: values[:, j].copy() for j, name in enumerate(names)}
    return Table(FilePath(file), columns, units, [number for number, _ in rows], comments)


def _names(header: str, delimiter: str, known: dict[str, str]) -> tuple[list[str], dict[str, str]]:
    names: list[str] = []
    units: dict[str, str] = {}
    for field in header.split(delimiter):
        name, unit = field.strip().strip('"').strip(), ""
        match = _UNIT.match(name)
        if match:
            name, unit = match["name"], match["unit"].strip()
        name = known.get(name.lower(), name.lower())
        names.append(name)
        if unit:
            units[name] = unit
    return names, units


def _names_without_header(
    file: str | FilePath,
    row: tuple[int, str],
    comments: list[tuple[int, str]],
    delimiter: str,
    known: dict[str, str],
) -> tuple[int, list[str], dict[str, str]]:
    number, text = row
    width = len(text.split(delimiter))
    for line, comment in comments:
        names, units = _names(comment, delimiter, known)
        if len(names) == width and {"x", "y"} <= set(names):
            return line, names, units
    if width == 2:
        return number, ["x", "y"], {}
    raise FileError(
        file,
        f"line {number}",
        f"{width} columns without names",
        "a header line",
        "add one, as in x,y,left,right",
    )


def _is_number(field: str) -> bool:
    try:
        float(field)
    except ValueError:
        return False
    return True


def _number(file: str | FilePath, line: int, column: str, field: str) -> float:
    where = f"line {line}, column {column}"
    try:
        value = float(field)
    except ValueError:
        shown = repr(field.strip()) if field.strip() else "nothing"
        raise FileError(
            file, where, f"holds {shown}", "a number", "correct the value or drop the row"
        ) from None
    if math.isnan(value):
        raise FileError(file, where, "is not a number (nan)", "a number", "correct the value or drop the row")
    return value
