"""Reading a drive log: tables from files, the mapped columns as readings in SI units, one strictly increasing clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path as FilePath

import numpy as np

from tracks.errors import FileError, InputError
from tuning.logs.channels import Channels
from tuning.logs.clock import Clock, read_clock
from tuning.logs.csv_table import read_csv_table
from tuning.logs.log import Log
from tuning.logs.mcap_file import read_mcap_file
from tuning.logs.mdf_file import read_mdf_file
from tuning.logs.merging import Series, merged
from tuning.logs.parquet_table import read_parquet_table
from tuning.logs.places import Place, place_of
from tuning.logs.table import Table, numbers
from tuning.logs.units import NO_UNIT, QUANTITIES, factor_of

__all__ = ["MINIMUM_ROWS", "TABLE_READERS", "read_log"]

# Fewer samples than this hold no motion worth fitting; it also catches a file that is only a header.
MINIMUM_ROWS = 10

# Suffix -> reader of a file into tables, given the names that the channel file asks for.
TableReader = Callable[[FilePath, Iterable[str]], list[Table]]
TABLE_READERS: dict[str, TableReader] = {
    ".csv": read_csv_table,
    ".txt": read_csv_table,
    ".tsv": read_csv_table,
    ".parquet": read_parquet_table,
    ".mf4": read_mdf_file,
    ".mdf": read_mdf_file,
    ".dat": read_mdf_file,
    ".mcap": read_mcap_file,
}


def read_log(path: str | FilePath | Sequence[str | FilePath], channels: str | FilePath | Channels) -> Log:
    """Read a drive log and give it in SI units on one clock that starts at 0.

    Args:
        path: a CSV, Parquet, MDF (.mf4, .mdf, .dat) or MCAP file, or the files of one drive.
        channels: the channel file (TOML), or `Channels`.

    Returns:
        The log. Where its quantities have several clocks, or lack readings in some rows, its clock is the union of all
        stamps, and `fresh` says at which samples a quantity was read; between them it is held. Whatever was merged,
        sorted, continued, left out or guessed is said in `findings`, as are gaps of the clock.

    Raises:
        FileError: a file is missing or malformed, lacks a mapped column, holds a cell that is no finite number or a
            unit that contradicts the channel file, has a clock that runs backwards or cannot be in its unit, or has
            too few rows. Names file, line or row, column and remedy.
        InputError: no file was given, or the clocks of several have no time in common.
    """
    files = [FilePath(path)] if isinstance(path, str | FilePath) else [FilePath(one) for one in path]
    if not files:
        raise InputError("read_log was given no file", "one or more files of a drive", "name a file")
    mapped = channels if isinstance(channels, Channels) else Channels.load(channels)
    tables = [table for file in files for table in _tables(file, mapped)]
    findings = list(dict.fromkeys(text for table in tables for text in table.findings))
    series = _series(tables, mapped, findings)
    return _with_gaps_said(_log(files, series, findings))


def _tables(file: FilePath, mapped: Channels) -> list[Table]:
    reader = TABLE_READERS.get(file.suffix.lower())
    if reader is None:
        known = ", ".join(TABLE_READERS)
        raise FileError(file, "", f"has the suffix {file.suffix!r}", f"a log as {known}", "convert the log")
    names = [name for _, channel in mapped.items() for name in (channel.column, channel.time) if name]
    tables = reader(file, names)
    if not tables:
        raise FileError(file, "", "holds no channel and no topic", "a drive log", "record or export it again")
    return tables


def _series(tables: Sequence[Table], mapped: Channels, findings: list[str]) -> list[tuple[Series, Place]]:
    """Read each mapped quantity with its clock; quantities of one table and time column share one."""
    clocks: dict[tuple[int, str, float | None, float], Clock] = {}
    found: list[tuple[Series, Place]] = []
    places = [
        (name, place_of(tables, name, channel, mapped)) for name, channel in mapped.items() if name != "time"
    ]
    for name, place in places:
        values = numbers(place.table, place.column) * place.factor
        if values.size == 0:
            raise _too_few([place.table.file], 0)
        key = (id(place.table), place.clock, place.clock_factor, place.clock_offset)
        if key not in clocks:
            own: list[str] = []
            clocks[key] = read_clock(
                place.table, place.clock, place.clock_factor, place.clock_scale, place.clock_offset, own
            )
            several = len({table.file for table in tables}) > 1
            findings += [f"{place.table.file.name}: {text}" if several else text for text in own]
        found.append((Series(name, clocks[key], clocks[key].placed(values)), place))
    if not found:
        raise InputError(
            "the channel file maps no quantity beside time", "one table a quantity", "add [speed] and others"
        )
    return found


def _log(files: Sequence[FilePath], found: Sequence[tuple[Series, Place]], findings: list[str]) -> Log:
    series = [one for one, _ in found]
    clock = series[0].clock
    name = "+".join(file.name for file in files)
    units = {one.quantity: place.unit for one, place in found}
    angle = factor_of("angle", units.get("steering_command", NO_UNIT)) is not None
    if all(one.clock is clock and not np.isnan(one.values).any() for one in series):
        data = {"time": clock.stamps, **{one.quantity: one.values for one in series}}
        fresh, origin = {}, clock.origin
        if clock.stamps.size < MINIMUM_ROWS:
            raise _too_few(files, clock.stamps.size)
    else:
        data, fresh, origin = merged(series, findings)
        if data["time"].size < MINIMUM_ROWS:
            raise _too_few(files, data["time"].size)
    ordered = {quantity: data[quantity] for quantity in QUANTITIES if quantity in data}
    return Log(name, ordered, "rad" if angle else None, origin / 1e9, tuple(dict.fromkeys(findings)), fresh)


def _too_few(files: Sequence[FilePath], rows: int) -> FileError:
    return FileError(
        files[0],
        "",
        f"has {rows} usable rows",
        f"{MINIMUM_ROWS} or more",
        "record a longer drive, or check that the file is whole",
    )


def _with_gaps_said(log: Log) -> Log:
    if not log.gaps:
        return log
    at = np.array(log.gaps)
    longest = float(np.max(log["time"][at] - log["time"][at - 1]))
    text = f"the clock has {len(log.gaps)} gap(s), the longest {longest:.3g} s; the log is cut there"
    return Log(log.name, log.data, log.steering_unit, log.start, (*log.findings, text), log.fresh)
