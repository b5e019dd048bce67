"""Where a quantity stands: table, column, unit, clock. What channel file and log say of it must agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from fnmatch import fnmatch
from pathlib import Path as FilePath

import numpy as np

from tracks.errors import FileError, InputError
from tuning.logs.channel import Channel, conversion
from tuning.logs.channels import Channels
from tuning.logs.table import Table, bracketed_unit
from tuning.logs.units import NO_UNIT, any_unit, factor_of

__all__ = ["Place", "place_of"]

_SHOWN = 40  # names of columns in a message
_NOT_A_UNIT = ("", "-", "--", "1", "none", "n/a")  # what files write for a number without a unit


@dataclass(frozen=True, eq=False)
class Place:
    """Where one quantity stands.

    Attributes:
        table, column: its column.
        unit: of the column.
        factor: from the column's number to SI, scale included.
        clock: the column of its time stamps, in the same table.
        clock_factor: of the clock's unit, s; None without a unit, as for dates.
        clock_scale: what the clock is multiplied by first.
        clock_offset: s to add.
    """

    table: Table
    column: str
    unit: str
    factor: float
    clock: str
    clock_factor: float | None
    clock_scale: float
    clock_offset: float


def place_of(tables: Sequence[Table], quantity: str, channel: Channel, channels: Channels) -> Place:
    """Find a quantity in the tables of a log.

    Raises:
        FileError: no column, or several, of that name; no unit, one that does not fit, or two that contradict; no clock.
    """
    files = list(dict.fromkeys(table.file for table in tables))
    chosen = [file for file in files if _is_named(file, channel.file)]
    if not chosen:
        names = ", ".join(file.name for file in files)
        raise FileError(
            files[0], "", f"is not the file {channel.file!r} of {quantity}", f"one of {names}", "correct file"
        )
    among = [table for table in tables if table.file in chosen]
    matches = [(table, column) for table in among for column in table.find(channel.column)]
    if len(matches) != 1:
        raise _no_column(among, matches, channel.column, quantity)
    table, column = matches[0]
    unit = _unit(table, column, quantity, channel)
    try:
        factor = conversion(quantity, channel, unit)
    except InputError as error:
        remedy = f"{error.remedy}, as unit of [{quantity}] in the channel file"
        raise FileError(table.file, table.place(column), error.what, error.expected, remedy) from None
    clock = _clock(table, quantity, channel, channels)
    return Place(table, column, unit, factor, *clock, channel.clock_offset)


def _is_named(file: FilePath, pattern: str) -> bool:
    return pattern in file.name or fnmatch(file.name, pattern)


def _said_unit(table: Table, column: str) -> str:
    """Give the unit that the file names for a column; empty where it names none."""
    said = table.units.get(column, "").strip()
    if said.lower() not in _NOT_A_UNIT:
        return said
    _, bracketed, certain = bracketed_unit(column)
    # What stands in round brackets may be anything: "yaw rate (filtered)".
    known = bracketed.lower() not in _NOT_A_UNIT and (certain or any_unit(bracketed))
    return bracketed if known else ""


def _unit(table: Table, column: str, quantity: str, channel: Channel) -> str:
    """Give the unit of a column, by the channel file or else by the log; raise `FileError` where they contradict."""
    said = _said_unit(table, column)
    if channel.unit is None:
        return said or NO_UNIT
    if said and any_unit(said) and not _alike(quantity, channel, channel.unit, said):
        raise FileError(
            table.file,
            table.place(column),
            f"is in {said!r}, but the channel file gives {quantity} the unit {channel.unit!r}",
            "one unit",
            "correct the unit in the channel file, or leave it out to take the log's",
        )
    return channel.unit


def _alike(quantity: str, channel: Channel, unit: str, other: str) -> bool:
    try:
        factors = [conversion(quantity, channel, one) for one in (unit, other)]
    except InputError:
        return False
    kinds = {factor_of("angle", one) is None for one in (unit, other)}
    return len(kinds) == 1 and bool(np.isclose(*factors, rtol=1e-6, atol=0.0))


def _clock(
    table: Table, quantity: str, channel: Channel, channels: Channels
) -> tuple[str, float | None, float]:
    """Give column, factor and scale of the clock of a quantity: its own, that of [time], or that of the table."""
    if channel.time:
        found = table.find(channel.time)
        if len(found) != 1:
            raise _no_column(
                [table], [(table, name) for name in found], channel.time, f"the time of {quantity}"
            )
        unit = channel.time_unit or _said_unit(table, found[0])
        if not unit and channels.time is not None:
            unit = channels.time.unit or ""
        return found[0], factor_of("time", unit) if unit else None, 1.0
    if channels.time is not None:
        found = table.find(channels.time.column)
        if len(found) == 1:
            unit = _unit(table, found[0], "time", channels.time)
            return found[0], factor_of("time", unit) if unit else None, channels.time.scale
        if found or not table.clock:
            raise _no_column([table], [(table, name) for name in found], channels.time.column, "time")
    if not table.clock:
        raise FileError(
            table.file,
            "",
            "has no clock of its own, and the channel file has no [time] table (time is missing)",
            "the column of the time stamps",
            f"add [time] to the channel file, or time = ... to [{quantity}]",
        )
    return table.clock, factor_of("time", table.units[table.clock]), 1.0


def _no_column(
    tables: Sequence[Table], matches: Sequence[tuple[Table, str]], column: str, quantity: str
) -> FileError:
    """Say that a column is not there, or that there are several of that name."""
    if matches:
        places = list(dict.fromkeys(f"{table.file.name}: {table.prefix}{name}" for table, name in matches))
        if len(places) == 1:
            return FileError(
                matches[0][0].file,
                f"column {column!r}",
                f"stands {len(matches)} times in the header",
                "one column of that name",
                "rename the columns",
            )
        return FileError(
            matches[0][0].file,
            f"column {column!r}",
            f"is not the only one for {quantity}: {', '.join(places[:_SHOWN])}",
            "one column",
            "write the column's full name in the channel file, or name its file there",
        )
    names = [f"{table.prefix}{name}" for table in tables for name in table.columns or ("...",)]
    bare = {name.removeprefix(table.prefix): name for table in tables for name in table.columns}
    near = get_close_matches(column, [*names, *bare], n=1, cutoff=0.5)
    hint = f"did you mean {near[0]!r}? else " if near else ""
    shown = ", ".join(repr(name) for name in names[:_SHOWN])
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    files = list(dict.fromkeys(table.file for table in tables))
    others = f" (nor in {', '.join(file.name for file in files[1:])})" if len(files) > 1 else ""
    return FileError(
        files[0],
        f"column {column!r}",
        f"is not in the file{others}, but the channel file takes {quantity} from it",
        f"one of the columns {shown}{more}",
        f"{hint}correct the channel file",
    )
