"""Units of drive logs against scipy's constants (CODATA, and the definitions of the international foot, mile and knot)."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from logs_made import SPEED, TIME, frame, read
from scipy import constants

from tracks.errors import FileError
from tuning.logs.units import UNITS, any_unit, near_unit, to_si

TURN = 2.0 * constants.pi


@pytest.mark.parametrize(
    ("quantity", "unit", "factor"),
    [
        ("speed", "km/h", constants.kmh),
        ("speed", "kph", constants.kmh),
        ("speed", "km / h", constants.kmh),
        ("speed", "mph", constants.mph),
        ("speed", "knot", constants.knot),
        ("speed", "kn", constants.knot),
        ("speed", "ft/s", constants.foot),
        ("speed", "cm/s", constants.centi),
        ("yaw_rate", "deg/s", constants.degree),
        ("yaw_rate", "°/s", constants.degree),
        ("yaw_rate", "º/s", constants.degree),
        ("yaw_rate", "rpm", TURN / constants.minute),
        ("yaw_rate", "mrad/s", constants.milli),
        ("heading", "arcmin", constants.arcminute),
        ("heading", "turn", TURN),
        ("heading", "gon", TURN / 400.0),
        ("lateral_acceleration", "g", constants.g),
        ("lateral_acceleration", "g0", constants.g),
        ("lateral_acceleration", "m/s**2", 1.0),
        ("lateral_acceleration", "m·s⁻²", 1.0),
        ("lateral_acceleration", "m/sec2", 1.0),
        ("lateral_acceleration", "ft/s²", constants.foot),
        ("curvature_command", "1/km", 1e-3),
        ("curvature_command", "rad/m", 1.0),
        ("curvature_command", "deg/m", constants.degree),
        ("x", "mm", constants.milli),
        ("x", "ft", constants.foot),
        ("time", "min", constants.minute),
        ("time", "µs", constants.micro),
        ("time", "us", constants.micro),
        ("throttle_command", "%", 0.01),
        ("throttle_command", "percent", 0.01),
        ("steering_command", "mrad", constants.milli),
    ],
)
def test_factors_are_those_of_the_definitions(quantity, unit, factor):
    """To rounding; g means standard gravity in an acceleration."""
    assert to_si(quantity, unit) == pytest.approx(factor, rel=1e-14)


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [
        ("heading", "1"),  # by the SI a radian is 1; an angle must still be called one
        ("heading", ""),
        ("heading", "%"),
        ("yaw_rate", "Hz"),  # a hertz is no radian per second: wrong by 2 pi
        ("yaw_rate", "1/s"),
        ("yaw_rate", "deg"),
        ("lateral_acceleration", "gram"),
        ("lateral_acceleration", "mg"),  # a milligram
        ("lateral_acceleration", "G"),  # a gauss
        ("speed", "g"),
        ("speed", "rad/s"),
        ("speed", "m/s/s"),
        ("time", "degC"),
        ("throttle_command", "rad"),
        ("x", "9**9**9**9"),
        ("x", "2 m"),
        ("x", "m" * 200),
        ("x", "__import__('os')"),
        ("x", ")("),
    ],
)
def test_what_does_not_fit_is_refused(quantity, unit):
    """No factor: of another dimension, dimensionless where an angle is meant, with a factor of its own, or no unit."""
    assert to_si(quantity, unit) is None


def test_usual_spellings_agree_with_the_library():
    """The table of the usual spellings is a shortcut: pint gives the same factors, but for g, which is its gram."""
    from tuning.logs.unit_words import factor_by_name
    from tuning.logs.units import _DIMENSIONS

    for kind, units in UNITS.items():
        for unit, factor in units.items():
            if unit not in ("", "g"):
                assert factor_by_name(unit, _DIMENSIONS[kind]) == pytest.approx(factor, rel=1e-14), unit
    assert factor_by_name("g", _DIMENSIONS["acceleration"]) is None


def test_a_near_match_is_named():
    """Spellings that logs really have; nothing where nothing is near."""
    assert near_unit("speed", "kmh") == "km/h"
    assert near_unit("speed", "KM/H") == "km/h"
    assert near_unit("yaw_rate", "degs") == "deg/s"
    assert near_unit("yaw_rate", "Hz") == ""
    assert any_unit("km/h")
    assert not any_unit("filtered")


def test_wheel_speeds_in_angular_units_take_a_radius(tmp_path):
    """A wheel of 0.3 m at 100 rpm rolls at 2 pi 0.3 100 / 60 m/s; the unit may stand in the header."""
    frame(n=100.0).rename(columns={"n": "n [rpm]"}).to_csv(tmp_path / "a.csv", index=False)
    for given in ({"unit": "rpm"}, {}):
        log = read(tmp_path / "a.csv", wheel_speed_rear_left={"column": "n", "radius": 0.3, **given})
        np.testing.assert_allclose(log["wheel_speed_rear_left"], TURN * 0.3 * 100.0 / 60.0, rtol=1e-14)
    with pytest.raises(FileError, match=r"wheel_speed_rear_left has unit 'rpm'.*radius = 0.31"):
        read(tmp_path / "a.csv", wheel_speed_rear_left={"column": "n"})


def test_angles_at_the_hand_wheel_take_a_ratio(tmp_path):
    """150 deg at the hand wheel with a ratio of 15 are 10 deg at the road wheels; a command becomes an angle."""
    frame(hand=150.0).to_csv(tmp_path / "a.csv", index=False)
    wheel = {"column": "hand", "unit": "deg", "ratio": 15.0}
    log = read(tmp_path / "a.csv", steering_command=wheel)
    np.testing.assert_allclose(log["steering_command"], np.radians(10.0), rtol=1e-14)
    assert log.steering_unit == "rad"
    np.testing.assert_allclose(
        read(tmp_path / "a.csv", steering_angle={**wheel, "scale": -1.0})["steering_angle"], -np.radians(10.0)
    )
    with pytest.raises(FileError, match=r"steering_command has no unit and a ratio"):
        read(tmp_path / "a.csv", steering_command={"column": "hand", "ratio": 15.0})


def test_a_steering_command_takes_the_unit_of_its_header(tmp_path):
    """With [deg] it is an angle, without a unit a number; saying "no unit" of a column in deg is a contradiction."""
    frame(s=TIME).rename(columns={"s": "s [deg]"}).to_csv(tmp_path / "a.csv", index=False)
    assert read(tmp_path / "a.csv", steering_command={"column": "s"}).steering_unit == "rad"
    with pytest.raises(
        FileError, match="is in 'deg', but the channel file gives steering_command the unit ''"
    ):
        read(tmp_path / "a.csv", steering_command={"column": "s", "unit": ""})
    frame(s=SPEED).to_csv(tmp_path / "b.csv", index=False)
    assert read(tmp_path / "b.csv", steering_command={"column": "s"}).steering_unit is None


def test_reading_an_ordinary_log_needs_no_library_of_units(tmp_path):
    """A CSV with usual units is read without pint, asammdf or mcap (in a process of its own)."""
    import subprocess

    frame().to_csv(tmp_path / "a.csv", index=False)
    (tmp_path / "c.toml").write_text(
        '[time]\ncolumn="t"\nunit="s"\n[speed]\ncolumn="v"\nunit="km/h"\n', encoding="utf-8"
    )
    code = (
        "import sys, tuning; tuning.read_log('a.csv', 'c.toml'); "
        "print([m for m in ('pint', 'asammdf', 'mcap', 'mcap_ros2') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:0] = {sys.path!r}; {code}"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"
