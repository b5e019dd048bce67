"""Studies in a folder: two Parquet tables, and a JSON file that is written last and vouches for them."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, JsonValue, ValidationError

from tracker import Gain, Law
from tracker.parameters import as_json, check_format, document, law_from, read_json
from tracks.errors import FileError
from tracks.file_access import make_folder, write_atomically
from tracks.validation import file_error
from tuning.measures import Limits
from tuning.search.space import Space
from tuning.search.study import Study
from tuning.simulation import Scenario

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["read_study", "write_study"]

FORMAT, VERSION = "pathtrim-study", 1
CONTENT, CANDIDATES, USAGE = "study.json", "candidates.parquet", "usage.parquet"


class _Gain(BaseModel):
    model_config = ConfigDict(extra="forbid")

    low: float
    high: float
    logarithmic: bool
    unit: str
    meaning: str


class _Content(BaseModel):
    model_config = ConfigDict(extra="forbid")

    format: str
    version: int
    vehicle: str
    seed: int
    tracks: tuple[str, ...]
    scenarios: tuple[Scenario, ...]
    limits: Limits
    gains: dict[str, _Gain]
    best_index: int
    parameters: dict[str, JsonValue]
    tables: dict[str, str]


def write_study(study: Study, directory: str | FilePath) -> None:
    """Write a study; the same study gives the same bytes."""
    tables = {CANDIDATES: _parquet(study.candidates), USAGE: _parquet(study.usage)}
    content = {
        "format": FORMAT,
        "version": VERSION,
        "vehicle": study.vehicle,
        "seed": study.seed,
        "tracks": list(study.tracks),
        "scenarios": [scenario.model_dump(mode="json") for scenario in study.scenarios],
        "limits": study.limits.model_dump(mode="json"),
        "gains": Space(study.gains).described(),
        "best_index": study.best_index,
        "parameters": document(study.best, provenance=study.provenance()),
        "tables": {name: hashlib.sha256(data).hexdigest() for name, data in tables.items()},
    }
    text = as_json(content)
    folder = make_folder(directory)
    for name, data in tables.items():
        write_atomically(folder / name, data)
    write_atomically(folder / CONTENT, text)


def read_study(directory: str | FilePath, laws: Mapping[str, type[Law]] | None = None) -> Study:
    """Read a study; tables that are not those the JSON file was written with are refused."""
    folder = FilePath(directory)
    file = folder / CONTENT
    raw = read_json(file, "study")
    check_format(raw, FORMAT, VERSION, file)
    try:
        content = _Content.model_validate(raw)
    except ValidationError as error:
        raise file_error(file, error) from None
    candidates, usage = (_table(folder / name, content.tables.get(name)) for name in (CANDIDATES, USAGE))
    if not 0 <= content.best_index < len(candidates):
        raise FileError(
            file, "best_index", f"received {content.best_index}", f"a row of {len(candidates)} candidates",
            "run the tuning again",
        )  # fmt: skip
    return Study(
        best=law_from(raw["parameters"], file, laws, "parameters"),
        candidates=candidates,
        usage=usage,
        best_index=content.best_index,
        gains={name: Gain(**gain.model_dump()) for name, gain in content.gains.items()},
        limits=content.limits,
        scenarios=content.scenarios,
        tracks=content.tracks,
        seed=content.seed,
        vehicle=content.vehicle,
    )


def _parquet(table: pd.DataFrame) -> bytes:
    stream = io.BytesIO()
    table.to_parquet(stream, index=False)
    return stream.getvalue()


def _table(file: FilePath, digest: str | None) -> Any:
    import pandas as pd

    try:
        data = file.read_bytes()
    except OSError as error:
        raise FileError(
            file, "", f"cannot be read ({error.strerror})", "a table of the study", "run the tuning again"
        ) from None
    if hashlib.sha256(data).hexdigest() != digest:
        raise FileError(
            file, "", f"is not the table that {CONTENT} was written with", "the three files of one study",
            "restore them together, or run the tuning again",
        )  # fmt: skip
    return pd.read_parquet(io.BytesIO(data))
