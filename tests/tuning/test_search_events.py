"""Studies and comparisons over scenarios in which something happens: meant stops count, limits on stops bind."""

from __future__ import annotations

import math

import numpy as np
import pytest

import tracker
import tracks
import tuning
from tuning.report.sections.comparison import comparison_section, shown_drives
from tuning.report.sections.happened import event_words, happened_tables
from tuning.search.endings import _OUTCOMES, _REASONS, by_event, ending, event_ending
from tuning.search.scoring import HOPELESS, run_usage

FREE = dict.fromkeys(tuning.Limits.model_fields, None)
HALF_WIDTH, BODY = 1.15, 2.0
SHUTTLE = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9, "width": BODY},
        "tyres": {"cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3},
        "steering": {"dead_time": 0.11, "natural_frequency": 11.0, "damping": 0.75},
        "drive": {"brake_dead_time": 0.15, "brake_lag": 0.2, "deceleration_limit": 4.0},
        "link": {"watchdog": 0.3},
    }
)
STOP = tuning.Scenario(name="stop in the bend", events=(tuning.StopDemand(category=1, at_distance=32.0),))
LOST = tuning.Scenario(name="no link", events=(tuning.LinkLost(at_distance=20.0),))
BLIND = tuning.Scenario(name="no pose", events=(tuning.LocalisationLost(at_distance=20.0),))
HANDED = tuning.Scenario(
    name="take-over",
    events=(tuning.DriverTakesOver(at_distance=15.0, duration=2.0, lateral_offset=0.5),),
)


def bend(corridor: bool = True) -> tracks.Track:
    """A straight into a bend of 20 m radius without a transition, in a lane hardly wider than the body."""
    path = tracks.Path.from_segments(
        [tracks.Straight(30.0), tracks.Arc(60.0, 1.0 / 20.0), tracks.Straight(20.0)]
    )
    return tracks.Track(
        name="bend",
        path=path,
        speed=np.full(path.s.shape, 6.0),
        corridor=tracks.Corridor.of_width(path, HALF_WIDTH) if corridor else None,
    )


@pytest.fixture(scope="module")
def study():
    """Pure pursuit, which cuts corners without feed-forward, tuned for nothing but to stay in its lane while it stops."""
    limits = tuning.Limits(**{**FREE, "stopping_excursion": 0.10, "stopping_distance": 15.0})
    drives = (tuning.Scenario(), STOP)
    return tuning.tune(
        tracker.PurePursuit,
        SHUTTLE,
        bend(),
        limits,
        drives,
        candidates=16,
        refine=6,
        workers=1,
        progress=False,
        fixed={"feed_forward": False},
    )


def test_the_tuned_law_keeps_the_limit_on_stops_and_others_do_not(study):
    """The excursion is worked out anew from the drive of the best law: |e| + half the body − half the lane."""
    assert study.keeps_limits
    run = tuning.simulate(study.best, SHUTTLE, bend(), STOP)
    assert run.outcome is tuning.Outcome.STOPPED_ON_DEMAND
    stopping = run.time >= run.happenings[0].begun - 1e-6
    excursion = max(0.0, float(np.abs(run.lateral_error[stopping]).max()) + 0.5 * BODY - HALF_WIDTH)
    assert run.measures["stopping_excursion"] == pytest.approx(excursion, abs=1e-9)
    assert excursion <= 0.10
    steps = np.hypot(np.diff(run.x[stopping]), np.diff(run.y[stopping]))
    assert run.measures["stopping_distance"] == pytest.approx(float(steps.sum()), rel=1e-3)
    assert run.measures["stopping_distance"] < 15.0
    # The limit decides: some candidates stop out of their lane, and score their excursion over the limit.
    broken = study.candidates[study.candidates["score"] > 1.0]
    assert len(broken) > 0
    assert set(broken["binding_limit"]) <= {"stopping_excursion", "stopping_distance"}
    worst = broken.iloc[0]
    assert worst["score"] == pytest.approx(worst["stopping_excursion"] / 0.10)
    assert worst["scenario"] == STOP.name
    assert worst["ending"] == "stopped on demand"


def test_runs_without_a_stop_are_not_ranked_by_limits_on_stops(study):
    """The nominal drive has no usage of them and costs nothing; the ranks stay finite."""
    assert set(study.usage["scenario"]) == {STOP.name}
    assert sorted(study.usage["limit"]) == ["stopping_distance", "stopping_excursion"]
    assert np.isfinite(study.candidates["rank"]).all()
    mean = study.usage["usage"].mean()
    assert study.best_row["rank"] == pytest.approx(study.best_score + 0.1 * mean)


def test_a_study_with_events_comes_back_from_its_folder(study, tmp_path):
    """Scenarios with events survive, and so do the words."""
    study.save(tmp_path)
    back = tuning.Study.load(tmp_path)
    assert back.scenarios == study.scenarios
    assert back.candidates.equals(study.candidates)


