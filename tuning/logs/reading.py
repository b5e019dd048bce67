"""Reading a drive log: a table from a file, its mapped columns as numbers, one strictly increasing clock."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracks.errors import FileError, InputError
from tuning.logs.channels import Channels
from tuning.logs.csv_table import read_csv_table
from tuning.logs.log import Log
from tuning.logs.parquet_table import read_parquet_table
from tuning.logs.units import to_si

__all__ = ["MINIMUM_ROWS", "TABLE_READERS", "read_log"]

# Fewer samples than this hold no motion worth fitting; it also catches a file that is only a header.
MINIMUM_ROWS = 10

# s. Steering answers within tenths of a second; a clock this slow is one in another unit than its label says.
_SLOWEST_STEP = 1.0

# Suffix -> reader of a whole table. A reader gives the table and a function: row -> where that row stands in the file.
TableReader = Callable[[FilePath], tuple[pd.DataFrame, Callable[[int], str]]]
TABLE_READERS: dict[str, TableReader] = {
    ".csv": read_csv_table,
    ".txt": read_csv_table,
    ".parquet": read_parquet_table,
}


def read_log(path: str | FilePath, channels: str | FilePath | Channels) -> Log:
    """Read a drive log and give it in SI units on one clock that starts at 0.

    Args:
        path: a CSV (`#` starts a comment; comma, semicolon or tab) or Parquet file with one row a sample.
        channels: the channel file (TOML), or `Channels`.

    Returns:
        The log. Rows that repeat a time stamp (as loggers that sample and hold write) are merged, the last one kept,
        and an unfinished last row is dropped; both are said in `findings`, as are gaps of the clock.

    Raises:
        FileError: the file is missing or malformed, lacks a mapped column, holds a cell that is not a finite number,
            has a clock that runs backwards or ticks slower than once a second, or has too few rows. Names file, line or row, column and remedy.
    """
    file = FilePath(path)
    mapped = channels if isinstance(channels, Channels) else Channels.load(channels)
    reader = TABLE_READERS.get(file.suffix.lower())
    if reader is None:
        known = ", ".join(TABLE_READERS)
        raise FileError(file, "", f"has the suffix {file.suffix!r}", f"a log as {known}", "convert the log")
    table, where = reader(file)
    _check_columns(file, table, mapped)
    table = table.loc[:, [channel.column for _, channel in mapped.items()]]
    findings: list[str] = []
    table = _without_unfinished_row(table, where, findings)
    data = {
        quantity: _numbers(file, table, channel.column, where)
        * (channel.scale * _factor(quantity, channel.unit))
        for quantity, channel in mapped.items()
    }
    keep = _clock(file, data["time"], mapped.time.column, where, findings)
    if np.count_nonzero(keep) < MINIMUM_ROWS:
        raise FileError(
            file,
            "",
            f"has {np.count_nonzero(keep)} usable rows",
            f"{MINIMUM_ROWS} or more",
            "record a longer drive, or check that the file is whole",
        )
    _check_step(file, data["time"][keep], mapped.time.column)
    steering = mapped.steering_command
    unit = "rad" if steering is not None and steering.unit else None
    log = Log(file.name, {name: values[keep] for name, values in data.items()}, unit, 0.0, tuple(findings))
    return _with_gaps_said(log)


def _factor(quantity: str, unit: str) -> float:
    factor = to_si(quantity, unit)
    if factor is None:  # Channels refuses such a unit when constructed
        raise InputError(f"{quantity} has unit {unit!r}", "a unit that fits", "correct the channel file")
    return factor


def _check_columns(file: FilePath, table: pd.DataFrame, mapped: Channels) -> None:
    names = [str(name) for name in table.columns]
    for quantity, channel in mapped.items():
        count = names.count(channel.column)
        if count == 1:
            continue
        if count > 1:
            raise FileError(
                file,
                f"column {channel.column!r}",
                f"stands {count} times in the header",
                "one column of that name",
                "rename the columns",
            )
        near = get_close_matches(channel.column, names, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]!r}? else " if near else ""
        raise FileError(
            file,
            f"column {channel.column!r}",
            f"is not in the file, but the channel file takes {quantity} from it",
            f"one of the columns {', '.join(repr(name) for name in names)}",
            f"{hint}correct the channel file",
        )


def _without_unfinished_row(
    table: pd.DataFrame, where: Callable[[int], str], findings: list[str]
) -> pd.DataFrame:
    """Drop a last row with empty cells: what a logger leaves that lost its power while writing."""
    if len(table) and table.iloc[-1].isna().any():
        findings.append(f"{where(len(table) - 1)}: the last row is unfinished and was dropped")
        return table.iloc[:-1]
    return table


def _numbers(
    file: FilePath, table: pd.DataFrame, column: str, where: Callable[[int], str]
) -> NDArray[np.float64]:
    """Give a column as finite float64, or raise `FileError` at its first bad cell."""
    cells = table[column]
    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        raise FileError(
            file, f"column {column!r}", "holds dates", "numbers", "export the clock as seconds or ns"
        )
    numbers = np.array(pd.to_numeric(cells, errors="coerce"), dtype=np.float64)
    bad = np.flatnonzero(~np.isfinite(numbers))
    if bad.size:
        row = int(bad[0])
        cell: Any = cells.iloc[row]
        received = "an empty cell" if pd.isna(cell) or str(cell).strip() == "" else repr(str(cell))
        count = f" ({bad.size} such cells in this column)" if bad.size > 1 else ""
        raise FileError(
            file,
            f"{where(row)}, column {column!r}",
            f"received {received}{count}",
            "a finite number, with a point for decimals",
            "repair these cells or delete their rows",
        )
    return numbers


def _clock(
    file: FilePath,
    time: NDArray[np.float64],
    column: str,
    where: Callable[[int], str],
    findings: list[str],
) -> NDArray[np.bool_]:
    """Say which rows to keep so that the clock increases strictly; the last of equal stamps holds the newest values."""
    step = np.diff(time)
    back = np.flatnonzero(step < 0.0)
    if back.size:
        row = int(back[0]) + 1
        raise FileError(
            file,
            f"{where(row)}, column {column!r}",
            f"time runs backwards, from {time[row - 1]:.9g} to {time[row]:.9g} s",
            "rows in the order of time",
            "sort the rows, or split the file where the clock was reset",
        )
    keep = np.append(step > 0.0, True) if time.size else np.zeros(0, dtype=bool)
    repeated = int(time.size - np.count_nonzero(keep))
    if repeated:
        findings.append(
            f"{repeated} of {time.size} rows repeat a time stamp and were merged (the last row of each stamp kept)"
        )
    return keep


def _check_step(file: FilePath, time: NDArray[np.float64], column: str) -> None:
    """Raise `FileError` where the clock ticks too slowly to be in the unit that it is said to be in."""
    step = float(np.median(np.diff(time)))
    if step > _SLOWEST_STEP:
        raise FileError(
            file,
            f"column {column!r}",
            f"the median step of time is {step:.4g} s",
            f"below {_SLOWEST_STEP:g} s",
            "correct the unit of [time] in the channel file, as ms, or record more often",
        )


def _with_gaps_said(log: Log) -> Log:
    if not log.gaps:
        return log
    longest = float(np.max(np.diff(log["time"])))
    text = f"the clock has {len(log.gaps)} gap(s), the longest {longest:.3g} s; the log is cut there"
    return Log(log.name, log.data, log.steering_unit, log.start, (*log.findings, text))
