"""Faults of clocks: what is certain is mended and said, what is not is refused by place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from logs_made import COUNT, SPEED, TIME, TURN, check_known, frame, read

from tracks.errors import FileError


def test_a_few_late_rows_are_sorted_in_and_said(tmp_path):
    """Two messages that overtook their neighbours, in a clock with jitter: the drive is the same."""
    order = np.arange(COUNT)
    order[[10, 11]] = [11, 10]
    order[[20, 21, 22]] = [21, 22, 20]
    frame().iloc[order].to_csv(tmp_path / "a.csv", index=False)
    log = read(tmp_path / "a.csv")
    check_known(log)
    assert log.findings == ("2 of 40 time stamps were out of order by up to 0.02 s and were sorted",)
    jitter = frame()
    jitter["t"] += np.random.default_rng(3).uniform(-0.002, 0.002, COUNT)
    jitter.iloc[order].to_csv(tmp_path / "b.csv", index=False)
    np.testing.assert_allclose(read(tmp_path / "b.csv")["speed"], SPEED / 3.6, rtol=1e-12)


@pytest.mark.parametrize("back", [0.013, 0.02, 0.1, 5.0])
def test_a_clock_that_was_set_back_is_refused(tmp_path, back):
    """By a part of a step or by many: stamps of two times must not be mixed."""
    table = frame()
    table.loc[20:, "t"] -= back
    table.to_csv(tmp_path / "a.csv", index=False)
    with pytest.raises(
        FileError, match=r"line 22, column 't': time runs backwards.*where the clock was reset"
    ):
        read(tmp_path / "a.csv")


@pytest.mark.parametrize("bits", [16, 24, 31, 32])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_counter_that_ran_over_is_continued_and_said(tmp_path, bits, kind):
    """A counter of µs, its numbers falling from the top of their range to the bottom, twice for the short one."""
    count = 40 if bits > 16 else 200
    counter = (np.arange(count) * 1000 + 2**bits - 20_500) % 2**bits
    table = pd.DataFrame({"t": counter, "v": np.linspace(1.0, 2.0, count)})
    getattr(table, f"to_{kind}")(tmp_path / f"a.{kind}", index=False)
    log = read(tmp_path / f"a.{kind}", time={"column": "t", "unit": "us"}, yaw_rate=None)
    np.testing.assert_allclose(log["time"], 1e-3 * np.arange(count), atol=1e-9)
    assert f"a counter of {bits} bits ran over" in log.findings[0]


def test_a_signed_counter_that_ran_over_is_continued(tmp_path):
    """From 2³¹ − 1 to −2³¹, as a signed 32-bit number does."""
    counter = (np.arange(COUNT) * 10_000 + 2**31 - 205_000).astype(np.int64)
    frame(c=np.where(counter >= 2**31, counter - 2**32, counter)).to_csv(tmp_path / "a.csv", index=False)
    check_known(read(tmp_path / "a.csv", time={"column": "c", "unit": "us"}))


def test_a_fall_that_is_no_run_over_is_refused(tmp_path):
    """A counter that fell from the middle of its range was reset."""
    counter = np.arange(COUNT) * 1000 + 100_000
    counter[20:] -= 99_000
    frame(c=counter).to_csv(tmp_path / "a.csv", index=False)
    with pytest.raises(FileError, match="time runs backwards"):
        read(tmp_path / "a.csv", time={"column": "c", "unit": "us"})


@pytest.mark.parametrize(
    "form", ["%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f", "%Y%m%dT%H%M%S.%f", "%Y-%m-%dT%H:%M:%S.%f+02:00"]
)
def test_dates_of_iso_8601_are_a_clock(tmp_path, form):
    """Text with and without a zone; the first one is where the log starts."""
    moments = pd.Timestamp("2026-05-04T10:00:00.5") + pd.to_timedelta(TIME, unit="s")
    frame(d=moments.strftime(form)).to_csv(tmp_path / "a.csv", index=False)
    log = read(tmp_path / "a.csv", time={"column": "d"})
    check_known(log)
    zone = 7200.0 if form.endswith("02:00") else 0.0
    assert log.start == pytest.approx(pd.Timestamp("2026-05-04T10:00:00.5").timestamp() - zone, abs=1e-6)
    with pytest.raises(FileError, match="holds dates"):
        read(tmp_path / "a.csv", time={"column": "d", "unit": "s"})


@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Rome"])
@pytest.mark.parametrize("unit", ["us", "ns"])
def test_columns_of_dates_are_a_clock(tmp_path, zone, unit):
    """Parquet keeps dates as such; pandas also puts a clock into the index."""
    moments = pd.date_range("2026-05-04T10:00:00", periods=COUNT, freq="10ms", tz=zone, unit=unit)
    frame(d=moments).to_parquet(tmp_path / "a.parquet")
    check_known(read(tmp_path / "a.parquet", time={"column": "d"}))
    frame(d=moments).set_index("d").to_parquet(tmp_path / "b.parquet")
    check_known(read(tmp_path / "b.parquet", time={"column": "d"}))


def test_times_of_day_and_durations_are_a_clock(tmp_path):
    """Text as 12:00:00.25, and Parquet's durations."""
    moments = pd.Timestamp("2026-05-04T12:00:00") + pd.to_timedelta(TIME, unit="s")
    frame(d=moments.strftime("%H:%M:%S.%f")).to_csv(tmp_path / "a.csv", index=False)
    log = read(tmp_path / "a.csv", time={"column": "d"})
    check_known(log)
    assert log.start == 43200.0
    frame(d=pd.to_timedelta(TIME, unit="s")).to_parquet(tmp_path / "a.parquet")
    check_known(read(tmp_path / "a.parquet", time={"column": "d"}))
    with pytest.raises(FileError, match="column 'd': holds dates"):
        read(tmp_path / "a.parquet", speed={"column": "d", "unit": "m/s"})


