"""`Tracker.explain`: the terms it tells are those of the command that was given."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest
from drives import PERIOD, Motion

import tracker
import tracks

RESPONSE = tracker.Response(
    wheelbase=3.4, dead_time=0.1, lag=0.1, understeer_gradient=0.003, offset=0.004, gain=0.98, rate_limit=0.5
)
TYRES = RESPONSE.model_copy(
    update={
        "mass": 3000.0,
        "front_axle_distance": 1.7,
        "cornering_stiffness_front": 9e4,
        "cornering_stiffness_rear": 1.1e5,
    }
)
KINDS = list(tracker.LAWS.values())


@pytest.fixture(scope="module")
def curve() -> tracks.Track:
    """A straight into a left-hand bend of 40 m radius."""
    path = tracks.Path.from_segments(
        [tracks.Straight(20.0), tracks.Clothoid(20.0, 0.0, 1 / 40), tracks.Arc(60.0, 1 / 40)]
    )
    return tracks.Track(name="curve", path=path, speed=np.full(path.s.shape, 8.0))


def driven(law: tracker.Law, track: tracks.Track, response: tracker.Response, seconds: float = 3.0):
    """Drive for a while beside the path: give the tracker and its last command."""
    follower = tracker.Tracker(law, track, response, start=0.0)
    motion, command = Motion(y=0.2), None
    for i in range(round(seconds / PERIOD)):
        command = follower.command(motion.measured(i * PERIOD))
        motion.advance(command.curvature, command.speed, command.acceleration)
    return follower, command


def check_text(told: tracker.Explanation) -> None:
    """The text is two columns, names and values; every term has its unit or is a count or a cost; no zero has a minus."""
    first, *rows = told.text().splitlines()
    assert first == f"{told.law} at {told.time:.3f} s"
    values = {}
    start = max(len(row) - len(row.lstrip()) + len(row.strip().split("  ")[0]) for row in rows) + 2
    for row in rows:
        assert row[start - 2 : start] in ("  ", "")  # between the columns
        assert row[start : start + 1] != " "
        values[row[:start].strip()] = row[start:]
    assert {"believed pose", "wanted", "asked", "command", "speed", "speed from"} <= set(values)
    assert values["terms of the law"] == ""
    for name, value in told.terms.items():
        shown, _, unit = values[name.replace("_", " ")].partition(" ")
        if name != "curvature" and name != "asked":  # of the view and of the command as well
            assert float(shown) == pytest.approx(value, rel=1e-3, abs=5.1e-3)
            assert unit == told.units.get(name, "")
        assert name in told.units or name.startswith(("cost", "bounds", "iterations", "failures"))
    assert not re.search(r"-0\.0+ ", told.text())


@pytest.mark.parametrize("response", [RESPONSE, TYRES], ids=["no tyres", "tyres"])
@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.__name__)
def test_tells_the_command_that_was_given(kind, response, curve):
    """Worked out anew, the command is the same to rounding, twice over, and the corrections add up to it.

    Not to the last bit: where a formula is compiled into the whole step its sums may be taken in another order (`fastmath`).
    """
    follower, command = driven(kind(), curve, response)
    told = follower.explain()
    for name in ("curvature", "speed", "acceleration"):
        assert getattr(told.command, name) == pytest.approx(getattr(command, name), rel=1e-13, abs=1e-15)
    assert follower.explain() == told
    assert told.asked + told.understeer + told.steering == pytest.approx(command.curvature, rel=1e-12)
    assert told.view is not None
    assert math.isfinite(told.wanted)
    assert told.law == kind.__name__
    assert all(math.isfinite(value) for value in told.terms.values())
    check_text(told)
    json.dumps(told.data())


def test_terms_of_the_closed_forms_add_up(curve):
    """Pure pursuit's curvatures add up to what it wants; the Stanley law's angles to tan⁻¹(L κ)."""
    told = driven(tracker.PurePursuit(integral=0.2), curve, RESPONSE)[0].explain()
    parts = told.terms["pursuit"] + told.terms["feed_forward"] + told.terms["integral"]
    assert parts == pytest.approx(told.wanted, rel=1e-12)
    assert told.terms["integral"] != 0.0
    told = driven(tracker.Stanley(yaw_damping=0.05, steer_damping=0.02), curve, RESPONSE)[0].explain()
    names = ("path", "heading", "cross_track", "yaw_damping", "steer_damping")
    assert math.tan(sum(told.terms[name] for name in names)) / 3.4 == pytest.approx(told.wanted, rel=1e-12)
    assert told.terms["yaw_damping"] != 0.0
    assert told.terms["steer_damping"] != 0.0


@pytest.mark.parametrize(
    ("limits", "speed", "name"),
    [
        ({"curvature_rate": 1e-3}, 8.0, "curvature rate"),
        ({"lateral_jerk": 0.05, "curvature_rate": 100.0}, 8.0, "lateral jerk"),
        ({"lateral_acceleration": 0.5, "curvature_rate": 100.0}, 8.0, "lateral acceleration"),
        ({"curvature": 0.005, "curvature_rate": 100.0, "lateral_acceleration": 9.0}, 8.0, "curvature"),
        ({"curvature_rate": 100.0, "lateral_acceleration": 9.0}, 8.0, ""),
    ],
)
def test_names_the_limit(limits, speed, name, curve):
    """What of the envelope changed the curvature is said by name."""
    response = tracker.Response(wheelbase=3.4, rate_limit=100.0)
    follower = tracker.Tracker(
        tracker.Stanley(gain=2.0), curve, response, tracker.Envelope(**limits), start=0.0
    )
    follower.command(tracker.Measurement(0.0, 5.0, 0.3, 0.0, speed))
    assert follower.explain().limited_by == name


def test_says_why_it_stops_and_what_gives_the_speed(curve):
    """Without a usable measurement nothing is wanted and the curvature is held; a stop gives the speed."""
    follower, _ = driven(tracker.Stanley(), curve, RESPONSE)
    assert follower.explain().speed_from == "plan"
    follower.command(tracker.Measurement(9.0, math.nan, 0.0, 0.0, 8.0))
    told = follower.explain()
    assert (told.limited_by, told.speed_from, told.view) == ("held", "stop", None)
    assert told.stopped_because is tracker.StopReason.MEASUREMENT_NOT_FINITE
    assert "stopped because  measurement not finite" in told.text()
    assert "not asked of the law" in told.text()
    assert "nan" not in told.text()


def test_nothing_to_explain_is_said(curve):
    """Before the first command, and while a driver steers, there is none to explain."""
    follower = tracker.Tracker(tracker.Stanley(), curve, RESPONSE)
    with pytest.raises(ValueError, match="no command to explain"):
        follower.explain()
    follower.command(Motion().measured(0.0))
    follower.explain()
    follower.stand_by(Motion().measured(0.02))
    with pytest.raises(ValueError, match="no command to explain"):
        follower.explain()
