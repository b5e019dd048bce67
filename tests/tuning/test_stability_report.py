"""The report on stability and its command: pictures' data, the page, exit statuses, and what is written."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from stability_drives import CAR

import tracker
import tuning
import tuning.stability
from tuning.command_line.main import run
from tuning.report.pictures import loop_curve, map_panels, margin_curves
from tuning.stability import (
    Setting,
    StabilityFindings,
    StabilityLimits,
    drawn_from_intervals,
    map_of,
    margins_over_speed,
    robustness,
)

KNOWN = CAR.replace(provenance=tuning.vehicle.Provenance(intervals={"steering.dead_time": (0.05, 0.084)}))


@pytest.fixture(scope="module")
def findings():
    """All that can be found of a law, small."""
    law, setting = tracker.Stanley(), Setting(KNOWN, compensate_dead_time=False)
    over = margins_over_speed(law, setting, [4.0, 10.0, 18.0])
    mapped = map_of(law, setting, "gain", np.geomspace(0.2, 30.0, 6), [4.0, 10.0, 18.0])
    spread = robustness(law, drawn_from_intervals(KNOWN, 3), [4.0, 18.0], setting=setting)
    return StabilityFindings("Stanley", over, mapped, spread)


def test_a_map_picture_shows_the_margins_in_its_own_units(findings):
    """Delay is in ms, what is unstable has no margin, and each panel knows its limit."""
    panels = {panel.title: panel for panel in map_panels(findings.map, StabilityLimits())}
    delay = panels["delay margin, ms"]
    assert delay.limit == pytest.approx(50.0)
    assert delay.margin == pytest.approx(np.minimum(1e3 * findings.map.margins["delay_margin"], 1000.0))
    assert np.all(delay.margin[delay.radius >= 1.0] == 0.0)
    assert panels["disk margin"].limit is None


def test_curves_over_speed_are_the_margins(findings):
    """One curve a law, in the unit of its panel."""
    (curve,) = margin_curves((findings,), "phase_margin")
    assert curve.values == pytest.approx(findings.over_speed.values("phase_margin"))


def test_a_loop_picture_marks_the_crossings_that_the_margins_have(findings):
    """|L| = 1 at the crossover, and the disk drawn touches the curve without cutting it."""
    over = margins_over_speed(tracker.Stanley(), Setting(CAR), [4.0, 10.0])
    margins = over.found[over.worst]
    curve = loop_curve(StabilityFindings("Stanley", over).loop, margins)
    assert curve.crossings[0][0] == pytest.approx(margins.crossover / (2.0 * np.pi), rel=1e-3)
    assert curve.disk is not None
    centre, radius = curve.disk
    nearest = np.abs(curve.response - centre).min()
    assert nearest == pytest.approx(radius, rel=2e-3)
    assert nearest >= radius * (1.0 - 1e-9)


def test_the_page_stands_alone_with_all_pictures(findings, tmp_path):
    """Every picture is embedded and written beside the page, and the verdict is that of the limits."""
    files = tuning.write_report(tmp_path / "report.html", vehicle=KNOWN, stability=[findings])
    text = files[0].read_text(encoding="utf-8")
    assert {file.name for file in files[1:]} == {
        "margins.png", "map-Stanley.png", "draws-Stanley.png", "loop-Stanley.png",
    }  # fmt: skip
    assert text.count("data:image/png") == 4
    assert "Before anyone drives" in text
    assert "less margin than asked for" in text
    assert "http" not in text.replace("http-equiv", "")


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder with a vehicle file, that commands run in."""
    KNOWN.save(tmp_path / "vehicle.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_command_writes_tables_maps_and_a_page(place, capsys):
    """With margin enough: status 0, one JSON object, and files that a spreadsheet reads."""
    arguments = "stability --vehicle vehicle.toml --law PurePursuit --speeds 3:15:4 --gain lookahead_time=0.5:3:5 --draws 2"
    assert run([*arguments.split(), "--out", "out", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["command"] == "stability"
    assert told["keeps_limits"] is True
    law = told["laws"]["PurePursuit"]
    assert [row["speed_m_s"] for row in law["margins"]] == [3.0, 7.0, 11.0, 15.0]
    assert law["draws"]["share_stable"] == [1.0] * 4
    table = pd.read_csv(place / "out" / "margins.csv")
    alone = tuning.margins(tracker.PurePursuit(), tuning.Vehicle.load("vehicle.toml"), 7.0)
    assert table.phase_margin_deg[1] == pytest.approx(alone.phase_degrees, rel=1e-9)
    for name in ("report.html", "map-PurePursuit.parquet", "draws-PurePursuit.csv", "stability.json"):
        assert (place / "out" / name).is_file()


def test_too_little_margin_is_status_1(place, capsys):
    """Less margin than asked for, and instability, are said by law, with status 1."""
    words = "stability --vehicle vehicle.toml --law Stanley --speeds 3:30:3 --gain none --out out --extra-dead-time 0.2"
    assert run(words.split()) == 1
    out = capsys.readouterr().out
    assert "unstable" in out
    assert "Less margin than asked for: Stanley." in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--law Stanley --speeds 9:3", "--speeds"),
        ("--law Stanley --speeds fast", "--speeds"),
        ("--law Stanleys", "neither a law nor a file"),
        ("--law Stanley --speeds 0:5", "from 0.1 to 150"),
        ("--law Stanley --gain damp", "no gain"),
        ("--law Stanley --gain =1:3", "NAME=LOW:HIGH"),
        ("--law Stanley --gain gain=3:1", "gain=0.5:4"),
        ("--law Stanley --gain gain=0:3", "greater than 0"),
        ("--law Stanley --gain feed_forward=0:1", "no gain that varies"),
        ("--law MPC --gain horizon=10:30", "no gain that varies"),
        ("--law MPC --gain corridor_margin", "--gain corridor_margin=LOW:HIGH"),
        ("--law Stanley --period 1", "period"),
        ("--law Stanley --draws 2 --speeds 3:3.5:2 --gain none --vehicle other.toml", "intervals"),
    ],
)
def test_bad_input_is_status_2_and_writes_nothing(place, capsys, words, said):
    """One sentence on standard error, and no folder."""
    CAR.save(place / "other.toml")
    arguments = words.split()
    if "--vehicle" not in arguments:
        arguments += ["--vehicle", "vehicle.toml"]
    assert run(["stability", *arguments, "--out", "out"]) == 2
    (sentence,) = capsys.readouterr().err.splitlines()  # before any work
    assert said in sentence
    assert not (place / "out").exists()


def test_the_snippet_of_the_readme_runs(place, capsys):
    """The room's README shows a script that runs as it stands, beside a vehicle file."""
    room = Path(tuning.stability.__file__).parent
    (snippet,) = re.findall(
        r"```python\n(.*?)```", (room / "README.md").read_text(encoding="utf-8"), re.DOTALL
    )
    exec(compile(snippet, "README.md", "exec"), {})
    out = capsys.readouterr().out
    assert "dB" in out
    assert "% of the map is stable" in out
