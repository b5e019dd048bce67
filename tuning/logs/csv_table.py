"""CSV as a table of cells, with the line of the file on which each row stands."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable
from functools import cache
from io import StringIO
from pathlib import Path as FilePath

import pandas as pd

from tracks.errors import FileError
from tuning.logs.log_text import BLANKS, content_lines, read_log_text, separator_of, split_line
from tuning.logs.table import Table, bracketed_unit
from tuning.logs.units import any_unit

__all__ = ["read_csv_table"]

_SAMPLE = 40  # lines at the head of the file that show its form, and may stand above the header

# A comma in a number is a decimal one for certain where no thousands have it: after a lone 0, or not before 3 digits.
_COMMA = re.compile(r"(?<![:\d.,])\d+,\d")
_DECIMAL_COMMA = re.compile(r"(?<![\d.,])(?:0,\d|\d+,(?:\d{1,2}|\d{4,})(?![\d.,]))")
_COMMENT = re.compile(r"#[^\n]*")
_QUOTED_COMMA = re.compile(r'"\s*[-+]?\d*,\d+\s*"')

_DATE = re.compile(r"\d{4}-?\d\d-?\d\d")


def read_csv_table(path: FilePath, names: Iterable[str] = ()) -> list[Table]:
    """Read a CSV file with one header line, perhaps with units in it or in a row below it; `#` starts a comment.

    Cells are separated by commas, semicolons, tabs, bars or blanks; decimals have a point or a comma.

    Returns:
        One table, columns that hold only numbers as numbers and others as text.

    Raises:
        FileError: missing, not text, empty, a row of another length than the header, or commas in numbers that may be
            decimals or thousands.
    """
    text, findings = read_log_text(path)
    head = content_lines(text, _SAMPLE)
    if not head:
        raise FileError(path, "", "is empty", "a header line and one line a sample", "export the log again")
    head, above = _without_preamble(head, tuple(names))
    commented = None if above else _commented_header(text, head)
    header, skip = commented or (head[0][1] if '"' in head[0][1] else head[0][1].split("#", 1)[0], head[0][0])
    below = [(number, line) for number, line in head if number > skip]
    separator = separator_of(header, [line for _, line in below[:3]])
    columns = split_line(header, separator, len(split_line(below[-1][1], separator)) if below else None)
    units: dict[str, str] = {}
    if below and _are_units(row := split_line(below[0][1], separator)):
        skip = below.pop(0)[0]
        units = {name: cell.strip("[]() ") for name, cell in zip(columns, row, strict=False) if cell != "-"}
    lines = _Lines(text, skip, separator, columns)
    first = below[0][1].rstrip(" ") if below else ""
    frame = _frame(path, lines, first, _decimal_sign(path, text, separator))
    frame, unfinished = _without_unfinished_row(frame, lines)
    lines.check_short_rows(path, frame)
    frame.columns = [*columns, *("" for _ in range(frame.shape[1] - len(columns)))]
    return [
        Table(
            path, tuple(columns), frame, lines.where, units=units, findings=(*findings, *above, *unfinished)
        )
    ]


class _Lines:
    """The rows below the header as lines of the file; split only where a fault is to be named."""

    def __init__(self, text: str, skip: int, separator: str, columns: list[str]) -> None:
        self.text, self.skip, self.separator, self.columns = text, skip, separator, columns
        self._content = cache(lambda: content_lines(text, len(text)))

    def rows(self) -> list[tuple[int, str]]:
        return [(number, line) for number, line in self._content() if number > self.skip]

    def where(self, row: int) -> str:
        rows = self.rows()
        return f"line {rows[row][0]}" if row < len(rows) else f"row {row + 1}"

    def cells(self, line: str) -> int:
        return len(split_line(line, self.separator))

    def check_short_rows(self, path: FilePath, frame: pd.DataFrame) -> None:
        """Raise `FileError` for a row that breaks off; only rows without a last cell can."""
        suspects = frame.iloc[:, len(self.columns) - 1].isna().to_numpy().nonzero()[0]
        rows = self.rows() if suspects.size else []
        for row in suspects:
            number, line = rows[row]
            # Counting is quick, and quotes can only hide a separator that is none.
            if line.count(self.separator) < len(self.columns) - 1 and self.cells(line) < len(self.columns):
                what = f"has {self.cells(line)} cells, the header has {len(self.columns)}"
                raise FileError(
                    path, f"line {number}", what, "one cell a column", "repair or delete the line"
                )


def _frame(path: FilePath, lines: _Lines, first: str, decimal: str) -> pd.DataFrame:
    # A row may end with a separator that the header lacks.
    ends = lines.separator != BLANKS and first.endswith(lines.separator)
    width = len(lines.columns)
    extra = 1 if ends and lines.cells(first) == width + 1 else 0
    try:
        with warnings.catch_warnings():
            # Where the rows are all longer than the header pandas only warns, and drops their ends.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            # Numbers for names: pandas refuses repeated names without saying where.
            return pd.read_csv(
                StringIO(lines.text),
                sep=lines.separator,
                decimal=decimal,
                comment="#",
                skipinitialspace=True,
                index_col=False,
                low_memory=False,
                header=None,
                skiprows=lines.skip,
                names=range(width + extra),
            )
    except pd.errors.EmptyDataError:
        return pd.DataFrame(columns=range(width))
    except (pd.errors.ParserError, pd.errors.ParserWarning) as error:
        for number, line in lines.rows():
            if lines.cells(line) > width + extra:
                what = f"has {lines.cells(line)} cells, the header has {width}"
                hint = "; where decimals have a comma, separate the cells by semicolons"
                remedy = f"repair or delete the line{hint if lines.separator == ',' else ''}"
                raise FileError(path, f"line {number}", what, "one cell a column", remedy) from None
        raise FileError(
            path, "", f"cannot be read as a table ({error})", "one cell a column", "export it again"
        ) from None


def _without_unfinished_row(frame: pd.DataFrame, lines: _Lines) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Drop a last row that breaks off: what a logger leaves that lost its power while writing."""
    last = lines.text[lines.text.rstrip("\n").rfind("\n") + 1 :].strip()
    if not len(frame) or not last or last.startswith("#") or lines.cells(last) >= len(lines.columns):
        return frame, ()
    where = lines.where(len(frame) - 1)
    return frame.iloc[:-1], (f"{where}: the last row is unfinished and was dropped",)


