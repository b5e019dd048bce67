"""Limits on measures, and their file."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from tracks.errors import FileError
from tuning.measures import MEASURES, Limits


def test_every_limit_is_on_a_measure():
    """A limit has the name of a measure, and says its source or that it has none."""
    for name, field in Limits.model_fields.items():
        assert name in MEASURES
        assert field.default is None or "source" in field.description or "UN R79" in field.description or (
            name == "corridor_used"
        )  # fmt: skip


def test_outside_values_are_those_of_their_sources():
    """Lane keeping of UN R79 and ISO 11270 (secondary source): 3 m/s², 5 m/s³; Hoberock 1977 from memory: 0.15 g."""
    assert (Limits().lateral_acceleration_r79, Limits().lateral_jerk_r79) == (3.0, 5.0)
    assert Limits.gentle().lateral_acceleration_r79 == pytest.approx(0.15 * 9.81, abs=0.03)
    assert Limits.gentle().lateral_jerk_r79 == pytest.approx(0.3 * 9.81, abs=0.06)


def test_usage_is_measure_over_limit_where_both_are():
    """Free measures and those that do not apply have no usage; the largest usage binds."""
    measures = dict.fromkeys(MEASURES, math.nan) | {
        "overshoot": 5.0,
        "lateral_error_max": 0.4,
        "lateral_jerk_max": 99.0,
    }
    limits = Limits(overshoot=10.0, lateral_error_max=0.5)
    assert limits.usage(measures) == {"overshoot": 0.5, "lateral_error_max": 0.8}
    assert limits.binding(measures) == ("lateral_error_max", 0.8)


def test_nothing_binds_where_nothing_applies():
    """Without a limit that applies the usage is 0."""
    assert Limits().binding(dict.fromkeys(MEASURES, math.nan)) == ("", 0.0)


@pytest.mark.parametrize(
    "wrong", [{"overshoot": 0.0}, {"overshoot": -1.0}, {"overshoot": math.nan}, {"oversho": 1.0}]
)
def test_impossible_limits_are_refused(wrong):
    """A limit is a finite number above 0 on a known measure."""
    with pytest.raises(ValidationError):
        Limits(**wrong)


@pytest.mark.parametrize("limits", [Limits(), Limits.gentle(overshoot=None, settling_distance=30.0)])
def test_a_file_gives_back_the_same_limits(limits, tmp_path):
    """Saved and loaded limits are equal, those that are free too."""
    limits.save(tmp_path / "limits.toml")
    assert Limits.load(tmp_path / "limits.toml") == limits


def test_a_file_need_only_name_what_differs(tmp_path):
    """Limits left out of a file keep their default, and "none" frees one."""
    file = tmp_path / "limits.toml"
    file.write_text('lateral_error_max = 0.05\novershoot = "none"\n')
    assert Limits.load(file) == Limits(lateral_error_max=0.05, overshoot=None)


@pytest.mark.parametrize(
    ("text", "where", "remedy"),
    [
        ("overshoot = \n", "line 1", "correct the line"),
        ("oversoot = 3\n", "oversoot", 'write "overshoot"'),
        ("overshoot = -3\n", "overshoot", "correct the value"),
        ("overshoot = nan\n", "overshoot", "correct the value"),
        ('overshoot = "few"\n', "overshoot", "correct the value"),
        ("overshoot = true\n", "overshoot", "correct the value"),
        ("[overshoot]\n", "overshoot", "correct the value"),
    ],
)
def test_malformed_files_are_refused_with_place_and_remedy(text, where, remedy, tmp_path):
    """The message names the file, the line or field, and what to do."""
    file = tmp_path / "limits.toml"
    file.write_text(text)
    with pytest.raises(FileError) as caught:
        Limits.load(file)
    assert (caught.value.file, caught.value.where) == (str(file), where)
    assert remedy in caught.value.remedy
