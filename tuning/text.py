"""Numbers and tables as plain text, for the terminal and for pages."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

__all__ = ["number", "spoken", "text_table"]

_SPOKEN = {
    "rms": "RMS",
    "max": "maximum",
    "95": "95 %",
    "r79": "(UN R79)",
    "unfinished": "run not completed",
}


def number(value: float | None, digits: int = 3) -> str:
    """Give a number to so many significant digits, without exponent where that is readable; "-" where there is none."""
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "inf"
    if value == 0.0:
        return f"{0.0:.{digits - 1}f}"
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2])  # after rounding: 0.09996 is 0.100
    if -4 <= exponent < 6:
        return f"{value:.{max(digits - 1 - exponent, 0)}f}"
    return f"{value:.{digits - 1}e}"


def spoken(name: str) -> str:
    """Give the name of a measure, limit or gain as one says it: "lateral_error_rms" as "lateral error RMS"."""
    return " ".join(_SPOKEN.get(word, word) for word in name.split("_"))


def text_table(columns: Sequence[str], rows: Sequence[Sequence[str]], words: Collection[int] = (0,)) -> str:
    """Set a table in plain text.

    Args:
        columns: heads.
        rows: cells, as many as heads.
        words: columns that hold words, set flush left; the others are numbers, flush right.
    """
    table = [list(columns), *(list(row) for row in rows)]
    widths = [max(len(row[j]) for row in table) for j in range(len(columns))]

    def line(row: Sequence[str]) -> str:
        cells = (
            cell.ljust(width) if j in words else cell.rjust(width)
            for j, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    rule = "  ".join("-" * width for width in widths)
    return "\n".join([line(table[0]), rule, *(line(row) for row in table[1:])])