def test_a_limit_on_stops_without_a_stop_is_said(study):
    """A kept limit that judged nothing must not look like a proof."""
    limits = tuning.Limits(stopping_excursion=0.1)
    found = tuning.compare(study.best, SHUTTLE, bend(), tuning.Scenario(), limits)
    assert "nothing was judged by the limit on stopping excursion" in found.text()
    assert any("nothing was judged" in words for words in event_words(found))
    no_corridor = tuning.compare(study.best, SHUTTLE, bend(corridor=False), STOP, limits)
    assert "needs a track with a corridor" in no_corridor.text()
    judged = tuning.compare(study.best, SHUTTLE, bend(), STOP, limits)
    assert judged.not_judged == ""
    small = tuning.tune(
        tracker.Stanley, SHUTTLE, bend(), limits, tuning.Scenario(), candidates=2, refine=0, workers=1,
        progress=False,
    )  # fmt: skip
    assert "nothing was judged by the limit on stopping excursion" in small.summary()


@pytest.fixture(scope="module")
def comparison():
    """Two laws through every kind of ending that a scenario may ask for, and one that nobody asks for."""
    hasty = tuning.Scenario(name="far too late", extra_dead_time=1.0, lateral_offset=2.0, events=STOP.events)
    limits = tuning.Limits(stopping_distance=5.0)
    laws = {"Stanley": tracker.Stanley(), "wild": tracker.Stanley(gain=50.0, softening=0.01)}
    return tuning.compare(laws, SHUTTLE, bend(), (STOP, LOST, BLIND, HANDED, hasty), limits)


def test_meant_stops_count_and_others_do_not(comparison):
    """A run that ends as meant has measures and no usage of `unfinished`; the one that is lost has only that."""
    table = comparison.table.set_index(["law", "scenario"])
    expected = {
        STOP.name: "stopped on demand",
        LOST.name: "stopped by the watchdog",
        BLIND.name: "stopped: localisation lost",
        HANDED.name: "reached the end",
    }
    for scenario, words in expected.items():
        row = table.loc[("Stanley", scenario)]
        assert row["ending"] == words
        assert row["course_driven"] == 100.0
        assert row["usage"] < HOPELESS
        run = comparison.runs["Stanley"]["bend"][scenario]
        assert "unfinished" not in run_usage(comparison.limits, run.measures)
    row = table.loc[("wild", "far too late")]
    assert row["binding_limit"] == "unfinished"
    assert row["usage"] > HOPELESS
    assert row["ending"] in ("left the path", "stopped: too far from the path")


def test_the_table_of_events_says_what_the_runs_know(comparison):
    """Every event of every run has a row with the figures of its `Happening`; nothing is infinite."""
    rows = comparison.events.to_dict("records")
    assert len(rows) == 2 * 5
    for row in rows:
        found = comparison.runs[row["law"]]["bend"][row["scenario"]].happenings[row["number"] - 1]
        for name in (
            "stopping_distance",
            "stopping_time",
            "excursion",
            "lateral_error",
            "command_jump",
            "speed",
        ):
            np.testing.assert_equal(row[name], getattr(found, name))
        np.testing.assert_equal(row["began_after"], found.begun if found.happened else math.nan)
    assert not np.isinf(comparison.events.select_dtypes("number").to_numpy()).any()
    handed = next(row for row in rows if row["scenario"] == HANDED.name and row["law"] == "Stanley")
    assert handed["ending"] == "handed back after 2.0 s"
    assert handed["command_jump"] > 0.0
    assert "handed back after 2.0 s" in comparison.text()


def test_laws_stand_beside_each_other_in_the_report(comparison):
    """One table a track, grouped by scenario and event; a stop longer than its limit is marked, and has a picture."""
    (table,) = happened_tables(comparison)
    groups = by_event(comparison.events.to_dict("records"))
    assert [len(group) for group in groups] == [2] * 5
    headings = [row[0] for row in table.rows if len(row) == 1]
    assert headings == [f"In the scenario {name}" for name in comparison.runs["Stanley"]["bend"]]
    at = table.columns.index("Stopping distance, m")
    stops = [row[at] for row in table.rows if len(row) > 1]
    assert {cell.mark for cell in stops if cell.text not in ("–",)} == {"broken"}
    assert {cell.mark for cell in stops if cell.text == "–"} <= {"quiet"}
    assert any(getattr(row[-1], "mark", "") == "broken" for row in table.rows)
    drives = shown_drives(comparison)
    assert list(drives.values()) == [("bend", name) for name in comparison.runs["Stanley"]["bend"]]
    section = comparison_section(comparison, {})
    assert table in section.parts


def test_every_ending_has_words():
    """Whatever a run may end with has its own words, apart from the numbers of its enumeration."""
    assert set(_OUTCOMES) == set(tuning.Outcome)
    assert set(_REASONS) == set(tracker.StopReason) - {tracker.StopReason.NONE}
    assert len(set(_OUTCOMES.values())) == len(_OUTCOMES)


def test_an_event_that_never_began_is_said():
    """A stop demanded after the drive is over proves nothing, and the report says so."""
    late = tuning.Scenario(name="too late", events=(tuning.StopDemand(category=1, at_time=1000.0),))
    found = tuning.compare(tracker.Stanley(), SHUTTLE, bend(), late)
    run = found.runs["Stanley"]["bend"]["too late"]
    assert ending(run) == "reached the end"
    assert event_ending(run, run.happenings[0]) == "did not begin"
    assert found.events.iloc[0]["happened"] == np.False_
    assert any("never began" in words and "too late" in words for words in event_words(found))
    (table,) = happened_tables(found)
    assert table.columns == ("Event", "Law", "How it ended")
