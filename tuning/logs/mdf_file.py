"""ASAM MDF (versions 3 and 4) as tables: one a channel group, each with the clock of its group.

Values come converted as the file says; a reading that the file marks as invalid is missing.
"""

from __future__ import annotations

import gc
import io
import logging
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pandas as pd

from tracks.errors import FileError
from tuning.logs.extras import DAMAGE, check_file, needed
from tuning.logs.table import Table

__all__ = ["read_mdf_file"]

_CLOCK = "time"  # what the clock of a group is called here; its name in the file is the tool's choice

_TIME = 1  # the type of a master channel that is a time (ASAM MDF 4, cn_sync_type)


def read_mdf_file(path: FilePath, names: Iterable[str]) -> list[Table]:
    """Read the channels of these names, and the clocks of their groups, from an MDF file.

    Args:
        path: the file.
        names: channels, or group/channel with the group's name or its number from 0.

    Raises:
        FileError: missing, not MDF, or the extra `mdf` is not installed.
    """
    check_file(path, "MDF")
    asammdf = needed(path, "asammdf", "mdf")
    content = io.BytesIO(
        path.read_bytes()
    )  # a file of its own would stay open where the library finds a fault
    wanted, reason = list(names), ""
    with _listening() as complaints:
        try:
            with asammdf.MDF(content) as mdf:
                tables = [_group(path, mdf, number, wanted) for number in range(len(mdf.groups))]
            said = tuple(f"{path.name} is damaged in part: {text}" for text in complaints[:1])
            return [replace(table, findings=said) for table in tables]
        except (asammdf.blocks.utils.MdfException, *DAMAGE) as error:
            reason = " ".join(f"{type(error).__name__} {error}".split())[:80]
            complaints.append(reason)
    raise FileError(
        path, "", f"is not a readable MDF file ({reason})", "ASAM MDF 3 or 4", "export the log again"
    )


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Collect what the library logs, and keep quiet what its half-made objects print when they are dropped."""
    complaints: list[str] = []
    logger = logging.getLogger("asammdf")
    handler = logging.Handler()
    handler.emit = lambda record: complaints.append(record.getMessage())
    handlers, logger.handlers, propagated, logger.propagate = (
        logger.handlers,
        [handler],
        logger.propagate,
        False,
    )
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        yield complaints
    finally:
        if complaints:
            gc.collect()  # so that they are dropped now
        sys.unraisablehook = hook
        logger.handlers, logger.propagate = handlers, propagated


def _group(path: FilePath, mdf: Any, number: int, wanted: list[str]) -> Table:
    group = mdf.groups[number]
    name = str(getattr(group.channel_group, "acq_name", "") or number)
    master = mdf.masters_db.get(number)
    # The master of a group may be an angle or a way as well, or be missing: then the rows have no clock.
    timed = master is not None and getattr(group.channels[master], "sync_type", _TIME) == _TIME
    columns = [channel.name for index, channel in enumerate(group.channels) if index != master]
    cells: dict[str, pd.Series] = {}
    units: dict[str, str] = {_CLOCK: "s"}
    for index, channel in enumerate(group.channels):
        asked = channel.name in wanted or any(f"{g}/{channel.name}" in wanted for g in (name, number))
        if index == master or not asked:
            continue
        signal = mdf.get(group=number, index=index, ignore_invalidation_bits=True)
        cells[channel.name] = _readings(signal)
        units[channel.name] = signal.unit or ""
        if timed:
            cells[_CLOCK] = pd.Series(signal.timestamps)
    start = mdf.header.start_time
    return Table(
        path,
        (*columns, *([_CLOCK] if timed else [])),
        cells,
        lambda row: f"group {name}, reading {row + 1}",
        prefix=f"{name}/",
        alias=f"{number}/",
        units=units,
        clock=_CLOCK if timed else "",
        epoch_ns=pd.Timestamp(start).value if start is not None else 0,
    )


def _readings(signal: Any) -> pd.Series:
    samples = signal.samples
    if samples.ndim != 1 or samples.dtype.fields:
        samples = np.array([str(sample) for sample in samples])  # an array or a structure is no reading
    elif samples.dtype.kind == "S":
        samples = np.char.decode(samples, "latin-1")
    cells = pd.Series(samples)
    bad = signal.invalidation_bits
    return cells if bad is None else cells.mask(np.asarray(bad, dtype=bool))
