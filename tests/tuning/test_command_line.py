"""The command line: exit statuses, one JSON object and nothing else, one sentence for whatever is wrong."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

import tracker
import tuning
from tracks.errors import InputError
from tuning.command_line import inputs
from tuning.command_line.main import COMMANDS, run
from tuning.demo import CHANNELS, FIT_LOGS
from tuning.demo.shipped import known

VEHICLE = """\
[body]
wheelbase = 2.8
width = 1.8
[steering]
dead_time = 0.1
natural_frequency = 12.0
damping = 0.8
[drive]
lag = 0.3
"""
HEAVY = (
    "numpy",
    "numba",
    "scipy",
    "pandas",
    "matplotlib",
    "casadi",
    "pydantic",
    "jinja2",
    "pint",
    "asammdf",
    "mcap",
)


@pytest.fixture
def place(tmp_path, monkeypatch) -> Path:
    """A folder of its own, with a vehicle file in it, that commands run in."""
    (tmp_path / "vehicle.toml").write_text(VEHICLE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def only_json(text: str) -> dict[str, object]:
    """The object that the whole text is; NaN and infinity are refused, as other readers do."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    found = json.loads(text, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def one_sentence(text: str) -> str:
    """The last line of standard error, which is all there is beside what a command says it is doing."""
    lines = text.strip().splitlines()
    assert sum(line.startswith("pathtrim: ") for line in lines) == 1
    assert "Traceback" not in text
    assert not any(mark in text for mark in "╭│╰─")
    assert lines[-1].startswith("pathtrim: ")
    return lines[-1]


def test_help_is_quick_because_nothing_heavy_is_imported():
    """Loading every command imports none of the packages that take long to load."""
    code = (
        "import sys\nfrom tuning.command_line.main import run\nassert run(['--help']) == 0\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert all(name in done.stdout for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_with_an_example(name, capsys):
    """Help goes to standard output with status 0, names --json, and shows a command to copy."""
    assert run([name, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "--json" in text
    assert f"Example: pathtrim {name}" in text


def test_no_arguments_show_help_and_version_is_told(capsys):
    """A first try without arguments is met with help, not with an error."""
    assert run([]) == 0
    assert "Commands:" in capsys.readouterr().out
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("pathtrim 0.")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["tunee"], "tunee"),
        (["tune"], "--vehicle"),
        (["tune", "--vehicle"], "--vehicle"),
        (["identify", "--channels", "c.toml"], "LOG"),
        (["compare", "--speed", "fast", "MPC"], "--speed"),
        (["export", "study", "--law", "MPC", "--out", "x", "--csv"], "--csv"),
    ],
)
def test_wrong_usage_is_one_sentence_and_status_2(arguments, said, place, capsys):
    """Usage errors name the option or word at fault and where help is; standard output stays empty."""
    before = contents(place)
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    sentence = one_sentence(err)
    assert said in sentence
    assert "--help" in sentence
    assert contents(place) == before


def tune(*more: str) -> list[str]:
    return ["tune", "--vehicle", "vehicle.toml", "--out", "study", *more]


def compare(*more: str) -> list[str]:
    return ["compare", "--vehicle", "vehicle.toml", "--out", "out", *more]


def identify(log: str, *more: str, channels: str = str(CHANNELS)) -> list[str]:
    return ["identify", log, "--channels", channels, "--out", "found.toml", *more]


