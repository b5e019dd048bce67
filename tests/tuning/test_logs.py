"""Drive logs are read into SI quantities on one clock, and what is merged or dropped on the way is said."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from tracks.errors import InputError
from tuning.logs import QUANTITIES, Channel, Channels, Log, read_log
from tuning.logs.units import UNITS

CHANNELS = """
[time]
column = "t"
unit = "ms"
[steering_command]
column = "steer"
[speed]
column = "v"
unit = "km/h"
[yaw_rate]
column = "yaw rate"
unit = "deg/s"
scale = -1.0
"""


def rows(count: int = 12) -> list[str]:
    """Lines of a log at 10 Hz that starts at 5 s."""
    return [f"{5000 + 100 * i},{0.01 * i},{36 + i},{-3.0 * i}" for i in range(count)]


def write(tmp_path, lines: list[str], name: str = "drive.csv", header: str = "t,steer,v,yaw rate"):
    """A CSV log and its channel file."""
    log, channels = tmp_path / name, tmp_path / "channels.toml"
    log.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    channels.write_text(CHANNELS, encoding="utf-8")
    return log, channels


def test_values_are_converted_to_si_with_their_sign(tmp_path):
    """Time in ms starts at 0, km/h become m/s, deg/s become rad/s, and a scale of −1 turns the sign."""
    log = read_log(*write(tmp_path, rows()))
    np.testing.assert_allclose(log["time"], 0.1 * np.arange(12), atol=1e-12)
    np.testing.assert_allclose(log["speed"], (36 + np.arange(12)) / 3.6, rtol=1e-15)
    np.testing.assert_allclose(log["yaw_rate"], np.radians(3.0 * np.arange(12)), rtol=1e-15)
    assert log.start == 5.0
    assert log.steering_unit is None
    assert log.has("time", "speed")
    assert not log.has("speed", "heading")
    assert log.findings == ()


def test_parquet_gives_the_same_log_as_csv(tmp_path):
    """The same table read from Parquet and from CSV gives equal numbers."""
    path, channels = write(tmp_path, rows())
    pd.read_csv(path).to_parquet(tmp_path / "drive.parquet")
    a, b = read_log(path, channels), read_log(tmp_path / "drive.parquet", Channels.load(channels))
    for quantity in a.data:
        np.testing.assert_array_equal(a[quantity], b[quantity])


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_comments_blank_lines_and_separators_are_understood(tmp_path, separator):
    """Comments, blank lines, blanks after separators, a byte-order mark and a trailing separator do not matter."""
    lines = ["# a comment", "", *rows(), "# the end"]
    path, channels = write(tmp_path, lines, header="# made by hand\nt,steer,v,yaw rate,")
    text = path.read_text(encoding="utf-8")
    body = [line + "," if line[:1].isdigit() else line for line in text.splitlines()]
    path.write_text("\ufeff" + "\n".join(body).replace(",", separator + " "), encoding="utf-8")
    assert len(read_log(path, channels)) == 12


def test_repeated_stamps_keep_their_last_row_and_are_said(tmp_path):
    """Of rows with one time stamp the last holds the newest values."""
    lines = rows()
    lines.insert(3, lines[2].replace("0.02", "0.99"))
    lines[2], lines[3] = lines[3], lines[2]
    log = read_log(*write(tmp_path, lines))
    assert len(log) == 12
    assert log["steering_command"][2] == 0.02
    assert "1 of 13 rows repeat a time stamp" in log.findings[0]


def test_an_unfinished_last_row_is_dropped_and_said(tmp_path):
    """A logger that lost its power leaves half a row, which is no reason to refuse the drive."""
    log = read_log(*write(tmp_path, [*rows(), "6200,0.1"]))
    assert len(log) == 12
    assert "line 14: the last row is unfinished" in log.findings[0]


def test_gaps_split_the_log_into_segments(tmp_path):
    """A step of the clock of more than ten median ones is a gap, said with its length."""
    lines = [*rows(8), *(f"{9000 + 100 * i},0.1,36,0" for i in range(6))]
    log = read_log(*write(tmp_path, lines))
    assert log.gaps == (8,)
    assert [(s.start, s.stop) for s in log.segments] == [(0, 8), (8, 14)]
    assert "1 gap(s), the longest 3.3 s" in log.findings[-1]


def test_subsets_start_at_zero_and_say_where_they_were_cut(tmp_path):
    """A window and a mask of the same samples give the same log."""
    log = read_log(*write(tmp_path, rows()))
    window = log.subset(window=(0.25, 0.85))
    mask = log.subset((log["time"] > 0.25) & (log["time"] < 0.85))
    np.testing.assert_array_equal(window["time"], mask["time"])
    assert window["time"][0] == 0.0
    assert len(window) == 6
    assert window.start == pytest.approx(5.3, abs=1e-12)
    with pytest.raises(InputError, match="keeps 0 samples"):
        log.subset(window=(5.0, 6.0))
    with pytest.raises(InputError, match="neither or both"):
        log.subset()
    with pytest.raises(InputError, match="one boolean a sample"):
        log.subset([True, False])


def test_a_log_cannot_be_changed(tmp_path):
    """The arrays are read-only, and the source arrays of a log made by hand stay writable and apart."""
    source = np.arange(20.0)
    log = Log("by hand", {"time": source, "speed": source})
    with pytest.raises(ValueError, match="read-only"):
        log["speed"][0] = 1.0
    source[5] = 99.0
    assert log["speed"][5] == 5.0


def test_logs_made_by_hand_are_checked():
    """No clock, a clock that stands, an unknown quantity, unequal lengths and NaN are refused."""
    time = np.arange(5.0)
    for data, message in (
        ({"speed": time}, "has no time"),
        ({"time": np.array([0.0, 1.0, 1.0, 2.0])}, "at sample 2"),
        ({"time": time, "velocity": time}, "unknown quantity 'velocity'"),
        ({"time": time, "speed": time[:3]}, "3 entries"),
        ({"time": time, "speed": np.full(5, np.nan)}, "nan"),
        ({"time": time[:1]}, "1 samples"),
    ):
        with pytest.raises(InputError, match=message):
            Log("by hand", data)
    with pytest.raises(InputError, match="has no speed"):
        Log("by hand", {"time": time})["speed"]
    with pytest.raises(InputError, match="steering_unit"):
        Log("by hand", {"time": time}, "deg")


def test_every_quantity_has_a_channel_and_units_with_one_si_unit():
    """The channel file knows every quantity, and every kind of quantity has a unit of factor 1."""
    assert set(Channels.model_fields) == set(QUANTITIES)
    for kind in set(QUANTITIES.values()):
        assert 1.0 in UNITS[kind].values()


def test_unit_factors_are_those_of_their_definitions():
    """g is 9.80665 m/s² (CGPM 1901), a mile 1609.344 m (international mile), a percent 0.01."""
    assert UNITS["acceleration"]["g"] == 9.80665
    assert UNITS["speed"]["mph"] == pytest.approx(0.44704, rel=1e-15)
    assert UNITS["angle"]["deg"] == pytest.approx(math.pi / 180.0, rel=1e-15)
    assert UNITS["pedal"]["%"] == 0.01


def test_a_steering_command_with_a_unit_is_an_angle(tmp_path):
    """The same column with unit deg is an angle in rad, and the log says so."""
    path, channels = write(tmp_path, rows())
    angle = Channels.load(channels).model_copy(
        update={"steering_command": Channel(column="steer", unit="deg")}
    )
    log = read_log(path, angle)
    assert log.steering_unit == "rad"
    np.testing.assert_allclose(log["steering_command"], np.radians(0.01 * np.arange(12)), rtol=1e-15)
