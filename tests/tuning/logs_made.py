"""Logs of known content, written by general libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from tuning.logs import Channels, Log, read_log

COUNT = 40
TIME = 0.01 * np.arange(COUNT)
SPEED = 36.0 + 0.25 * np.arange(COUNT)  # km/h
TURN = -3.0 + 0.125 * np.arange(COUNT)  # deg/s

CHANNELS = {
    "time": {"column": "t", "unit": "s"},
    "speed": {"column": "v", "unit": "km/h"},
    "yaw_rate": {"column": "w", "unit": "deg/s"},
}


def frame(**columns) -> pd.DataFrame:
    """The known drive as a table: t, v, w, and others."""
    return pd.DataFrame({"t": TIME, "v": SPEED, "w": TURN, **columns})


def read(path: Path | list[Path], **channels) -> Log:
    """Read with the usual channels, those given replaced or, by None, left out."""
    merged = {**CHANNELS, **channels}
    return read_log(path, Channels.model_validate({k: v for k, v in merged.items() if v is not None}))


def check_known(log: Log) -> None:
    """The log is the known drive in SI units."""
    np.testing.assert_allclose(log["time"], TIME, atol=1e-12)
    np.testing.assert_allclose(log["speed"], SPEED / 3.6, rtol=1e-12)
    np.testing.assert_allclose(log["yaw_rate"], np.radians(TURN), rtol=1e-12, atol=1e-15)
