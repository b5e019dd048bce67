"""What the README shows does what it says: its script on the demo's logs and on the logs of a real small car."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_car import ON_BOARD

import tracker
import tuning

ROOT = Path(__file__).resolve().parents[1]
SETTINGS = re.compile(r"# --- what is yours ---\n.*?# -{21}\n", re.DOTALL)
SMALL_CAR = """
from pathlib import Path
LOGS, JUDGED_BY = sorted(Path({folder!r}).glob("s*_steering/*.csv")), []
CHANNELS = "on_board.toml"
KNOWN = {{"wheelbase": 0.1735, "width": 0.12}}
SPEED, SCALE = 1.5, 0.1
LIMITS = {{"lateral_error_rms": 0.02, "lateral_error_95": 0.04, "lateral_error_max": 0.06, "steering_rate_rms": 1.0}}
OUT = "tuned"
"""


def snippets() -> list[str]:
    """Give the Python snippets of the README, in order."""
    found = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert len(found) == 2
    return found


def run(code: str, folder: Path) -> str:
    """Run a script in a folder, as a user does, and give what it prints."""
    (folder / "script.py").write_text(code, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "script.py"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


TUNED = ("PurePursuit", "Stanley", "PreviewLQR", "MPC")  # by the script


def check_outputs(folder: Path, wheelbase: float) -> None:
    """Check that everything the script promises is there and can be used."""
    tuned = folder / "tuned"
    assert tuning.Vehicle.load(tuned / "vehicle.toml").body.wheelbase == wheelbase
    for name in TUNED:
        law = tracker.load(tuned / name / "parameters.json")
        assert isinstance(law, tracker.LAWS[name])
        assert law.response is not None
        assert law.response.wheelbase == wheelbase
        assert json.loads((tuned / name / "parameters.json").read_text())["cautions"]
    assert (tuned / "comparison.csv").read_text().count("\n") == 1 + len(TUNED) * 2 * 4
    assert "data:image/" in (tuned / "report.html").read_text()


def test_the_script_is_short():
    """Forty lines at most take an engineer from logs to parameters."""
    assert len(snippets()[0].splitlines()) <= 40


def test_script_on_the_demo_logs(tmp_path):
    """The script as quoted, on the demo's file names; only the candidates are fewer, to save time."""
    shutil.copytree(ROOT / "tuning" / "demo" / "data", tmp_path / "pathtrim-demo")
    script, on_the_vehicle = snippets()
    fewer = script.replace(", 32)", ", 8)").replace("MPC, 8)", "MPC, 2)")
    assert fewer.count(", 8)") == 3
    printed = run(fewer, tmp_path)
    for expected in (
        "steering.dead_time",
        "95 % interval",
        "PurePursuit",
        "Stanley",
        "PreviewLQR",
        "MPC",
        "campus-loop",
    ):
        assert expected in printed
    check_outputs(tmp_path, 3.4)
    curvature, speed, _ = (float(value) for value in run(on_the_vehicle, tmp_path).split())
    # 0.1 m left of the path on a straight: to the right, little; the plan's speed is its top speed there.
    assert -0.1 < curvature < 0.0
    assert speed == pytest.approx(7.0)


def test_script_on_the_small_car(shared_data, tmp_path):
    """The same script takes a real 1:10-scale car from its own commands to parameters with a static map."""
    (tmp_path / "on_board.toml").write_text(ON_BOARD, encoding="utf-8")
    settings = SMALL_CAR.format(folder=str(shared_data / "small_car"))
    script = snippets()[0]
    code = script.replace(SETTINGS.findall(script)[0], settings)
    printed = run(code, tmp_path)
    assert printed.count("every limit is kept") >= 3
    check_outputs(tmp_path, 0.1735)
    note = (tmp_path / "tuned" / "Stanley" / "README.txt").read_text()
    assert "send a number" in note
    vehicle = tuning.Vehicle.load(tmp_path / "tuned" / "vehicle.toml")
    angle = vehicle.steering.map_angle[6]
    assert vehicle.steering_number(angle) == pytest.approx(vehicle.steering.map_command[6])


def test_law_of_a_users_own(tmp_path):
    """The law in the tracker's README, as it stands in a user's script, is tuned and finishes every run."""
    text = (ROOT / "tracker" / "README.md").read_text(encoding="utf-8")
    code = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    (said,) = re.findall(r"```text\n(.*?)```", text, re.DOTALL)
    vehicle = {"body": {"wheelbase": 3.4}, "steering": {"dead_time": 0.1}, "drive": {}}
    tuning.Vehicle.model_validate(vehicle).save(tmp_path / "vehicle.toml")
    first, explained, scheduled, stand_by, inner_loops, own_law = code
    assert run(first, tmp_path).count("m/s") == 2
    assert run(explained, tmp_path) == said
    assert "cross track" in said
    # Between the knots of 2.2 s and 1.5 s.
    assert 1.5 < float(run(scheduled, tmp_path).split()[0]) < 2.2
    assert "3.00 m/s by the driver, 3.04 m/s engaged" in run(stand_by, tmp_path)
    assert "brake 0.00" in run(inner_loops, tmp_path)
    printed = run(own_law, tmp_path)
    assert "Proportional: stiffness" in printed
    assert "unfinished" not in printed