BAD = {
    "log missing": ({}, identify("none.csv"), ["none.csv", "does not exist"]),
    "log cell": ({"log.csv": "t,curvature_cmd\n0,a\n"}, identify("log.csv"), ["log.csv"]),
    "log suffix": ({"log.xls": "x"}, identify("log.xls"), ["log.xls", ".csv"]),
    "channel file": (
        {"c.toml": '[time]\ncolumn = "t"\nunit = "furlong"\n'},
        identify(str(FIT_LOGS[0]), channels="c.toml"),
        ["c.toml", "time", "furlong"],
    ),
    "channel syntax": (
        {"c.toml": "[time\n"},
        identify(str(FIT_LOGS[0]), channels="c.toml"),
        ["c.toml", "line 1"],
    ),
    "known": ({}, identify(str(FIT_LOGS[0]), "--known", "wheelbase"), ["wheelbase", "--known"]),
    "known twice": (
        {},
        identify(str(FIT_LOGS[0]), "--known", "wheelbase=3", "--known", "wheelbase=4"),
        ["wheelbase", "twice"],
    ),
    "known together": (
        {},
        identify(str(FIT_LOGS[0]), "--known", "wheelbase=3.4", "--known", "front_axle_distance=5"),
        ["front_axle_distance"],
    ),
    "seed": ({}, identify(str(FIT_LOGS[0]), "--seed", "-1"), ["--seed"]),
    "out is a log": (
        {"found.toml": "t,v\n"},
        identify("found.toml"),
        ["found.toml", "is an input"],
    ),
    "out is of another": (
        {"found.toml": "mine = 1\n"},
        identify(str(FIT_LOGS[0])),
        ["found.toml", "no vehicle file of pathtrim"],
    ),
    "study's vehicle is of another": (
        {},
        ["tune", "--vehicle", "vehicle.toml", "--law", "MPC", "--track", "slalom", "--out", "."],
        ["vehicle.toml", "not written by pathtrim"],
    ),
    "report is of another": (
        {"report.html": "<html>mine</html>"},
        ["compare", "--vehicle", "vehicle.toml", "--track", "slalom", "--out", ".", "MPC"],
        ["report.html", "not written by pathtrim"],
    ),
    "known name": ({}, identify(str(FIT_LOGS[0]), "--known", "whelbase=3"), ["whelbase", "wheelbase"]),
    "model": ({}, identify(str(FIT_LOGS[0]), "--model", "bicycle"), ["bicycle", "single-track"]),
    "vehicle": (
        {"vehicle.toml": VEHICLE.replace("2.8", "-2.8")},
        tune("--law", "MPC", "--track", "slalom"),
        ["vehicle.toml", "body.wheelbase", "-2.8"],
    ),
    "vehicle syntax": (
        {"vehicle.toml": "[body]\nwheelbase 2.8\n"},
        tune("--law", "MPC", "--track", "slalom"),
        ["vehicle.toml", "line 2"],
    ),
    "vehicle missing": (
        {},
        ["tune", "--vehicle", "no.toml", "--law", "MPC", "--track", "slalom", "--out", "s"],
        ["no.toml"],
    ),
    "track": (
        {"loop.csv": "x,y\n0,0\n1,east\n2,0\n"},
        tune("--law", "MPC", "--track", "loop.csv"),
        ["loop.csv", "line 3", "east"],
    ),
    "track name": ({}, tune("--law", "MPC", "--track", "figure-eight"), ["figure-eight", "campus-loop"]),
    "law name": ({}, tune("--law", "Standley", "--track", "slalom"), ["Standley", "Stanley"]),
    "candidates": (
        {},
        tune("--law", "MPC", "--track", "slalom", "--candidates", "30"),
        ["30", "power of two"],
    ),
    "limits": (
        {"l.toml": "overshot = 3\n"},
        tune("--law", "MPC", "--track", "slalom", "--limits", "l.toml"),
        ["l.toml", "overshot", "overshoot"],
    ),
    "scenarios missing": (
        {},
        tune("--law", "MPC", "--track", "slalom", "--scenarios", "none.toml"),
        ["none.toml", "does not exist", "scenario file"],
    ),
    "scenario field": (
        {"s.toml": '[[scenario]]\nname = "wet"\nfrction = 0.5\n'},
        tune("--law", "MPC", "--track", "slalom", "--scenarios", "s.toml"),
        ["s.toml", '"wet"', "frction", "friction"],
    ),
    "scenario kind": (
        {"s.toml": '[[scenario]]\nname = "a"\n[[scenario.events]]\nkind = "stop"\n'},
        compare("--track", "slalom", "--scenarios", "s.toml", "MPC"),
        ["s.toml", '"a"', "event 1", "'stop'", "stop demand"],
    ),
    "load on a vehicle without mass": (
        {"s.toml": '[[scenario]]\nname = "full"\nload = 500.0\n'},
        tune("--law", "MPC", "--track", "slalom", "--scenarios", "s.toml"),
        ["s.toml", '"full"', "body.mass"],
    ),
    "event beyond the track": (
        {"s.toml": '[[scenario]]\nname = "a"\n[[scenario.events]]\nkind = "link lost"\nat_distance = 9000\n'},
        compare("--track", "slalom", "--scenarios", "s.toml", "MPC"),
        ["s.toml", '"a"', "command link lost", "9000 m", "beyond the end"],
    ),
    "events of another": (
        {"events.csv": "mine\n"},
        ["compare", "--vehicle", "vehicle.toml", "--track", "slalom", "--out", ".", "MPC"],
        ["events.csv", "not written by pathtrim"],
    ),
    "out is a file": (
        {"study": "x"},
        tune("--law", "MPC", "--track", "slalom"),
        ["study", "is a file"],
    ),
    "parameters": (
        {"p.json": '{"format": "pathtrim-parameters", "version": 9}'},
        compare("--track", "slalom", "p.json"),
        ["p.json", "version", "9"],
    ),
    "parameters syntax": ({"p.json": "{"}, compare("--track", "slalom", "p.json"), ["p.json", "line 1"]),
    "law or file": ({}, compare("--track", "slalom", "Stan"), ["Stan", "neither"]),
    "track as law": ({}, compare("--track", "slalom", "campus-loop"), ["campus-loop", "--track campus-loop"]),
    "law twice": ({}, compare("--track", "slalom", "MPC", "mpc", "MPC"), ["MPC", "twice"]),
    "speed": ({}, compare("--track", "slalom", "--speed", "-3", "MPC"), ["-3", "speed"]),
    "study": ({}, ["export", "none", "--law", "MPC", "--out", "e"], ["none", "no such folder"]),
}


