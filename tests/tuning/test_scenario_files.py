"""Scenario files: what they say becomes the scenarios meant, and each slip is one sentence with its place."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

import tracks
import tuning
from tracks.errors import FileError, InputError
from tuning.search.scenarios import checked
from tuning.simulation.scenario_files import KINDS, read_scenarios

FULL = """
[[scenario]]
name = "stop with a noisy position"
speed_factor = 0.8
load = 900
[scenario.localisation]
noise = 0.02
stamped = true
[[scenario.events]]
kind = "stop demand"
category = 1
at_distance = 60
[[scenario.events]]
kind = "friction change"
at_time = 3.0
length = 12.5
friction = 0.4

[[scenario]]
name = "nominal"
"""
STOP = '[[scenario]]\nname = "stop"\n[[scenario.events]]\nkind = "stop demand"\n'
VEHICLE = {
    "body": {"wheelbase": 3.4, "mass": 3600.0, "width": 2.0},
    "steering": {"dead_time": 0.1},
    "drive": {},
}


def written(folder: Path, text: str) -> Path:
    file = folder / "drives.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_file_gives_the_scenarios_it_says(tmp_path):
    """Nested tables, whole numbers for numbers, defaults for what is left out, in the order of the file."""
    expected = (
        tuning.Scenario(
            name="stop with a noisy position",
            speed_factor=0.8,
            load=900.0,
            localisation=tuning.Localisation(noise=0.02, stamped=True),
            events=(
                tuning.StopDemand(category=1, at_distance=60.0),
                tuning.FrictionChange(at_time=3.0, length=12.5, friction=0.4),
            ),
        ),
        tuning.Scenario(name="nominal"),
    )
    assert tuning.read_scenarios(written(tmp_path, FULL)) == expected


def test_every_kind_of_event_can_be_written(tmp_path):
    """All classes of events that `tuning` exports have a kind of their own, and come back from a file as themselves."""
    needs = {"category": 2, "speed": 3.0, "friction": 0.5, "mass": 100.0}
    for kind, event in KINDS.items():
        lines = [f"{name} = {value}" for name, value in needs.items() if name in event.model_fields]
        text = (
            f'[[scenario]]\nname = "one"\n[[scenario.events]]\nkind = "{kind}"\nat_time = 1\nduration = 2\n'
        )
        (found,) = read_scenarios(written(tmp_path, text + "\n".join(lines)))
        assert type(found.events[0]) is event is getattr(tuning, event.__name__)
    assert len(KINDS) == 10


def test_the_values_are_those_that_other_readers_of_toml_find(tmp_path):
    """The standard library's reader gives the same numbers: nothing is converted on the way."""
    file = written(tmp_path, FULL)
    raw = tomllib.loads(file.read_text())["scenario"][0]
    found = json.loads(read_scenarios(file)[0].model_dump_json())
    assert {name: found[name] for name in ("name", "speed_factor", "load")} == {
        name: raw[name] for name in ("name", "speed_factor", "load")
    }
    assert raw["events"][1].items() <= found["events"][1].items()


