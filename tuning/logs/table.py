"""What every file format is read into: tables of cells, each with a name for its rows and, perhaps, a clock of its own."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracks.errors import FileError

__all__ = ["Table", "bracketed_unit", "numbers"]

Array = NDArray[np.float64]

# "speed [km/h]" or "speed (km/h)": a name and what stands in brackets at its end.
_BRACKETED = re.compile(r"(?P<name>.*\S)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>.*)\))")


# No reading is larger, nor a clock in ns; what is larger stands for "no value", as the largest float does.
_LARGEST = 1e30


@dataclass(frozen=True)
class Table:
    """Columns that share their rows: a CSV or Parquet file, a channel group of an MDF file, a topic of an MCAP file.

    Attributes:
        file: where it stands.
        columns: the names of all columns, as in the file; a name may stand there twice.
        cells: those of them that were read, by name, as columns of a frame or arrays of shape (rows,).
        where: row -> where that row stands in the file, in words ("line 12").
        prefix: what may be put before a column's name to tell this table from others ("/vehicle/status.").
        alias: the same by number, where the prefix is a name that two tables may bear.
        units: column -> its unit as the file names it.
        clock: the column of the table's own clock, in the unit that `units` gives; empty where it has none.
        epoch_ns: reading of a wall clock where the table's own clock is 0, ns.
        findings: what the reader mended.
    """

    file: FilePath
    columns: tuple[str, ...]
    cells: pd.DataFrame | Mapping[str, pd.Series]
    where: Callable[[int], str]
    prefix: str = ""
    alias: str = ""
    units: Mapping[str, str] = field(default_factory=dict)
    clock: str = ""
    epoch_ns: int = 0
    findings: tuple[str, ...] = ()

    def find(self, column: str) -> list[str]:
        """Give the columns of this name: the very name, else those that bear it before a bracketed unit."""
        own = column
        if column not in self.columns:
            own = next(
                (column[len(p) :] for p in (self.prefix, self.alias) if p and column.startswith(p)), column
            )
        exact = [name for name in self.columns if name == own]
        return exact or [name for name in self.columns if bracketed_unit(name)[0] == own]

    def place(self, column: str, row: int | None = None) -> str:
        """Say where a column, or one cell of it, stands in the file."""
        line = "" if row is None else f"{self.where(row)}, "
        return f"{line}column {self.prefix + column!r}"


def bracketed_unit(column: str) -> tuple[str, str, bool]:
    """Split a header into name and bracketed unit, and say whether the brackets are square (then it is a unit)."""
    match = _BRACKETED.fullmatch(column.strip())
    if match is None:
        return column, "", False
    square = match["square"]
    return match["name"], (match["round"] if square is None else square).strip(), square is not None


def numbers(table: Table, column: str) -> Array:
    """Give a column as float64, shape (rows,), NaN where a reading is missing.

    Raises:
        FileError: a cell is text or infinite, or all are empty.
    """
    cells = pd.Series(table.cells[column])
    if cells.dtype.kind in "mM":
        raise FileError(
            table.file,
            table.place(column),
            "holds dates or times of day",
            "numbers",
            "name it as a time, without a unit",
        )
    values = np.array(pd.to_numeric(cells, errors="coerce"), dtype=np.float64)
    missing = np.isnan(values)
    values[missing] = np.nan  # one kind of NaN: a damaged file may hold others, of which arithmetic complains
    bad = ~missing & ~(np.abs(values) <= _LARGEST)
    if not pd.api.types.is_numeric_dtype(cells.dtype):
        text = cells.notna().to_numpy() & missing
        blank = text & (cells.astype(str).str.strip() == "").to_numpy()
        bad |= text & ~blank
    if bad.any():
        row, count = int(np.flatnonzero(bad)[0]), int(np.count_nonzero(bad))
        raise FileError(
            table.file,
            table.place(column, row),
            f"received {str(cells.iloc[row])!r}"
            + (f" ({count} such cells in this column)" if count > 1 else ""),
            "a finite number, without a separator of thousands, or an empty cell for a missing reading",
            "repair these cells or delete their rows",
        )
    if values.size and missing.all():
        raise FileError(
            table.file, table.place(column), "is empty in every row", "readings", "name another column"
        )
    return values
