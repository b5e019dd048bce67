"""The demo: the whole main job, once, on the shipped data."""

from __future__ import annotations

import json
import re

import pytest

import tracker
import tuning
from tuning.command_line.main import run
from tuning.demo import CHANNELS, FIT_LOGS, VALIDATION_LOGS

LAWS = ("PurePursuit", "Stanley", "PreviewLQR", "MPC")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The folder that the demo wrote, its exit status, and what it said on standard output and error."""
    folder = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        said: list[str] = []
        patch.setattr("builtins.print", lambda *words, **_: said.append(" ".join(map(str, words))))
        status = run(["demo", "--out", str(folder / "out"), "--json"])
    return folder / "out", status, said


def test_the_demo_keeps_every_limit(demo):
    """Status 0: each of the four laws can be tuned to the limits for riders who stand, on both tracks."""
    folder, status, said = demo
    told = json.loads(said[-1])
    assert status == 0
    assert told["keeps_limits"] is True
    assert [(row["law"], row["track"]) for row in told["worst"]] == [
        (law, track) for law in LAWS for track in ("double-lane-change", "campus-loop")
    ]
    assert told["folder"] == str(folder)


def test_the_identified_shuttle_foretells_the_held_out_drive(demo):
    """Yaw rate fits by 80 % or more on the log that was kept out, and intervals stand in the vehicle file."""
    told = json.loads(demo[2][-1])
    assert told["validation"]["yaw_rate"]["fit_percent"] >= 80.0
    vehicle = tuning.Vehicle.load(demo[0] / "vehicle.toml")
    low, high = vehicle.provenance.intervals["steering.dead_time"]
    assert low <= vehicle.steering.dead_time <= high


def test_everything_is_where_the_demo_says(demo):
    """Logs and channel file as shipped, studies, parameters that load, and one report."""
    folder = demo[0]
    for file in (*FIT_LOGS, *VALIDATION_LOGS, CHANNELS):
        assert (folder / file.name).read_bytes() == file.read_bytes()
    for law in LAWS:
        study = tuning.Study.load(folder / "study" / law)
        loaded = tracker.load(folder / "export" / law / "parameters.json")
        assert loaded == study.best
    assert all(file.exists() for file in map(type(folder), json.loads(demo[2][-1])["files"]))


def test_the_report_stands_alone_and_is_small(demo):
    """No address outside, the pictures inside, every law and file named, below 4 MB."""
    text = (demo[0] / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=\"(?!data:|#)", text)
    assert "http" not in re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]+", "", text)
    # usages, two tracks, four studies; of the fit five outputs, response, residuals, intervals and correlations
    assert text.count("data:image/png;base64,") == 16
    assert all(f"Tuning {law}" in text for law in LAWS)
    assert len(text) < 4e6


def test_the_demo_can_be_gone_on_with_by_command(demo, tmp_path, capsys):
    """What it wrote is what the other commands take."""
    folder = demo[0]
    assert run(["export", str(folder / "study"), "--law", "Stanley", "--out", str(tmp_path / "e")]) == 0
    assert "parameters.json" in capsys.readouterr().out
