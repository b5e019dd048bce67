"""Logs that cannot tell a value say so; logs that can are believed.

A shuttle with second-order steering and a body in steady cornering, integrated by `independent_drives`. Its drives are
what engineers record when they have not thought of identification: a straight motorway, one constant speed, one lap of
one curve, a minute of small corrections.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from independent_drives import Grid, coloured, excitation, quantised, second_order, steady_yaw_rate
from numpy.typing import NDArray

from tuning.command_line.main import run
from tuning.identification import Identified, identify
from tuning.logs import Log

Array = NDArray[np.float64]

PERIOD = 0.02  # s
LENGTH = 3.4
TRUE = {
    "steering.dead_time": 0.113,
    "steering.natural_frequency": 11.0,
    "steering.damping": 0.65,
    "steering.gain": 0.97,
    "steering.offset": 0.004,
    "tyres.understeer_gradient": 0.0035,
}
# s and relative: an interval that reaches further either way than this says that the value is not determined.
WIDE_TIME, WIDE = 0.02, 0.2
WIDE_GAIN = 0.05  # a gain is wanted to a few percent: it scales every curve that is driven
# What answers of the steering come to be known by; where a first order is taken, its lag instead of the last two.
DYNAMICS = ("steering.dead_time", "steering.natural_frequency", "steering.damping", "steering.lag")
CHANNELS = """\
[time]
column = "t"
unit = "s"
[curvature_command]
column = "curvature"
unit = "1/m"
[speed]
column = "speed"
unit = "m/s"
[yaw_rate]
column = "yaw"
unit = "rad/s"
"""
COLUMNS = {"time": "t", "curvature_command": "curvature", "speed": "speed", "yaw_rate": "yaw"}


def driven(name: str, time: Array, speed: Array, command: Array, seed: int) -> Log:
    """Give the log of a drive: a gyro with a noise of 0.005 rad/s is all that measures its answer."""
    rng = np.random.default_rng([11, seed])
    grid = Grid(time, TRUE["steering.dead_time"])
    asked = TRUE["steering.gain"] * np.arctan(LENGTH * command) + TRUE["steering.offset"]
    nodes, _ = second_order(grid, asked, TRUE["steering.natural_frequency"], TRUE["steering.damping"])
    yaw = steady_yaw_rate(speed, nodes[grid.samples], LENGTH, TRUE["tyres.understeer_gradient"])
    data = {
        "time": time,
        "curvature_command": command,
        "speed": quantised(speed + coloured(rng, time.size, 0.02, 0.9), 0.01),
        "yaw_rate": quantised(yaw + coloured(rng, time.size, 0.005, 0.9), 0.0005),
    }
    return Log(name, data)


def several_speeds(time: Array) -> Array:
    """Give a speed between 3 and 14 m/s, twice up and down."""
    return 8.5 - 5.5 * np.cos(2.0 * np.pi * time / 40.0)


def motorway(seed: int) -> Log:
    """Straight on at 25 to 33 m/s: corrections of 0.00002 1/m, which turn the wheels by a hundredth of a degree."""
    time = np.arange(0.0, 90.0, PERIOD)
    speed = 29.0 - 4.0 * np.cos(2.0 * np.pi * time / 60.0)
    command = coloured(np.random.default_rng([12, seed]), time.size, 2e-5, 0.98)
    return driven("motorway", time, speed, command, seed)


def constant_speed(seed: int) -> Log:
    """Lively steering, but all of it at 8 m/s."""
    time = np.arange(0.0, 80.0, PERIOD)
    command = 0.04 * excitation(time, np.random.default_rng([13, seed]))
    return driven("constant speed", time, np.full(time.size, 8.0), command, seed)


def one_curve(seed: int) -> Log:
    """Gently into a circle of 25 m radius, once round it at 7 m/s, and out again."""
    time = np.arange(0.0, 45.0, PERIOD)
    command = np.interp(time, (0.0, 10.0, 14.0, 32.0, 36.0, 45.0), (0.0, 0.0, 0.04, 0.04, 0.0, 0.0))
    speed = 7.0 + 0.1 * np.sin(0.4 * time)
    return driven("one curve", time, speed, command, seed)


def small_steering(seed: int) -> Log:
    """A minute at several speeds with wheels that move by a twentieth of a degree."""
    time = np.arange(0.0, 60.0, PERIOD)
    command = 2.5e-4 * excitation(time, np.random.default_rng([14, seed]))
    return driven("small steering", time, several_speeds(time), command, seed)


def rich(seed: int) -> Log:
    """Weaving and steps to 2 m/s² at several speeds."""
    time = np.arange(0.0, 80.0, PERIOD)
    speed = several_speeds(time)
    command = excitation(time, np.random.default_rng([15, seed])) * np.minimum(2.0 / speed**2, 0.1)
    return driven("rich", time, speed, command, seed)


# Drive -> what it cannot tell (one of each tuple at least must be named), and what it can.
CANNOT: dict[str, tuple[Callable[[int], Log], list[tuple[str, ...]], tuple[str, ...]]] = {
    "motorway": (
        motorway,
        [("steering.dead_time",), ("steering.natural_frequency", "steering.lag"), ("steering.gain",)],
        (),
    ),
    "constant speed": (
        constant_speed,
        [("tyres.understeer_gradient",)],  # and with it the gain
        ("steering.dead_time", "steering.natural_frequency", "steering.damping"),
    ),
    "one curve": (
        one_curve,
        [
            ("tyres.understeer_gradient",),
            ("steering.natural_frequency", "steering.damping", "steering.lag", "steering.dead_time"),
        ],
        (),
    ),
    "small steering": (
        small_steering,
        [("steering.dead_time",), ("steering.natural_frequency", "steering.damping", "steering.lag")],
        (),
    ),
}


@cache
def identified(name: str, seed: int = 0) -> Identified:
    """Identify one of the drives."""
    log = (rich if name == "rich" else CANNOT[name][0])(seed)
    return identify(log, known={"wheelbase": LENGTH})


@pytest.mark.parametrize("name", CANNOT)
def test_what_a_drive_cannot_tell_is_named(name):
    """Each undetermined value is in `undetermined`, what the drive does tell is not, and the verdict is not clean."""
    found = identified(name)
    _, cannot, can = CANNOT[name]
    for choices in cannot:
        assert any(choice in found.undetermined for choice in choices), (choices, found.undetermined)
    assert not set(can) & set(found.undetermined)
    assert found.advice


@pytest.mark.parametrize("name", CANNOT)
def test_intervals_of_what_is_undetermined_say_so(name):
    """Where an interval is given it holds the truth, and is too wide to be taken for knowledge."""
    found = identified(name)
    for value in set(found.undetermined) & set(found.parameters.index) & set(TRUE):
        row = found.parameters.loc[value]
        if not np.isfinite(row["low"] + row["high"]):
            continue
        assert row["low"] <= TRUE[value] <= row["high"], (value, row.to_dict())
        wide = {"steering.dead_time": WIDE_TIME, "steering.gain": WIDE_GAIN}.get(
            value, WIDE * abs(TRUE[value])
        )
        assert 0.5 * (row["high"] - row["low"]) > wide, (value, row.to_dict())


@pytest.mark.parametrize("name", CANNOT)
def test_no_narrow_interval_misses_the_truth(name):
    """What is given as determined is right, within four standard errors, whatever the drive: nothing is made up."""
    found = identified(name)
    for value in set(TRUE) & set(found.parameters.index) - set(found.undetermined):
        row = found.parameters.loc[value]
        if row["status"] == "found":
            assert abs(row["value"] - TRUE[value]) < 4.0 * row["standard_error"], (value, row.to_dict())


@pytest.mark.parametrize("seed", range(4))
def test_a_rich_drive_raises_no_alarm(seed):
    """Good logs leave nothing open: no false alarm over four drives, and every value is near."""
    found = identified("rich", seed)
    assert found.undetermined == ()
    assert found.trusted, found.doubts
    for name, value in TRUE.items():
        row = found.parameters.loc[name]
        assert abs(row["value"] - value) < 4.0 * row["standard_error"], name


def write(log: Log, folder: Path) -> list[str]:
    """Write a log and its channel file; give the arguments of `pathtrim identify` for them."""
    file = folder / "drive.csv"
    pd.DataFrame({column: log[quantity] for quantity, column in COLUMNS.items()}).to_csv(file, index=False)
    (folder / "channels.toml").write_text(CHANNELS, encoding="utf-8")
    return [
        "identify", str(file), "--channels", str(folder / "channels.toml"), "--known", f"wheelbase={LENGTH}",
        "--out", str(folder / "vehicle.toml"),
    ]  # fmt: skip


@pytest.mark.parametrize("name", CANNOT)
def test_the_command_leaves_with_1_and_says_what_to_drive(name, tmp_path, capsys):
    """The exit status is 1, and the message names a value that is open and what to drive next."""
    status = run(write(CANNOT[name][0](0), tmp_path))
    out, err = capsys.readouterr()
    assert status == 1
    found = identified(name)
    assert any(value in out + err for value in found.undetermined)
    assert any(advice in " ".join((out + err).split()) for advice in found.advice)


def test_the_command_leaves_a_rich_drive_with_0(tmp_path, capsys):
    """A drive that tells everything ends with status 0 and the next step."""
    assert run(write(rich(0), tmp_path)) == 0
    assert "Next: pathtrim tune" in capsys.readouterr().out
