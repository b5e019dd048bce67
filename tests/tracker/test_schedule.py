"""Gains over speed: the compiled table against scipy, without jump or overshoot, in files and in the loop."""

from __future__ import annotations

import json
import re

import jsonschema
import numpy as np
import pytest
from pydantic import ValidationError
from scipy.interpolate import PchipInterpolator

import tracker
import tracks
import tuning
from tracker.schedule import gain_at, place_at, table, value_at
from tracks.errors import FileError
from tracks.one_source import plain

RISING = tracker.Schedule(speeds=(2.0, 5.0, 6.0, 12.0), values=(2.0, 1.2, 1.1, 0.4))
OTHER = tracker.Schedule(speeds=(0.0, 4.0, 20.0), values=(1.0, 3.0, 2.0))
SPEEDS = np.linspace(0.0, 25.0, 501)


def compiled(gains: np.ndarray, k: int) -> np.ndarray:
    """Give the k-th gain of a table at SPEEDS by compiled code."""
    return np.array([gain_at(gains, place_at(gains, float(v)), k) for v in SPEEDS])


def test_table_is_scipys_monotone_cubic():
    """Two schedules with other knots and a constant in one table, against scipy's PchipInterpolator."""
    gains = table(RISING, 7.0, OTHER)
    for k, schedule in ((0, RISING), (2, OTHER)):
        first, last = schedule.speeds[0], schedule.speeds[-1]
        # The constant pieces beyond the ends belong to the curve.
        cubic = PchipInterpolator(
            [first - 1.0, *schedule.speeds, last + 1.0],
            [schedule.values[0], *schedule.values, schedule.values[-1]],
        )
        expected = cubic(np.clip(SPEEDS, first, last))
        np.testing.assert_allclose(compiled(gains, k), expected, rtol=1e-13)
        np.testing.assert_allclose(schedule.at(SPEEDS), expected, rtol=1e-13)
    np.testing.assert_allclose(compiled(gains, 1), 7.0, rtol=1e-15)
    assert value_at(RISING, 5.0) == pytest.approx(1.2)


def test_neither_jumps_nor_overshoots():
    """Between knots the gain stays between their values, is monotone where they are, and its slope is continuous."""
    values = compiled(table(RISING), 0)
    assert values.min() >= 0.4
    assert values.max() <= 2.0
    assert np.all(np.diff(values) <= 1e-15)
    slope = np.diff(values) / np.diff(SPEEDS)
    assert np.abs(np.diff(slope)).max() < 0.05  # 1/(m/s) per 0.05 m/s: no kink


def test_plain_source_agrees():
    """One source, two ways to run it."""
    gains = table(RISING, OTHER)
    for v in (0.0, 2.0, 4.7, 6.0, 30.0):
        by_python = plain(gain_at)(gains, plain(place_at)(gains, v), 1)
        assert gain_at(gains, place_at(gains, v), 1) == pytest.approx(by_python, rel=1e-14)


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"speeds": [2.0, 1.0], "values": [1.0, 1.0]}, "increasing"),
        ({"speeds": [1.0, 2.0], "values": [1.0]}, "one value a speed"),
        ({"speeds": [1.0, 2.0], "values": [1.0, -1.0]}, "above 0"),
        ({"speeds": [1.0, 2.0], "values": [1.0, 0.0]}, "above 0"),
        ({"speeds": [-1.0, 2.0], "values": [1.0, 1.0]}, "from 0 m/s"),
        ({"speeds": [1.0], "values": [1.0]}, "at least 2"),
    ],
)
def test_nonsense_is_refused(bad, words):
    """A schedule that is none, or holds a value that the gain may not have, is refused in words."""
    with pytest.raises(ValidationError, match=words):
        tracker.PurePursuit(lookahead_time=bad)