BROKEN = {
    "not TOML": ("[[scenario]\n", ["line 1", "is not TOML"]),
    "no scenario": ("# nothing\n", ["holds no scenario", "[[scenario]]"]),
    "table misspelt": ("[[scenarios]]\n", ["scenarios", 'write "scenario"']),
    "one table": ('[scenario]\nname = "a"\n', ["no list of tables", "write [[scenario]]"]),
    "no name": ("[[scenario]]\nfriction = 0.5\n", ["scenario 1", "has no name"]),
    "name over two lines": ('[[scenario]]\nname = "a\\nb"\n', ["scenario", "name", "words on one line"]),
    "two of a name": ('[[scenario]]\nname = "a"\n' * 2, ["scenario 2", '"a"', "rename"]),
    "field misspelt": ('[[scenario]]\nname = "wet"\nfrction = 0.5\n', ['"wet"', "frction", 'write "friction"']),
    "text for a number": ('[[scenario]]\nname = "wet"\nfriction = "0.5"\n', ['"wet"', "friction", "'0.5'", "a number"]),
    "out of range": ('[[scenario]]\nname = "askew"\nheading_offset = 30\n', ['"askew"', "heading_offset", "30", "1.5", "rad"]),
    "not finite": ('[[scenario]]\nname = "a"\nload = inf\n', ["load", "a finite number"]),
    "localisation misspelt": (
        '[[scenario]]\nname = "a"\n[scenario.localisation]\nnoize = 1.0\n',
        ['"a"', "localisation, noize", 'write "noise"'],
    ),
    "localisation out of range": (
        '[[scenario]]\nname = "a"\n[scenario.localisation]\nnoise = -1.0\n',
        ["localisation, noise", "-1.0", "m: standard deviation"],
    ),
    "kind misspelt": ('[[scenario]]\nname = "a"\n[[scenario.events]]\nkind = "stop_demnd"\n', ["event 1", "'stop_demnd'", 'kind = "stop demand"']),
    "no kind": ('[[scenario]]\nname = "a"\n[[scenario.events]]\nat_time = 1\n', ["event 1", "has no kind", "link lost"]),
    "required field misspelt": (STOP + "categry = 1\nat_time = 1\n", ['"stop"', 'event 1 "stop demand"', "categry", 'write "category"']),
    "required field missing": (STOP + "at_time = 1\n", ['event 1 "stop demand", category', "missing"]),
    "no such category": (STOP + "category = 5\nat_time = 1\n", ["category", "received 5", "0, 1 or 2"]),
    "true for a number": (STOP + "category = true\nat_time = 1\n", ["category", "received true", "a number"]),
    "no beginning": (STOP + "category = 1\n", ['event 1 "stop demand"', "no beginning", "at_time"]),
    "two beginnings": (STOP + "category = 1\nat_time = 1\nat_distance = 1\n", ['event 1 "stop demand"', "two beginnings"]),
    "two changes of load": (
        '[[scenario]]\nname = "full"\n' + '[[scenario.events]]\nkind = "load change"\nmass = 1\nat_time = 1\n' * 2,
        ['"full"', "2 changes of load", "at most one"],
    ),
    "events in place": ('[[scenario]]\nname = "a"\nevents = [3]\n', ["event 1", "received 3", "[[scenario.events]]"]),
}  # fmt: skip


@pytest.mark.parametrize(("text", "words"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_file_is_one_sentence_with_its_place(tmp_path, text, words):
    """File, scenario, event and field; what was received, what is expected, and how to mend it."""
    file = written(tmp_path, text)
    with pytest.raises(FileError) as caught:
        read_scenarios(file)
    said = str(caught.value)
    assert said.startswith(f"{file}: ")
    assert "; expected " in said
    assert "; to mend it: " in said
    assert "\n" not in said
    for word in words:
        assert word in said


@pytest.mark.parametrize(
    ("scenario", "changes", "said"),
    [
        ({"load": 500.0}, {"body.mass": None}, r'"x": .* without body\.mass'),
        ({"events": (tuning.LoadChange(mass=9000.0, position=-5.0, at_time=1.0),)}, {}, '"x": .* lifts an axle'),
        ({"load": -3500.0}, {}, r'"x": .* leaves 100 kg'),
        ({"side_wind": 10.0}, {}, r"without body\.side_area"),
        ({"events": (tuning.SideWind(speed=5.0, at_time=1.0),)}, {}, r"without body\.side_area"),
        ({"events": (tuning.LinkLost(at_distance=5000.0),)}, {}, "beyond the end of every track"),
    ],
)  # fmt: skip
def test_what_a_vehicle_cannot_meet_is_refused_before_any_drive(scenario, changes, said):
    """Named with its scenario; the same for `tune`, `compare` and the command line, which all ask `checked`."""
    vehicle = tuning.Vehicle.model_validate(VEHICLE).replace(**changes)
    with pytest.raises(InputError, match=said):
        checked(tracks.double_lane_change(), tuning.Scenario(name="x", **scenario), vehicle)


def test_what_the_vehicle_can_meet_passes():
    """Mass known, side area given, an event that lies on one of two tracks."""
    vehicle = tuning.Vehicle.model_validate(VEHICLE).replace(**{"body.side_area": 8.0})
    events = (tuning.SideWind(speed=5.0, at_time=1.0), tuning.LinkLost(at_distance=300.0))
    roads = (tracks.double_lane_change(), tracks.campus_loop())
    assert roads[0].path.length < 300.0 < roads[1].path.length
    drive = tuning.Scenario(name="x", load=500.0, events=events)
    assert checked(roads, drive, vehicle) == (roads, (drive,))


@pytest.mark.parametrize("page", ["README.md", "tuning/search/README.md"])
def test_scenario_files_in_the_readmes_can_be_read(page, tmp_path):
    """What a page shows can be saved and used as it stands."""
    text = (Path(__file__).parents[2] / page).read_text(encoding="utf-8")
    shown = [part for part in re.findall(r"```toml\n(.*?)```", text, re.DOTALL) if "[[scenario]]" in part]
    assert shown
    for part in shown:
        assert any(scenario.events for scenario in read_scenarios(written(tmp_path, part)))
