"""Margins in tables: one row a loop, columns with units, files for others to read."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tracks.file_access import make_folder, write_atomically

if TYPE_CHECKING:
    import pandas as pd

    from tuning.stability.margins import Margins

__all__ = ["COLUMNS", "columns_of", "write_table"]

Array = NDArray[np.float64]

# What stands in a table beside what was varied: the name in files, with the unit behind it.
COLUMNS = {
    "gain_margin": "gain_margin_dB",
    "gain_reduction": "gain_reduction_dB",
    "phase_margin": "phase_margin_deg",
    "delay_margin": "delay_margin_s",
    "disk_margin": "disk_margin",
    "modulus_margin": "modulus_margin",
    "crossover": "crossover_rad_s",
    "radius": "pole_radius",
    "lateral_error": "steady_lateral_error_m",
    "stable": "stable",
}


def columns_of(found: list[Margins]) -> dict[str, Array]:
    """Give the margins of several loops by name, arrays of shape (len(found),)."""
    rows = [margins.as_dict() for margins in found]
    return {name: np.array([row[name] for row in rows], dtype=float) for name in COLUMNS}


def write_table(table: pd.DataFrame, folder: str | FilePath, name: str) -> list[FilePath]:
    """Write a table as CSV and Parquet, each whole or not at all; give the files."""
    import io

    target = FilePath(folder)
    make_folder(target)
    stream = io.BytesIO()
    table.to_parquet(stream, index=False)
    files = [target / f"{name}.csv", target / f"{name}.parquet"]
    write_atomically(files[0], table.to_csv(index=False, lineterminator="\n"))
    write_atomically(files[1], stream.getvalue())
    return files
