"""CSV in the forms in which tools export it: written by pandas, numpy and the csv module, read back the same."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest
from logs_made import COUNT, SPEED, TIME, TURN, check_known, frame, read

from tracks.errors import FileError


@pytest.mark.parametrize(
    ("separator", "decimal"),
    [(separator, decimal) for separator in ",;\t| " for decimal in ".," if separator != decimal],
)
def test_any_separator_and_either_decimal_sign(tmp_path, separator, decimal):
    """pandas writes it; decimals with a comma need another separator (or quotes, tested below)."""
    frame().to_csv(tmp_path / "a.csv", index=False, sep=separator, decimal=decimal)
    log = read(tmp_path / "a.csv")
    check_known(log)
    assert log.findings == ()


def test_quoted_cells_may_hold_the_separator(tmp_path):
    """Python's csv module quotes all cells: names with commas in them, and decimal commas between commas."""
    with (tmp_path / "a.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, quoting=csv.QUOTE_ALL)
        writer.writerow(["t", "v, wheels", "w"])
        for row in zip(TIME, SPEED, TURN, strict=True):
            writer.writerow([f"{x:.3f}".replace(".", ",") for x in row])
    check_known(read(tmp_path / "a.csv", speed={"column": "v, wheels", "unit": "km/h"}))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]
)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_encodings_of_exports(tmp_path, encoding, ends):
    """A ° in the header survives; a file that is not UTF-8 and bears no mark was guessed, which is said."""
    text = frame().rename(columns={"w": "w [°/s]"}).to_csv(index=False, lineterminator=ends)
    (tmp_path / "a.csv").write_bytes(text.encode(encoding))
    log = read(tmp_path / "a.csv", yaw_rate={"column": "w"})
    check_known(log)
    assert any("Windows-1252" in text for text in log.findings) == (encoding in ("latin-1", "cp1252"))


@pytest.mark.parametrize("form", ["{} [{}]", "{} ({})", "{}[{}]"])
def test_units_in_the_header_are_taken(tmp_path, form):
    """A channel may leave its unit out, and name the column with or without its unit."""
    names = {"t": form.format("t", "s"), "v": form.format("v", "km/h"), "w": form.format("w", "deg/s")}
    frame().rename(columns=names).to_csv(tmp_path / "a.csv", index=False, sep=";")
    bare = {"time": {"column": "t"}, "speed": {"column": "v"}, "yaw_rate": {"column": "w"}}
    check_known(read(tmp_path / "a.csv", **bare))
    check_known(read(tmp_path / "a.csv", **{**bare, "speed": {"column": names["v"], "unit": "kph"}}))
    with pytest.raises(FileError, match=r"is in 'km/h', but the channel file gives speed the unit 'm/s'"):
        read(tmp_path / "a.csv", **{**bare, "speed": {"column": "v", "unit": "m/s"}})
    with pytest.raises(
        FileError, match=r"is in 'km/h', but the channel file gives yaw_rate the unit 'deg/s'"
    ):
        read(tmp_path / "a.csv", time={"column": "t"}, speed=None, yaw_rate={"column": "v", "unit": "deg/s"})


def test_units_in_a_row_below_the_header_are_taken(tmp_path):
    """As measuring tools export them, with or without brackets; text in a column nobody asks for does not matter."""
    for row in ("s;km/h;deg/s;-", "[s];[km/h];[deg/s];[°C]"):
        lines = frame(note="ok").to_csv(index=False, sep=";").splitlines()
        (tmp_path / "a.csv").write_text("\n".join([lines[0], row, *lines[1:]]), encoding="utf-8")
        check_known(
            read(tmp_path / "a.csv", time={"column": "t"}, speed={"column": "v"}, yaw_rate={"column": "w"})
        )
        with pytest.raises(FileError, match="is in 'deg/s'"):
            read(tmp_path / "a.csv", yaw_rate={"column": "w", "unit": "rad/s"})


def test_brackets_that_hold_no_unit_are_part_of_the_name(tmp_path):
    """ "(filtered)" is no unit, so the channel file's stands; without one the log is refused."""
    frame().rename(columns={"v": "v (filtered)"}).to_csv(tmp_path / "a.csv", index=False)
    check_known(read(tmp_path / "a.csv"))
    with pytest.raises(FileError, match="speed has no unit"):
        read(tmp_path / "a.csv", speed={"column": "v"})
    frame().rename(columns={"v": "v [kmh]"}).to_csv(tmp_path / "a.csv", index=False)
    with pytest.raises(FileError, match=r"speed has unit 'kmh'.*did you mean 'km/h'\?"):
        read(tmp_path / "a.csv", speed={"column": "v"})


