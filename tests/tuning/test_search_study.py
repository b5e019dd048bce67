"""Studies in a folder, and comparisons."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path as FilePath

import numpy as np
import pytest

import tracks
import tuning
from tracker import MPC, PurePursuit, Stanley
from tracks.errors import FileError, InputError
from tuning import Limits, Scenario, Study, Vehicle, compare, simulate, tune
from tuning.measures import MEASURES
from tuning.search import default_scenarios

BUS = Vehicle.model_validate({"body": {"wheelbase": 3.7, "width": 2.1}, "provenance": {"name": "bus"}})
LATE = Scenario(name="late", extra_dead_time=0.1)
DRIVES = (Scenario(), LATE)


@pytest.fixture(scope="module")
def study():
    """A small study of Stanley on the double lane change."""
    return tune(
        Stanley, BUS, tracks.double_lane_change(), Limits.gentle(), DRIVES, candidates=8, refine=4, workers=1,
        progress=False,
    )  # fmt: skip


@pytest.fixture
def saved(study, tmp_path):
    """The study in a folder."""
    study.save(tmp_path / "made" / "study")
    return tmp_path / "made" / "study"


def test_a_study_comes_back_as_it_was(study, saved):
    """Law, tables, ranges, limits and scenarios survive the folder, to the last bit."""
    back = Study.load(saved)
    assert back.best == study.best
    assert back.candidates.equals(study.candidates)
    assert back.usage.equals(study.usage)
    for name in ("best_index", "gains", "limits", "scenarios", "tracks", "seed", "vehicle"):
        assert getattr(back, name) == getattr(study, name)
    assert back.summary() == study.summary()
    assert sorted(entry.name for entry in saved.iterdir()) == [
        "candidates.parquet",
        "study.json",
        "usage.parquet",
    ]


def test_a_study_says_for_whom_it_was(study):
    """The provenance that goes into parameter files is plain JSON."""
    content = json.loads(json.dumps(study.provenance(), allow_nan=False))
    assert content["candidates"] == 12
    assert content["binding_limit"] == study.binding_limit
    assert content["limits"] == Limits.gentle().active


def test_tables_of_another_study_are_refused(study, saved):
    """The JSON file vouches for its tables: a folder mixed from two studies is not read."""
    (saved / "usage.parquet").write_bytes((saved / "candidates.parquet").read_bytes())
    with pytest.raises(FileError, match=r"usage\.parquet: is not the table"):
        Study.load(saved)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"format": "x"}, "format"),
        ({"version": 7}, "version"),
        ({"seed": "one"}, "seed"),
        ({"limits": {"overshot": 1.0}}, "limits.overshot"),
        ({"best_index": 99}, "best_index"),
        ({"parameters": {}}, "format"),
    ],
)
def test_malformed_studies_are_refused(change, where, saved):
    """The message names the file and the field."""
    file = saved / "study.json"
    file.write_text(json.dumps({**json.loads(file.read_text()), **change}))
    with pytest.raises(FileError) as caught:
        Study.load(saved)
    assert (caught.value.file, caught.value.where) == (str(file), where)


def test_a_missing_study_is_named(tmp_path):
    """A folder without a study, or a study without its tables, is said to be so."""
    with pytest.raises(FileError, match="does not exist"):
        Study.load(tmp_path)


def test_a_folder_that_cannot_be_made_is_named(study, tmp_path):
    """A file in the way of the folder is refused, and left alone."""
    (tmp_path / "taken").write_text("here")
    with pytest.raises(FileError, match="cannot be made"):
        study.save(tmp_path / "taken" / "study")
    assert (tmp_path / "taken").read_text() == "here"


def test_comparison_has_every_drive():
    """One row a law, track and scenario, whose measures are those of the same run alone."""
    laws = [PurePursuit(), Stanley(), PurePursuit(lookahead_time=0.8)]
    roads = [tracks.double_lane_change(), tracks.offset_straight()]
    found = compare(laws, BUS, roads, DRIVES, workers=1)
    assert list(found.laws) == ["PurePursuit", "Stanley", "PurePursuit 2"]
    assert len(found.table) == 3 * 2 * 2
    row = found.table.query("law == 'PurePursuit 2' and scenario == 'late'").iloc[0]
    alone = simulate(laws[2], BUS, roads[0], LATE).measures
    np.testing.assert_equal({name: row[name] for name in MEASURES}, alone)
    assert (row["binding_limit"], row["usage"]) == Limits().binding(alone)
    run = found.runs["Stanley"]["offset-straight"]["late"]
    assert (run.law, run.track, run.scenario) == (laws[1], roads[1], LATE)


def test_the_worst_of_the_scenarios_is_shown():
    """The text has a line a law and track, with the worst measure and a mark where a limit is not kept."""
    limits = Limits(lateral_error_max=0.01)
    found = compare(
        {"soft": PurePursuit(lookahead_time=3.0)}, BUS, tracks.double_lane_change(), DRIVES, limits
    )
    worst = found.worst.iloc[0]
    assert worst["lateral_error_max"] == found.table["lateral_error_max"].max()
    assert not found.keeps_limits
    lines = [line for line in found.text().splitlines() if "soft" in line]
    assert len(lines) == 1
    assert f"! {100 * worst['usage']:.0f} %" in lines[0]
    assert f"{worst['lateral_error_max']:.3f}" in lines[0]
    assert found.usage["usage"].max() == worst["usage"]


def test_a_run_that_fails_is_said_in_the_table():
    """A law that loses the path is a row with its outcome, not an exception."""
    twitchy = Stanley(gain=50.0, softening=0.01)
    late = Scenario(name="very late", extra_dead_time=1.0, lateral_offset=3.0)
    found = compare(twitchy, BUS, tracks.offset_straight(speed=15.0), late)
    row = found.table.iloc[0]
    assert row["outcome"] != "finished"
    assert row["binding_limit"] == "unfinished"
    assert row["course_driven"] < 100.0
    assert math.isinf(row["lateral_error_max"])
    assert f"{row['ending']} after" in found.text()


def test_workers_change_nothing_in_a_comparison():
    """Laws in Python run by two workers give the runs that one process gives, bit for bit, with the same objects."""
    law, track = MPC(), tracks.offset_straight(speed=3.0)
    alone = compare(law, BUS, track, DRIVES, workers=1)
    shared = compare(law, BUS, track, DRIVES, workers=2)
    assert alone.table.equals(shared.table)
    one, two = alone.runs["MPC"][track.name]["late"], shared.runs["MPC"][track.name]["late"]
    np.testing.assert_array_equal(one.lateral_error, two.lateral_error)
    assert two.track is track
    assert two.law is law


@pytest.mark.parametrize("laws", [[], {}, [Stanley], {"a": "b"}])
def test_what_is_no_law_is_refused(laws):
    """Classes, text and nothing at all are named as such."""
    with pytest.raises(InputError, match="law"):
        compare(laws, BUS, tracks.offset_straight())


def test_default_scenarios_suit_the_size_of_the_vehicle():
    """A tenth-scale car starts a tenth as far off and has a tenth of the noise."""
    small = Vehicle.model_validate({"body": {"wheelbase": 0.28}})
    large = Vehicle.model_validate({"body": {"wheelbase": 2.8}})
    for one, ten in zip(default_scenarios(small), default_scenarios(large), strict=True):
        assert one.lateral_offset == pytest.approx(0.1 * ten.lateral_offset)
        assert one.localisation.noise == pytest.approx(0.1 * ten.localisation.noise)
        assert one.localisation.heading_noise == ten.localisation.heading_noise


@pytest.mark.parametrize("room", ["measures", "search"])
def test_the_examples_of_the_readme_run(room, capsys):
    """What the README shows can be typed in as it stands, and each part prints something."""
    text = (FilePath(tuning.__file__).parent / room / "README.md").read_text()
    examples = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert examples
    for example in examples:
        exec(compile(example, f"{room}/README.md", "exec"), {})
        assert capsys.readouterr().out
