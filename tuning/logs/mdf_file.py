"""ASAM MDF (versions 3 and 4) as tables: one a channel group, each with the clock of its group.

Values come converted as the file says; a reading that the file marks as invalid is missing.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pandas as pd

from tracks.errors import FileError
from tuning.logs.extras import check_file, needed
from tuning.logs.table import Table

__all__ = ["read_mdf_file"]

_CLOCK = "time"  # what the clock of a group is called here; its name in the file is the tool's choice


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
    try:
        with asammdf.MDF(content) as mdf:
            wanted = list(names)
            return [_group(path, mdf, number, wanted) for number in range(len(mdf.groups))]
    # A damaged file breaks the library at many places; asammdf's own error is no subclass of another.
    except (
        asammdf.blocks.utils.MdfException,
        ValueError,
        LookupError,
        OSError,
        TypeError,
        AttributeError,
    ) as error:
        if isinstance(error, FileError):
            raise
        reason = " ".join(str(error).split())[:80]
        raise FileError(
            path, "", f"is not a readable MDF file ({reason})", "ASAM MDF 3 or 4", "export the log again"
        ) from None


def _group(path: FilePath, mdf: Any, number: int, wanted: list[str]) -> Table:
    group = mdf.groups[number]
    name = str(getattr(group.channel_group, "acq_name", "") or number)
    master = mdf.masters_db.get(number)
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
        cells[_CLOCK] = pd.Series(signal.timestamps)
    start = mdf.header.start_time
    return Table(
        path,
        (*columns, _CLOCK),
        cells,
        lambda row: f"group {name}, reading {row + 1}",
        prefix=f"{name}/",
        units=units,
        clock=_CLOCK,
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