@pytest.mark.parametrize("case", BAD.values(), ids=BAD.keys())
def test_bad_input_is_one_sentence_and_writes_nothing(case, place, capsys):
    """Every kind of file and value: status 2, what is wrong and where, and no file made or changed."""
    files, arguments, words = case
    for name, text in files.items():
        (place / name).write_text(text, encoding="utf-8")
    before = contents(place)
    for more in ([], ["--json"]):
        assert run([*arguments, *more]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        sentence = one_sentence(err)
        for word in words:
            assert word in sentence
        assert contents(place) == before


@pytest.fixture(scope="module")
def studied(tmp_path_factory) -> Path:
    """A folder with a vehicle and studies of two laws, made by `tune` with both ways to name several laws."""
    folder = tmp_path_factory.mktemp("studied")
    (folder / "vehicle.toml").write_text(VEHICLE, encoding="utf-8")
    few = ["--candidates", "4", "--refine", "2", "--workers", "1"]
    arguments = [
        "--law",
        "pure-pursuit",
        "Stanley",
        "--track",
        "offset-straight",
        "--out",
        str(folder / "study"),
    ]
    assert run(["tune", "--vehicle", str(folder / "vehicle.toml"), *arguments, *few]) in (0, 1)
    return folder


def test_tune_writes_studies_and_a_report(studied):
    """One study a law, the vehicle beside them, and the report with its pictures."""
    names = set(contents(studied / "study"))
    assert {"PurePursuit/study.json", "Stanley/study.json", "vehicle.toml", "report.html"} <= names
    assert {"pictures/tuning-PurePursuit.png", "pictures/tuning-Stanley.png"} <= names
    study = tuning.Study.load(studied / "study" / "Stanley")
    assert len(study.candidates) == 6


def test_export_then_compare(studied, tmp_path, capsys):
    """Exported parameters load as the law of the study, and drive beside a study and a law by name."""
    study = tuning.Study.load(studied / "study" / "PurePursuit")
    status = run(
        ["export", str(studied / "study"), "--law", "purepursuit", "--out", str(tmp_path / "e"), "--json"]
    )
    told = only_json(capsys.readouterr().out)
    assert status == (0 if study.keeps_limits else 1)
    assert told["usage"] == study.best_score
    law = tracker.load(tmp_path / "e" / "parameters.json")
    assert law.gains == study.best.gains
    assert law.response == study.best.response

    vehicle = str(studied / "vehicle.toml")
    words = [str(tmp_path / "e" / "parameters.json"), str(studied / "study" / "Stanley"), "MPC"]
    more = ["--vehicle", vehicle, "--track", "offset-straight", "--out", str(tmp_path / "c"), "--json"]
    status = run(["compare", *words, *more])
    out, err = capsys.readouterr()
    told = only_json(out)
    assert "MPC drives with gains that were not tuned" in err
    assert "PurePursuit drives" not in err
    assert status == (0 if told["keeps_limits"] else 1)
    assert [row["law"] for row in told["worst"]] == ["PurePursuit", "Stanley", "MPC"]
    written = {"report.html", "comparison.csv", "comparison.json", "pictures/usage.png"}
    assert written <= set(contents(tmp_path / "c"))
    only_json((tmp_path / "c" / "comparison.json").read_text(encoding="utf-8"))


SCENARIOS = """\
[[scenario]]
name = "nominal"

[[scenario]]
name = "stop with a noisy position"
[scenario.localisation]
noise = 0.02
[[scenario.events]]
kind = "stop demand"
category = 1
at_distance = 60.0

[[scenario]]
name = "full, and the driver takes over"
load = 800.0
[[scenario.events]]
kind = "driver takes over"
at_distance = 20.0
duration = 2.0
lateral_offset = 0.4
"""


@pytest.fixture(scope="module")
def shuttle(tmp_path_factory) -> Path:
    """A folder with the demo's vehicle, identified from its logs, a scenario file and limits on stops."""
    folder = tmp_path_factory.mktemp("shuttle")
    found = tuning.identify([tuning.read_log(log, channels=CHANNELS) for log in FIT_LOGS], known=known())
    found.vehicle.save(folder / "vehicle.toml")
    (folder / "scenarios.toml").write_text(SCENARIOS, encoding="utf-8")
    (folder / "limits.toml").write_text(
        "stopping_distance = 20\nstopping_excursion = 0.05\n", encoding="utf-8"
    )
    return folder


def test_tune_and_compare_take_a_scenario_file(shuttle, capsys):
    """On the demo's vehicle: the study has the file's scenarios; every event is in the table, the files and the report."""
    words = ["--vehicle", str(shuttle / "vehicle.toml"), "--track", "campus-loop"]
    words += ["--scenarios", str(shuttle / "scenarios.toml"), "--limits", str(shuttle / "limits.toml")]
    few = ["--candidates", "4", "--refine", "2", "--workers", "1"]
    assert run(["tune", *words, "--law", "Stanley", "--out", str(shuttle / "study"), *few]) in (0, 1)
    capsys.readouterr()
    study = tuning.Study.load(shuttle / "study" / "Stanley")
    assert study.scenarios == tuning.read_scenarios(shuttle / "scenarios.toml")
    assert {"stopping_distance", "stopping_excursion"} <= set(study.usage["limit"])

    out = shuttle / "c"
    arguments = ["compare", str(shuttle / "study" / "Stanley"), "PurePursuit", *words, "--out", str(out)]
    assert run([*arguments, "--json"]) in (0, 1)
    told = only_json(capsys.readouterr().out)
    assert [(row["law"], row["event"], row["ending"]) for row in told["events"]] == [
        (law, event, ending)
        for law in ("Stanley", "PurePursuit")
        for event, ending in (
            ("stop demand, category 1", "stopped on demand"),
            ("driver takes over", "handed back after 2.0 s"),
        )
    ]
    stop = told["events"][0]
    assert stop["began_at"] == pytest.approx(60.0, abs=0.5)
    assert 0.0 < stop["stopping_distance"] < 20.0
    assert stop["command_jump"] is None
    # The other laws' tables, and the same events for programs that read CSV.
    table = (out / "events.csv").read_text(encoding="utf-8").splitlines()
    assert table[0].startswith("law,track,scenario,number,event,")
    assert len(table) == 1 + 4
    assert "inf" not in "".join(table)
    assert told["events"] == only_json((out / "comparison.json").read_text(encoding="utf-8"))["events"]
    page = (out / "report.html").read_text(encoding="utf-8")
    for said in (
        "What happened on campus-loop",
        "stop demand, category 1",
        "stopped on demand",
        "handed back",
    ):
        assert said in page
    pictures = {file.name for file in (out / "pictures").iterdir()}
    assert {"campus-loop.png", "campus-loop--stop-with-a-noisy-position.png"} <= pictures

    # Again into the same folder without events: the table of the old ones must not stay behind.
    assert run(["compare", "PurePursuit", *words[:4], "--out", str(out)]) in (0, 1)
    assert "stop demand" not in capsys.readouterr().out
    assert not (out / "events.csv").exists()


def test_two_of_one_law_are_told_apart(studied, tmp_path, capsys):
    """Two parameter files of one law keep their files' names in the table."""
    files = []
    for i, gain in enumerate((1.0, 2.0)):
        files.append(str(tmp_path / f"{i}.json"))
        tracker.save(tracker.Stanley(gain=gain), files[-1])
    words = [
        "--vehicle",
        str(studied / "vehicle.toml"),
        "--track",
        "offset-straight",
        "--out",
        str(tmp_path / "c"),
    ]
    run(["compare", *files, *words, "--json"])
    told = only_json(capsys.readouterr().out)
    assert [row["law"] for row in told["worst"]] == [f"Stanley ({file})" for file in files]


def test_a_limit_that_is_not_met_is_status_1(studied, tmp_path, capsys):
    """The work is done and written, and the table says which limit is broken."""
    (tmp_path / "strict.toml").write_text("overshoot = 0.001\n", encoding="utf-8")
    words = [
        "--vehicle",
        str(studied / "vehicle.toml"),
        "--track",
        "offset-straight",
        "--out",
        str(tmp_path / "c"),
    ]
    assert run(["compare", "PurePursuit", *words, "--limits", str(tmp_path / "strict.toml")]) == 1
    out, _ = capsys.readouterr()
    assert "overshoot" in out
    assert "Not every limit is kept" in out
    assert "limit broken" in (tmp_path / "c" / "report.html").read_text(encoding="utf-8")


def test_export_names_the_laws_that_were_tuned(studied, tmp_path, capsys):
    """Asking for a law without a study says which laws there are."""
    assert run(["export", str(studied / "study"), "--law", "MPC", "--out", str(tmp_path / "e")]) == 2
    sentence = one_sentence(capsys.readouterr().err)
    assert "PurePursuit, Stanley" in sentence
    assert not (tmp_path / "e").exists()


def test_identify_writes_a_vehicle_and_a_report(place, capsys):
    """A vehicle file that loads, a fit report that stands alone, and what to do next."""
    arguments = ["--known", "wheelbase=3.4", "--model", "kinematic", "--name", "Shuttle"]
    # The steering steps hardly brake: what that would show is given.
    for told in ("brake_dead_time=0.12", "brake_lag=0.16", "speed_gain=0.9"):
        arguments += ["--known", told]
    assert run(identify(str(FIT_LOGS[0]), *arguments, "--json")) == 0
    told = only_json(capsys.readouterr().out)
    assert told["validation"]["yaw_rate"]["fit_percent"] > 80.0
    assert told["parameters"]["steering.dead_time"]["low"] > 0.0
    vehicle = tuning.Vehicle.load(place / "found.toml")
    assert vehicle.body.wheelbase == 3.4
    assert vehicle.provenance.name == "Shuttle"
    report = (place / "found-fit.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in report
    assert set(contents(place)) == {"vehicle.toml", "found.toml", "found-fit.html"}


def raising(error: BaseException) -> Callable[..., None]:
    def work(*_: object, **__: object) -> None:
        raise error

    return work


def test_interruption_is_a_sentence_and_status_130(place, monkeypatch, capsys):
    """Ctrl-C while tuning leaves no traceback and no output."""
    monkeypatch.setattr(tuning, "tune", raising(KeyboardInterrupt()))
    assert run(tune("--law", "MPC", "--track", "slalom")) == 130
    out, err = capsys.readouterr()
    assert out == ""
    assert "interrupted" in one_sentence(err)
    assert not (place / "study").exists()


def test_a_fault_of_pathtrim_is_not_taken_for_bad_input(place, monkeypatch, capsys):
    """An unforeseen error keeps its traceback and has a status of its own."""
    monkeypatch.setattr(tuning, "tune", raising(ZeroDivisionError("boom")))
    assert run(tune("--law", "MPC", "--track", "slalom")) == 3
    err = capsys.readouterr().err
    assert "ZeroDivisionError: boom" in err
    assert "fault of pathtrim" in err


def test_files_of_one_drive_are_joined_by_a_plus(place):
    """A demo log in two files, commands and measurements, gives the vehicle that the whole log gives."""
    first = FIT_LOGS[0]
    whole = pd.read_csv(first, comment="#")
    asked = ["t", "curvature_cmd", "speed_cmd", "accel_cmd"]
    whole[asked].to_csv(place / "commands.csv", index=False)
    whole[["t", *(name for name in whole if name not in asked)]].to_csv(place / "measured.csv", index=False)
    mapped = tuning.Channels.load(CHANNELS)
    one = tuning.read_log(first, mapped)
    two = tuning.read_log(inputs.drive_files("commands.csv+measured.csv"), mapped)
    assert dict(two.fresh) == {}
    for quantity in one.data:
        assert list(one[quantity]) == list(two[quantity])
    assert run(identify("commands.csv+measured.csv", "--known", "wheelbase=3.4")) in (0, 1)
    assert (place / "found.toml").is_file()


def test_a_plus_in_the_name_of_a_file_is_no_joint(place):
    """A file that bears the whole name is taken; a + with nothing beside it is refused."""
    (place / "a+b.csv").write_text("t,v\n", encoding="utf-8")
    assert inputs.drive_files("a+b.csv") == [Path("a+b.csv")]
    assert inputs.drive_files("c.csv+d.csv") == [Path("c.csv"), Path("d.csv")]
    with pytest.raises(InputError, match="without a file beside it"):
        inputs.drive_files("c.csv+")
