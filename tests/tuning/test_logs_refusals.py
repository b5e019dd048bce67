"""A malformed log or channel file is refused with file, line or table, reason and remedy."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from tracks.errors import FileError
from tuning.logs import Channels, read_log

GOOD = "[time]\ncolumn = 't'\nunit = 's'\n[speed]\ncolumn = 'v'\nunit = 'm/s'\n"
HEADER = "t,v,w"
ROWS = [f"{0.1 * i:.1f},{i},0" for i in range(15)]


def refused(tmp_path, lines, channels=GOOD, name="drive.csv"):
    """The message with which a log is refused."""
    (tmp_path / "channels.toml").write_text(channels, encoding="utf-8")
    (tmp_path / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(FileError) as error:
        read_log(tmp_path / name, tmp_path / "channels.toml")
    return str(error.value)


def changed(row: int, text: str) -> list[str]:
    """The good log with one row replaced; row 0 stands on line 2."""
    lines = list(ROWS)
    lines[row] = text
    return [HEADER, *lines]


@pytest.mark.parametrize(
    ("lines", "parts"),
    [
        ([], ["is empty"]),
        (["# only", "# comments"], ["is empty"]),
        ([HEADER], ["0 usable rows", "10 or more"]),
        ([HEADER, *ROWS[:5]], ["5 usable rows"]),
        (changed(4, "0.4,fast,0"), ["line 6, column 'v'", "'fast'", "a finite number"]),
        (changed(4, ",4,0"), ["line 6, column 't'", "an empty cell", "a time stamp in every row"]),
        (changed(4, "0.4,4"), ["line 6", "2 cells, the header has 3"]),
        ([HEADER, *(f"{0.1 * i:.1f},,0" for i in range(15))], ["column 'v'", "is empty in every row"]),
        (changed(4, "0.4,inf,0"), ["line 6, column 'v'", "inf"]),
        (["# c", "", *changed(4, "0.4,1.2.3,0")], ["line 8, column 'v'", "'1.2.3'"]),
        (changed(4, "0.25,1,0"), ["line 6, column 't'", "backwards, from 0.3 to 0.25 s", "sort the rows"]),
        (changed(4, "0.4,1,0,7"), ["line 6", "4 cells, the header has 3"]),
        (["t,vel,w", *ROWS], ["column 'v'", "not in the file", "'t', 'vel', 'w'", "did you mean 'vel'?"]),
        (["t,v,v", *ROWS], ["column 'v'", "stands 2 times"]),
        (["t;v;w", *(f"{i};{i + 1},000;0" for i in range(15))], ["line 2", "may be decimals or thousands"]),
        (["t;v;w", *(f"{0.1 * i:.1f};1,{i:03d}.5;0" for i in range(15))], ["decimals or thousands"]),
        (["t;v;w", *(f"{i},5;1.{i:03d},5;0" for i in range(15))], ["line 2, column 'v'", "'1.000,5'"]),
        ([HEADER, *(f"{0.1 * i:.1f},{i},0".replace(".", ",") for i in range(15))], ["decimals have a comma"]),
    ],
)  # fmt: skip
def test_a_malformed_csv_is_refused_by_place(tmp_path, lines, parts):
    """Each fault is named with the file and its line and column as an editor counts them."""
    message = refused(tmp_path, lines)
    assert message.startswith(str(tmp_path / "drive.csv"))
    for part in parts:
        assert part in message


@pytest.mark.parametrize(
    ("channels", "parts"),
    [
        ("[time\n", ["line 1: is not TOML", "one table a quantity"]),
        (GOOD.replace("[speed]", "[sped]"), ["unknown quantity 'sped'", "did you mean speed?"]),
        (GOOD.replace("m/s", "rad"), ["speed has unit 'rad'", "m/s, km/h, mph"]),
        (GOOD.replace("m/s", "kmh"), ["speed has unit 'kmh'", "did you mean 'km/h'?"]),
        (GOOD.replace("m/s", "Hz"), ["speed has unit 'Hz'", "m/s, km/h, mph"]),
        (GOOD.replace("m/s", "rpm"), ["speed has unit 'rpm'", "radius = "]),
        (GOOD + "radius = 0.3\n", ["speed has unit 'm/s' and a radius", "rad/s, rpm"]),
        (GOOD + "radius = -0.3\n", ["speed.radius", "greater than 0"]),
        (GOOD + "ratio = 15\n", ["speed has a ratio", "steering angles only"]),
        (GOOD.replace("'s'", "'s'\nratio = 2"), ["time has a ratio"]),
        (GOOD + "[heading]\ncolumn = 'w'\nunit = '1'\n", ["heading has unit '1'", "rad, deg"]),
        (GOOD + "[yaw_rate]\ncolumn = 'w'\nunit = 'Hz'\n", ["yaw_rate has unit 'Hz'", "rad/s, deg/s"]),
        (GOOD + "[yaw_rate]\ncolumn = 'w'\nunit = 'rad/s'\nradius = 1\n", ["yaw_rate has a radius"]),
        (GOOD + "time = 't'\ntime_unit = 'm'\n", ["speed has time_unit 'm'"]),
        (
            GOOD + "[steering_angle]\ncolumn = 'w'\nunit = 'm'\nratio = 15\n",
            ["steering_angle has unit 'm' and a ratio", "an angle"],
        ),
        (GOOD + "scale = 0\n", ["speed", "scale is 0"]),
        (GOOD + "scale = 'x'\n", ["speed.scale", "'x'"]),
        (GOOD + "scale = nan\n", ["speed.scale"]),
        (GOOD + "offset = 1\n", ["speed.offset", "unknown"]),
        (GOOD.replace("'v'", "'t'"), ["column 't' is given to both time and speed"]),
        (GOOD.replace("'v'", "''"), ["speed.column"]),
        (GOOD.replace("'v'", "3"), ["speed.column", "3"]),
        ("time = 't'\n", ["time"]),
    ],
)
def test_a_malformed_channel_file_is_refused_by_table(tmp_path, channels, parts):
    """Each fault is named with the channel file and its table or field."""
    message = refused(tmp_path, [HEADER, *ROWS], channels)
    assert message.startswith(str(tmp_path / "channels.toml"))
    for part in parts:
        assert part in message


def test_missing_files_folders_and_unknown_suffixes_are_refused(tmp_path):
    """No file, a folder, a suffix without a reader, bytes that are no text, Parquet, MDF and MCAP that are none."""
    (tmp_path / "channels.toml").write_text(GOOD, encoding="utf-8")
    channels = Channels.load(tmp_path / "channels.toml")
    (tmp_path / "drive.mat").write_text("x")
    (tmp_path / "bytes.csv").write_bytes(b"t,v\xe9\n" + bytes(500))
    for suffix in ("parquet", "mf4", "mdf", "dat", "mcap"):
        (tmp_path / f"not.{suffix}").write_bytes(b"PAR?" * 100)
    (tmp_path / "folder.parquet").mkdir()
    for name, part in (
        ("none.csv", "does not exist"),
        ("none.parquet", "does not exist"),
        ("drive.mat", "'.mat'"),
        ("none.mf4", "does not exist"),
        ("none.mcap", "does not exist"),
        ("bytes.csv", "is not text"),
        ("not.parquet", "not a readable Parquet file"),
        ("not.mf4", "not a readable MDF file"),
        ("not.mdf", "not a readable MDF file"),
        ("not.dat", "not a readable MDF file"),
        ("not.mcap", "not a readable MCAP file"),
        ("folder.parquet", "is a folder"),
    ):
        with pytest.raises(FileError, match=re.escape(part)):
            read_log(tmp_path / name, channels)
    with pytest.raises(FileError, match="does not exist"):
        Channels.load(tmp_path / "none.toml")


def test_parquet_faults_name_the_row(tmp_path):
    """In Parquet there are no lines, so a bad cell is named by its row; dates have no unit."""
    table = pd.DataFrame({"t": 0.1 * np.arange(15), "v": np.ones(15)})
    table.loc[3, "v"] = np.inf
    table.to_parquet(tmp_path / "drive.parquet")
    (tmp_path / "channels.toml").write_text(GOOD, encoding="utf-8")
    with pytest.raises(FileError, match="row 4, column 'v': received 'inf'"):
        read_log(tmp_path / "drive.parquet", tmp_path / "channels.toml")
    dated = table.assign(t=pd.date_range("2026-01-01", periods=15, freq="100ms"), v=1.0)
    dated.to_parquet(tmp_path / "dated.parquet")
    with pytest.raises(FileError, match="holds dates"):
        read_log(tmp_path / "dated.parquet", tmp_path / "channels.toml")


def test_a_clock_in_another_unit_is_refused(tmp_path):
    """Milliseconds said to be seconds show as a median step of 20 s, and the remedy names the unit."""
    message = refused(tmp_path, [HEADER, *(f"{20 * i},{i},0" for i in range(15))])
    for part in ("column 't'", "median step of time is 20 s", "below 1 s", "unit of [time]"):
        assert part in message
