"""The demo's files, where they are and what the shuttle's owner knows from its data sheet."""

from __future__ import annotations

from pathlib import Path as FilePath

from tracks.file_access import read_toml

__all__ = ["CHANNELS", "DATA", "FIT_LOGS", "KNOWN", "VALIDATION_LOGS", "known"]

DATA = FilePath(__file__).resolve().parent / "data"
CHANNELS = DATA / "channels.toml"
KNOWN = DATA / "shuttle_known.toml"
FIT_LOGS = tuple(DATA / name for name in ("steering_steps.csv", "steering_sweep.csv", "speed_steps.parquet"))
VALIDATION_LOGS = (DATA / "free_driving.csv",)


def known() -> dict[str, float]:
    """Give what the data sheet says: wheelbase, front_axle_distance and width in m, mass in kg."""
    table = read_toml(KNOWN, "file of known values", "lines such as wheelbase = 3.4")
    return {name: float(value) for name, value in table.items()}
