"""Several files and rates on one clock: no reading is moved in time, and none is invented."""

from __future__ import annotations

import copy
import pickle

import numpy as np
import pandas as pd
import pytest
from identification_drives import kinematic_yaw_rate, steering_exactly, weaving
from logs_made import COUNT, SPEED, TIME, check_known, frame, read

from tracks.errors import FileError, InputError
from tuning.identification import identify
from tuning.logs import Channels, Log, read_log

DRIVE = {
    "curvature_command": {"column": "k", "unit": "1/m", "time": "tc", "time_unit": "ms"},
    "speed": {"column": "v", "unit": "m/s", "time": "tc", "time_unit": "ms"},
}


def test_readings_stay_at_their_own_stamps(tmp_path):
    """A heading at 10 Hz beside a command at 100 Hz: read where it was taken, held between, the command held likewise."""
    command = 0.01 * np.arange(400)
    slow = np.arange(0.0037, 4.0, 0.1)
    pd.DataFrame({"t": 0.01 * np.arange(400), "k": command, "v": 5.0}).to_csv(
        tmp_path / "fast.csv", index=False
    )
    pd.DataFrame({"stamp [ms]": 1e3 * slow, "psi [deg]": 7.0 * slow}).to_csv(
        tmp_path / "slow.csv", index=False
    )
    log = read(
        [tmp_path / "fast.csv", tmp_path / "slow.csv"],
        curvature_command={"column": "k", "unit": "1/m"},
        speed={"column": "v", "unit": "m/s"},
        yaw_rate=None,
        heading={"column": "psi", "time": "stamp"},
    )
    clock = log["time"] + log.start
    taken = log.fresh["heading"]
    np.testing.assert_allclose(clock[taken], slow, atol=1e-9)
    np.testing.assert_allclose(log["heading"][taken], np.radians(7.0 * slow), rtol=1e-12)
    np.testing.assert_allclose(
        log["heading"], np.radians(7.0 * (0.0037 + 0.1 * np.floor((clock - 0.0037 + 1e-9) / 0.1))), atol=1e-9
    )
    asked = log.fresh["curvature_command"]
    np.testing.assert_allclose(log["curvature_command"], np.floor(clock / 0.01 + 1e-6) * 0.01, atol=1e-9)
    assert np.count_nonzero(asked & taken) == 0
    assert np.all(asked | taken)
    assert log.name == "fast.csv+slow.csv"


@pytest.fixture(scope="module")
def split_drive(tmp_path_factory):
    """One drive in two files: command and speed at 50 Hz by a clock in ms, yaw rate and heading at 10 Hz by one in s."""
    folder = tmp_path_factory.mktemp("drive")
    asked, taken = np.arange(0.0, 60.0, 0.02), np.arange(0.0071, 59.9, 0.1)
    both = np.union1d(asked, taken)
    command = weaving(asked, 0.06, 5)
    held = command[np.searchsorted(asked, both, side="right") - 1]
    angle = steering_exactly(both, np.arctan(2.9 * held), 0.137, 11.0, 0.7)
    speed = 6.0 + 2.0 * np.sin(0.1 * both)
    yaw = kinematic_yaw_rate(speed, angle, 2.9, 0.003)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(both) * (yaw[1:] + yaw[:-1]))])
    at_asked, at_taken = np.isin(both, asked), np.isin(both, taken)
    noise = np.random.default_rng(0).normal(0.0, 1.0, (2, taken.size))
    first = {"tc": np.round(1e3 * asked).astype(int), "k": command, "v": speed[at_asked]}
    second = {"t": taken, "w": yaw[at_taken] + 0.002 * noise[0], "psi": heading[at_taken] + 2e-4 * noise[1]}
    pd.DataFrame(first).to_csv(folder / "commands.csv", index=False)
    pd.DataFrame(second).to_csv(folder / "imu.csv", index=False)
    return [folder / "commands.csv", folder / "imu.csv"]


