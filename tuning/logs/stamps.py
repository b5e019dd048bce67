"""The cells of a time column as seconds: numbers in a unit, counters, dates."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracks.errors import FileError
from tuning.logs.table import Table, numbers

__all__ = ["seconds_of"]

Array = NDArray[np.float64]

_ISO_DATE = re.compile(r"\s*\d{4}-?\d{2}-?\d{2}[T ]\d")
_TIME_OF_DAY = re.compile(r"\s*\d{1,2}:\d{2}:\d{2}")

# Bits of the counters that run over: a certain sign is a fall from the very top of such a range to its very bottom.
_COUNTERS = (16, 24, 31, 32)
_END_STEPS = 20.0  # median steps from top and bottom that count as the very end


def seconds_of(
    table: Table, column: str, factor: float | None, scale: float, findings: list[str]
) -> tuple[int, Array]:
    """Give the stamps of a time column.

    Args:
        table, column: where they stand.
        factor: of their unit, s; None when no unit is named, as dates have none.
        scale: what numbers are multiplied by first.
        findings: gets what was mended.

    Returns:
        `(origin, seconds)`: the stamps are origin · 1e-9 + seconds. Whole numbers and dates are counted from the first
        of them, since a double holds the seconds since 1970 to no better than 0.2 µs.

    Raises:
        FileError: a stamp is missing or no time, dates with a unit, numbers without one.
    """
    cells = pd.Series(table.cells[column])
    moments = _dates(table, column, cells)
    if moments is not None:
        if factor is not None:
            raise FileError(
                table.file,
                table.place(column),
                "holds dates or times of day",
                "numbers, as a unit is given",
                "leave the unit out",
            )
        first = int(moments[0]) if moments.size else 0
        return first, (moments - first).astype(np.float64) * 1e-9
    values = numbers(table, column)
    missing = np.flatnonzero(np.isnan(values))
    if missing.size:
        raise FileError(
            table.file,
            table.place(column, int(missing[0])),
            f"received an empty cell ({missing.size} of {values.size} in this column)",
            "a time stamp in every row",
            "repair or delete these rows",
        )
    if factor is None:
        raise FileError(
            table.file,
            table.place(column),
            "holds numbers, and neither the file nor the channel file names their unit",
            "a unit of time: s, ms, us, ns",
            "give [time] a unit, or the channel a time_unit",
        )
    values, whole = _unwrapped(table, column, values, findings), cells.dtype.kind in "iu"
    nanoseconds = factor * scale * 1e9
    if not whole or not values.size or abs(nanoseconds - round(nanoseconds)) > 1e-9 * nanoseconds:
        return table.epoch_ns, values * (factor * scale)
    # The difference is taken in whole numbers, where they were not unwrapped.
    counts = cells.to_numpy().astype(np.int64)
    first = int(counts[0])
    steps = values - values[0]
    if np.array_equal(values, counts):
        steps = (counts - first).astype(np.float64)
    return table.epoch_ns + first * round(nanoseconds), steps * (factor * scale)


def _dates(table: Table, column: str, cells: pd.Series) -> NDArray[np.int64] | None:
    """Give dates in ns since 1970 (without a zone taken as UTC) and times of day in ns since midnight; else None."""
    filled = cells.dropna()
    first = str(filled.iloc[0]) if len(filled) and not pd.api.types.is_numeric_dtype(cells.dtype) else ""
    if "," in first:  # ISO 8601 lets a comma stand before the fraction, pandas does not
        cells = cells.str.replace(",", ".")
    if pd.api.types.is_datetime64_any_dtype(cells.dtype) or _ISO_DATE.match(first):
        moments = pd.DatetimeIndex(pd.to_datetime(cells, format="ISO8601", utc=True, errors="coerce"))
    elif pd.api.types.is_timedelta64_dtype(cells.dtype) or _TIME_OF_DAY.match(first):
        moments = pd.TimedeltaIndex(pd.to_timedelta(cells, errors="coerce"))
    else:
        return None
    bad = np.flatnonzero(moments.isna())
    if bad.size:
        cell = cells.iloc[int(bad[0])]
        raise FileError(
            table.file,
            table.place(column, int(bad[0])),
            "received an empty cell" if pd.isna(cell) else f"received {str(cell)!r}",
            "a date with a time of day as in ISO 8601 (2026-05-04T10:00:00.250), or a time of day in every row",
            "repair or delete these rows",
        )
    return moments.as_unit("ns").asi8


def _unwrapped(table: Table, column: str, values: Array, findings: list[str]) -> Array:
    """Undo the run-over of a counter where it is certain: whole numbers that fall from the end of a range of bits."""
    fall = np.flatnonzero(np.diff(values) < 0.0)
    if not fall.size or np.any(values != np.round(values)):
        return values
    step = np.diff(values)
    near = _END_STEPS * float(np.median(step))
    for bits in _COUNTERS:
        for bottom in (0.0, -(2.0 ** (bits - 1))):
            top = bottom + 2.0**bits
            inside = values.min() >= bottom and values.max() < top
            if inside and np.all(values[fall] > top - near) and np.all(values[fall + 1] < bottom + near):
                findings.append(
                    f"{table.place(column)}: a counter of {bits} bits ran over {fall.size} time(s) and was continued"
                )
                turns = np.zeros(values.size)
                turns[fall + 1] = 2.0**bits
                return values + np.cumsum(turns)
    return values