def test_bounds_hold_between_schedules():
    """A shortest lookahead above the longest one at some speed only is found."""
    with pytest.raises(ValidationError, match="below shortest_lookahead"):
        tracker.PurePursuit(
            shortest_lookahead=tracker.Schedule(speeds=(1.0, 10.0), values=(3.0, 9.0)), longest_lookahead=8.0
        )


@pytest.mark.parametrize("wrong", [[[2.0, 1.0], [4.0, 2.0]], "1.0"])
def test_what_is_neither_a_number_nor_a_schedule_is_told_the_form_of_both(wrong, tmp_path):
    """A schedule written by hand in another form is answered with the form to write, which then loads."""
    tracker.save(tracker.Stanley(), tmp_path / "law.json")
    content = json.loads((tmp_path / "law.json").read_text())
    content["gains"]["gain"] = wrong
    (tmp_path / "law.json").write_text(json.dumps(content))
    with pytest.raises(FileError) as caught:
        tracker.load(tmp_path / "law.json")
    assert caught.value.where == "gains.gain"
    form = re.search(r"\{.*\}", caught.value.expected)
    assert form is not None
    content["gains"]["gain"] = json.loads(form[0])
    jsonschema.validate(content, tracker.parameters.schema())
    (tmp_path / "law.json").write_text(json.dumps(content))
    assert tracker.load(tmp_path / "law.json").gain == tracker.Schedule(speeds=(2.0, 8.0), values=(1.5, 1.0))


def test_a_gain_that_an_older_file_lacks_is_named_with_what_a_new_law_has(tmp_path):
    """Files of before a gain existed are refused, since its default may drive otherwise than what was tuned."""
    tracker.save(tracker.PurePursuit(), tmp_path / "law.json")
    content = json.loads((tmp_path / "law.json").read_text())
    del content["gains"]["feed_forward"]
    (tmp_path / "law.json").write_text(json.dumps(content))
    with pytest.raises(FileError, match="a new PurePursuit has true") as caught:
        tracker.load(tmp_path / "law.json")
    assert caught.value.where == "gains.feed_forward"


def test_file_gives_back_the_identical_law(tmp_path):
    """A scheduled gain survives the parameter file, and a wrong one is refused by the gain's name."""
    law = tracker.PurePursuit(lookahead_time=RISING)
    tracker.save(law, tmp_path / "law.json")
    assert tracker.load(tmp_path / "law.json") == law
    text = (tmp_path / "law.json").read_text().replace("0.4", "-0.4")
    (tmp_path / "bad.json").write_text(text)
    with pytest.raises(ValueError, match=r"gains\.lookahead_time: a value is -0\.4; expected values above 0"):
        tracker.load(tmp_path / "bad.json")


@pytest.mark.parametrize("kind", [tracker.PurePursuit, tracker.Stanley])
def test_at_one_speed_a_schedule_drives_as_its_value(kind):
    """At a constant speed the loop with a schedule is the loop with the gain that it has there."""
    name = next(iter(kind.search_space(tracker.Response())))
    schedule = tracker.Schedule(speeds=(2.0, 14.0), values=(2.0, 0.8))
    vehicle = tuning.Vehicle.model_validate(
        {
            "body": {"wheelbase": 3.4, "model": "kinematic"},
            "steering": {"lag": 0.1, "dead_time": 0.1, "rate_limit": 1.0},
        }
    )
    path = tracks.Path.from_segments([tracks.Straight(60.0), tracks.Arc(60.0, 0.02), tracks.Straight(30.0)])
    track = tracks.Track("bend", path, speed=np.full(path.s.shape, 7.0), start_offset=0.4)
    by_schedule = tuning.simulate(kind(**{name: schedule}), vehicle, track)
    by_value = tuning.simulate(kind(**{name: value_at(schedule, 7.0)}), vehicle, track)
    # The speed at the end falls, and with it the gain.
    cruise = by_schedule.s < 125.0
    n = int(cruise.sum())
    np.testing.assert_allclose(
        by_schedule.lateral_error[:n], by_value.lateral_error[:n], atol=1e-9, rtol=1e-6
    )