@pytest.mark.parametrize(
    "measured",
    [{"yaw_rate": {"column": "w", "unit": "rad/s"}}, {"heading": {"column": "psi", "unit": "rad"}}],
    ids=["yaw rate", "heading"],
)
def test_merging_shifts_no_dead_time(split_drive, measured):
    """The dead time put in comes back to 10 ms; holding the 10 Hz answer as if it were read at each sample adds 50 ms."""
    channels = Channels.model_validate({"time": {"column": "t", "unit": "s"}, **DRIVE, **measured})
    found = identify([read_log(split_drive, channels)], known={"wheelbase": 2.9}, model="kinematic")
    assert found.parameters.loc["steering.dead_time", "value"] == pytest.approx(0.137, abs=0.01)
    lag = 2.0 * 0.7 / 11.0
    assert found.parameters.loc["steering.lag", "value"] == pytest.approx(lag, abs=0.02)


def test_a_clock_offset_moves_a_channel(tmp_path):
    """The clock of one file lags 0.25 s behind: with clock_offset its readings are those of the other file."""
    frame()[["t", "v"]].to_csv(tmp_path / "a.csv", index=False)
    frame().assign(t=TIME - 0.25)[["t", "w"]].to_csv(tmp_path / "b.csv", index=False)
    offset = {"column": "w", "unit": "deg/s", "clock_offset": 0.25}
    log = read([tmp_path / "a.csv", tmp_path / "b.csv"], yaw_rate=offset)
    check_known(log)
    assert dict(log.fresh) == {}  # stamps that differ by rounding only are one


def test_files_are_told_apart_by_name(tmp_path):
    """The same column in two files needs `file`: part of a name, or a pattern."""
    frame().to_csv(tmp_path / "left.csv", index=False)
    frame(v=9.0).to_csv(tmp_path / "right.csv", index=False)
    files = [tmp_path / "left.csv", tmp_path / "right.csv"]
    with pytest.raises(FileError, match=r"is not the only one for speed: left.csv: v, right.csv: v"):
        read(files, yaw_rate=None)
    for pattern in ("left", "l*.csv"):
        named = {"column": "v", "unit": "km/h", "file": pattern}
        check_known(read(files, speed=named, yaw_rate={"column": "w", "unit": "deg/s", "file": "left"}))
    with pytest.raises(FileError, match=r"one of left\.csv, right\.csv"):
        read(files, speed={"column": "v", "unit": "km/h", "file": "up"})


def test_clocks_without_common_time_are_refused(tmp_path):
    """Seconds since 1970 beside seconds since the start."""
    frame()[["t", "v"]].to_csv(tmp_path / "a.csv", index=False)
    frame().assign(t=1.7e9 + TIME)[["t", "w"]].to_csv(tmp_path / "b.csv", index=False)
    with pytest.raises(InputError, match=r"no time in common: yaw_rate begins at .* clock_offset"):
        read([tmp_path / "a.csv", tmp_path / "b.csv"])
    with pytest.raises(InputError, match="no file"):
        read([])


def test_a_command_that_comes_when_it_changes_holds_to_the_end(tmp_path):
    """Three commands in a drive of 4 s: each acts until the next one, the last until the log ends."""
    clock = 0.01 * np.arange(400)
    pd.DataFrame({"t": clock, "v": 5.0 + clock}).to_csv(tmp_path / "a.csv", index=False)
    pd.DataFrame({"t": [0.0, 1.0, 1.5], "k": [0.1, 0.2, 0.3]}).to_csv(tmp_path / "b.csv", index=False)
    log = read(
        [tmp_path / "a.csv", tmp_path / "b.csv"],
        speed={"column": "v", "unit": "m/s"},
        yaw_rate=None,
        curvature_command={"column": "k", "unit": "1/m"},
    )
    assert log.duration == pytest.approx(3.99)
    expected = np.select([clock < 0.995, clock < 1.495], [0.1, 0.2], 0.3)
    np.testing.assert_array_equal(log["curvature_command"], expected)