def _decimal_sign(path: FilePath, text: str, separator: str) -> str:
    """Give the sign before decimals; raise `FileError` where commas in numbers may be thousands as well."""
    if separator == ",":
        quoted = _QUOTED_COMMA.search(text)
        text = " ".join(_QUOTED_COMMA.findall(text)) if quoted else ""
    body = text[text.find("\n") + 1 :] if separator != "," else text
    if "#" in body:
        body = _COMMENT.sub(lambda match: " " * len(match[0]), body)
    comma = _COMMA.search(body)
    if comma is None:
        return "."
    if _DECIMAL_COMMA.search(body):
        return ","
    number = text.count("\n", 0, comma.start() + len(text) - len(body)) + 1
    raise FileError(
        path,
        f"line {number}" if separator != "," else "",
        "has commas in its numbers that may be decimals or thousands",
        "numbers without a separator of thousands",
        "export the log with decimal points and without separators of thousands",
    )


def _without_preamble(
    head: list[tuple[int, str]], names: tuple[str, ...]
) -> tuple[list[tuple[int, str]], tuple[str, ...]]:
    """Leave out lines above the header that are no comments: it is the first that holds two of the names asked for."""
    enough = min(2, len(set(names)))
    for i, (number, line) in enumerate(head):
        if not enough or not any(name in line for name in names):
            continue
        cells = split_line(line, separator_of(line, [row for _, row in head[i + 1 : i + 4]]))
        if len({cell for cell in cells if {cell, bracketed_unit(cell)[0]} & set(names)}) >= enough:
            said = (f"the header was found in line {number}; what stands above it was passed over",)
            return head[i:], said if i else ()
    return head, ()


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _are_units(row: list[str]) -> bool:
    """Say whether the row below the header holds units: no cell of it is a reading, and one is a unit."""
    if any(_DATE.match(cell) or (_is_number(cell) and cell != "1") for cell in row):
        return False
    return any(any_unit(cell.strip("[]() ")) for cell in row if cell and cell != "1")


def _commented_header(text: str, head: list[tuple[int, str]]) -> tuple[str, int] | None:
    """Give the header, and its line, of a file whose first row holds numbers and whose comment above it names them."""
    number, first = head[0]
    above = text.split("\n", number)[number - 2].lstrip() if number > 1 else ""
    separator = separator_of(first, [])
    row, names = split_line(first, separator), split_line(above.lstrip("# "), separator)
    if not above.startswith("#") or len(row) != len(names) or not all(map(_is_number, row)):
        return None
    return (above.lstrip("# "), number - 1) if len(names) > 1 else None