def test_a_name_that_two_columns_bear_with_different_units_is_refused(tmp_path):
    """ "v" is not enough where there are v [km/h] and v [m/s]; the full name is."""
    frame(other=SPEED / 3.6).rename(columns={"v": "v [km/h]", "other": "v [m/s]"}).to_csv(
        tmp_path / "a.csv", index=False
    )
    with pytest.raises(FileError, match="is not the only one for speed"):
        read(tmp_path / "a.csv", speed={"column": "v"})
    check_known(read(tmp_path / "a.csv", speed={"column": "v [m/s]"}))


def test_a_header_in_a_comment_names_the_columns(tmp_path):
    """numpy.savetxt writes its header behind a #."""
    table = np.column_stack([TIME, SPEED, TURN])
    np.savetxt(tmp_path / "a.csv", table, header="t v w")
    check_known(read(tmp_path / "a.csv"))
    np.savetxt(tmp_path / "b.csv", table, header="first line\nt,v,w", delimiter=",")
    check_known(read(tmp_path / "b.csv"))


def test_rows_may_end_with_a_separator_that_the_header_lacks(tmp_path):
    """Loggers that print every number with a comma behind it."""
    lines = frame().to_csv(index=False).splitlines()
    (tmp_path / "a.csv").write_text("\n".join([lines[0], *(f"{x}," for x in lines[1:])]), encoding="utf-8")
    check_known(read(tmp_path / "a.csv"))


def test_empty_cells_are_missing_readings(tmp_path):
    """The usual export of two rates: a column filled in every third row is read there, and held between."""
    slow = np.where(np.arange(COUNT) % 3 == 1, TURN, np.nan)
    for name, missing in (("a.csv", ""), ("b.csv", "NaN"), ("c.parquet", None)):
        table = frame(w=slow)
        if missing is None:
            table.to_parquet(tmp_path / name)
        else:
            table.to_csv(tmp_path / name, index=False, na_rep=missing)
        log = read(tmp_path / name)
        assert (log.start, log.duration) == (
            pytest.approx(0.01),
            pytest.approx(0.36),
        )  # first and last reading
        np.testing.assert_array_equal(np.flatnonzero(log.fresh["yaw_rate"]), np.arange(0, 37, 3))
        np.testing.assert_allclose(log["yaw_rate"], np.radians(TURN[1 + np.arange(37) // 3 * 3]))
        np.testing.assert_allclose(log["speed"], SPEED[1:38] / 3.6)
        assert "speed" not in log.fresh
        for text in (
            "the first 0.01 s were left out: yaw_rate has no reading there",
            "the last 0.02 s were left out: yaw_rate has no reading there",
            "yaw_rate: read at 13 of 37 samples, every 0.03 s, held between them",
        ):
            assert text in log.findings


def test_rows_of_equal_stamps_give_each_column_its_reading(tmp_path):
    """An export that writes one row a channel: the rows of one stamp complete each other."""
    first, second = frame(w=np.nan), frame(v=np.nan)
    rows = np.empty((2 * COUNT, 3))
    rows[::2], rows[1::2] = first.to_numpy(), second.to_numpy()
    np.savetxt(tmp_path / "a.csv", rows, delimiter=",", header="t,v,w", comments="", fmt="%.6g")
    log = read(tmp_path / "a.csv")
    check_known(log)
    assert dict(log.fresh) == {}


@pytest.mark.parametrize("last", ["0.39,", "0.39,40"])
def test_only_a_row_that_breaks_off_is_unfinished(tmp_path, last):
    """A last row with too few cells is dropped and said."""
    lines = frame().to_csv(index=False).splitlines()[:-1]
    (tmp_path / "a.csv").write_text("\n".join([*lines, last]), encoding="utf-8")
    log = read(tmp_path / "a.csv")
    assert len(log) == COUNT - 1
    assert any("the last row is unfinished" in text for text in log.findings)


def test_commas_in_comments_and_dates_are_no_decimals(tmp_path):
    """1,234 in a comment is no number of the log, and ISO 8601 lets a comma stand before the fraction of a second."""
    moments = pd.Timestamp("2026-05-04T10:00:00") + pd.to_timedelta(TIME, unit="s")
    stamps = [f"{moment:%Y-%m-%dT%H:%M:%S},{moment.microsecond // 1000:03d}" for moment in moments]
    text = frame(d=stamps).to_csv(index=False, sep=";")
    (tmp_path / "a.csv").write_text("# export of 1,234 rows\n" + text + "# 1,234 rows\n", encoding="utf-8")
    check_known(read(tmp_path / "a.csv", time={"column": "d"}))


def test_lines_above_the_header_are_passed_over_and_said(tmp_path):
    """A spreadsheet's hint of its separator, and what tools write about the recording."""
    text = frame().to_csv(index=False, sep=";")
    (tmp_path / "a.csv").write_text("sep=;\nRecorder; 7\nt;of the start; 12.5\n\n" + text, encoding="utf-8")
    log = read(tmp_path / "a.csv")
    check_known(log)
    assert log.findings == ("the header was found in line 5; what stands above it was passed over",)
