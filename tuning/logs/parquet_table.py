"""Parquet as a table of cells."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path as FilePath

import pandas as pd

from tracks.errors import FileError
from tuning.logs.table import Table

__all__ = ["read_parquet_table"]


def read_parquet_table(path: FilePath, names: Iterable[str] = ()) -> list[Table]:
    """Read a Parquet file.

    Returns:
        One table, whose rows are named by their number from 1 ("row 12").

    Raises:
        FileError: missing, a folder, or not a Parquet file.
    """
    import pyarrow  # slow to import, and logs are mostly CSV

    if path.is_dir():
        raise FileError(path, "", "is a folder", "a drive log (Parquet)", "name a file inside it")
    try:
        table = pd.read_parquet(path)
    except FileNotFoundError:
        raise FileError(path, "", "the file does not exist", "a drive log", "check the name") from None
    except (pyarrow.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0]
        raise FileError(
            path, "", f"is not a readable Parquet file ({reason})", "a Parquet table", "export the log again"
        ) from None
    if (
        table.index.name is not None
    ):  # pandas keeps a named index, as a clock often is, apart from the columns
        table = table.reset_index()
    table.columns = [str(name) for name in table.columns]
    table = table.reset_index(drop=True)
    return [Table(path, tuple(table.columns), table, lambda row: f"row {row + 1}")]