def test_a_gap_of_a_regular_command_cuts_the_log(tmp_path):
    """Nobody knows what was commanded while its messages were lost; a sensor's gap is said and not filled in."""
    command, turn = 0.1 + np.zeros(400), np.ones(400)
    command[100:200] = np.nan
    turn[250:350] = np.nan
    pd.DataFrame({"t": 0.01 * np.arange(400), "k": command, "w": turn, "v": 5.0}).to_csv(
        tmp_path / "a.csv", index=False
    )
    log = read(
        tmp_path / "a.csv",
        curvature_command={"column": "k", "unit": "1/m"},
        speed={"column": "v", "unit": "m/s"},
    )
    assert len(log) == 300
    assert [s.stop - s.start for s in log.segments] == [100, 200]
    text = "\n".join(log.findings)
    assert "curvature_command has 1 gap(s), the longest 1.01 s; they were left out" in text
    assert "yaw_rate has 1 gap(s), the longest 1.01 s; they are not filled in" in text
    assert np.count_nonzero(log.fresh["yaw_rate"]) == 200


def test_fresh_goes_with_the_log(tmp_path):
    """Subsets, pickles and copies keep it; masks of other lengths or quantities are refused; nothing can be changed."""
    data = {"time": 0.1 * np.arange(20), "speed": np.arange(20.0)}
    mask = np.arange(20) % 2 == 0
    log = Log("by hand", data, fresh={"speed": mask})
    np.testing.assert_array_equal(log.subset(window=(0.35, 1.05)).fresh["speed"], mask[4:11])
    np.testing.assert_array_equal(log.read_at("speed"), mask)
    assert log.read_at("time").all()
    for again in (pickle.loads(pickle.dumps(log)), copy.deepcopy(log)):
        assert again.name == log.name
        assert again.gaps == log.gaps
        np.testing.assert_array_equal(again["speed"], log["speed"])
        np.testing.assert_array_equal(again.fresh["speed"], mask)
    with pytest.raises(TypeError):
        log.data["speed"] = np.zeros(20)  # pyright: ignore[reportIndexIssue]
    with pytest.raises(ValueError, match="read-only"):
        log.fresh["speed"][0] = False
    for wrong in ({"speed": mask[:5]}, {"heading": mask}):
        with pytest.raises(InputError, match="give one boolean a sample"):
            Log("by hand", data, fresh=wrong)


def test_blank_rows_of_others_do_not_slow_the_log(tmp_path):
    """A table at 1 kHz of which only channels at 100 Hz are mapped gives a log at 100 Hz."""
    count = 10 * COUNT
    speed = np.full(count, np.nan)
    speed[::10] = SPEED
    pd.DataFrame({"t": 1e-3 * np.arange(count), "v": speed, "other": 1.0}).to_csv(
        tmp_path / "a.csv", index=False
    )
    log = read(tmp_path / "a.csv", yaw_rate=None)
    np.testing.assert_allclose(log["time"], TIME, atol=1e-12)
    np.testing.assert_allclose(log["speed"], SPEED / 3.6)
    assert dict(log.fresh) == {}


def test_a_sensor_that_fell_silent_ends_the_log_and_the_remedy_is_said(tmp_path):
    """The yaw rate ends half-way: what follows is left out, and comes back without that quantity."""
    turn = np.where(np.arange(400) < 200, 1.0, np.nan)
    pd.DataFrame({"t": 0.01 * np.arange(400), "v": 5.0, "w": turn}).to_csv(tmp_path / "a.csv", index=False)
    log = read(tmp_path / "a.csv")
    assert log.duration == pytest.approx(1.99)
    assert log.findings == (
        "the last 2 s were left out: yaw_rate has no reading there; without [yaw_rate] in the channel file they stay",
    )
    assert read(tmp_path / "a.csv", yaw_rate=None).duration == pytest.approx(3.99)