def test_nanoseconds_since_1970_keep_their_digits(tmp_path):
    """A double holds seconds since 1970 to 0.24 µs; whole numbers are subtracted before they become one."""
    stamps = 1_777_888_999_123_456_789 + 10_000_000 * np.arange(COUNT)
    frame(n=stamps).to_csv(tmp_path / "a.csv", index=False)
    log = read(tmp_path / "a.csv", time={"column": "n", "unit": "ns"})
    np.testing.assert_allclose(log["time"], TIME, atol=1e-12)


@pytest.mark.parametrize(
    ("time", "parts"),
    [
        (20.0 * np.arange(COUNT), ["median step of time is 20 s", "below 1 s", "unit of [time]"]),
        (1e-5 * np.arange(COUNT), ["median step of time is 1e-05 s", "above 0.0002 s"]),
        (np.repeat(np.arange(10.0), 4), ["whole seconds", "30 rows repeat one", "fractions of a second"]),
    ],
)
def test_clocks_that_cannot_be_in_their_unit_are_refused(tmp_path, time, parts):
    """Too slow, too quick, and without fractions of seconds, as a spreadsheet exports them."""
    frame().assign(t=time).to_csv(tmp_path / "a.csv", index=False)
    with pytest.raises(FileError) as error:
        read(tmp_path / "a.csv")
    for part in (*parts, "column 't'"):
        assert part in str(error.value)


def test_a_clock_without_a_unit_is_refused(tmp_path):
    """Numbers whose unit neither file nor channel file names."""
    frame().to_csv(tmp_path / "a.csv", index=False)
    with pytest.raises(FileError, match=r"column 't': holds numbers.*a unit of time"):
        read(tmp_path / "a.csv", time={"column": "t"})
    with pytest.raises(FileError, match="time is missing"):
        read(tmp_path / "a.csv", time=None)


def test_a_bad_date_is_named_by_its_line(tmp_path):
    """One that does not exist, and an empty one."""
    moments = (pd.Timestamp("2026-05-04T10:00:00.5") + pd.to_timedelta(TIME, unit="s")).strftime(
        "%Y-%m-%dT%H:%M:%S.%f"
    )
    for bad, part in (("2026-02-31T10:00:00", "received '2026-02-31"), ("", "received an empty cell")):
        table = frame(d=moments.astype(object))
        table.loc[5, "d"] = bad
        table.to_csv(tmp_path / "a.csv", index=False)
        with pytest.raises(FileError, match=f"line 7, column 'd': {part}"):
            read(tmp_path / "a.csv", time={"column": "d"})


def test_gaps_of_a_merged_clock_are_measured_by_the_quickest_channel(tmp_path):
    """Two files at 100 Hz, 0.1 ms apart: no gap but the true one of half a second."""
    stamps = np.concatenate([TIME, 0.5 + TIME[-1] + TIME])
    turn = np.concatenate([TURN, TURN])
    pd.DataFrame({"t": stamps, "v": 10.0 + stamps}).to_csv(tmp_path / "a.csv", index=False)
    pd.DataFrame({"t": stamps + 1e-4, "w": turn}).to_csv(tmp_path / "b.csv", index=False)
    log = read([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert len(log.gaps) == 1
    assert "1 gap(s), the longest 0.5 s" in log.findings[-1]
