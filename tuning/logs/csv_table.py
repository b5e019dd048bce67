"""CSV as a table of cells, with the line of the file on which each row stands."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from pathlib import Path as FilePath

import pandas as pd

from tracks.errors import FileError
from tracks.file_access import read_text

__all__ = ["read_csv_table"]

_SEPARATORS = (",", ";", "\t")


def read_csv_table(path: FilePath) -> tuple[pd.DataFrame, Callable[[int], str]]:
    """Read a CSV file with one header line; `#` starts a comment, empty lines are passed over.

    Returns:
        The table, columns that hold only numbers as numbers and others as text, and a function that says on which
        line of the file a row stands ("line 12").

    Raises:
        FileError: missing, not text, empty, or a row with more cells than the header.
    """
    text = read_text(path, "drive log (CSV)")
    lines = _lines_of_rows(text)
    if not lines:
        raise FileError(path, "", "is empty", "a header line and one line a sample", "export the log again")
    header = text.splitlines()[lines[0] - 1].split("#", 1)[0]
    separator = max(_SEPARATORS, key=header.count)
    names = _header_cells(header, separator)
    # Numbers for names at first: pandas refuses repeated names without saying where.
    try:
        table = pd.read_csv(
            StringIO(text),
            sep=separator,
            comment="#",
            skipinitialspace=True,
            index_col=False,
            low_memory=False,
            header=None,
            skiprows=lines[0],
            names=range(len(names)),
        )
    except pd.errors.ParserError as error:
        at, what = _ragged_row(text, lines, separator, str(error))
        raise FileError(path, at, what, "one cell a column", "repair or delete the line") from None
    table.columns = names
    return table, lambda row: f"line {lines[row + 1]}"


def _header_cells(header: str, separator: str) -> list[str]:
    """Split the header line and strip its cells."""
    frame = pd.read_csv(StringIO(header), sep=separator, header=None, dtype=str, skipinitialspace=True)
    return [str(cell).strip() for cell in frame.iloc[0].fillna("")]


def _lines_of_rows(text: str) -> list[int]:
    """Give the line numbers (from 1) that hold cells: not empty, not only a comment."""
    return [
        number
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]


def _ragged_row(text: str, lines: list[int], separator: str, message: str) -> tuple[str, str]:
    """Find the first row with more cells than the header has."""
    rows = text.splitlines()
    width = rows[lines[0] - 1].count(separator)
    for number in lines[1:]:
        cells = rows[number - 1].split("#", 1)[0].count(separator)
        if cells > width:
            return f"line {number}", f"has {cells + 1} cells, the header has {width + 1}"
    return "", f"cannot be read as a table ({message})"
