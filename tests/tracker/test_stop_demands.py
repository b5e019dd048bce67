"""Demanded stops of the categories of ISO 13850 and IEC 60204-1 (meaning of the categories: from memory)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drives import PERIOD, Motion, drive

import tracker
import tracks
from tracker.memory import DEMAND, STOP
from tracks.errors import InputError

LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
RESPONSE = tracker.Response(lag=0.1)
SPEED = 8.0


@pytest.fixture(scope="module")
def bend() -> tracks.Track:
    """A left bend of 40 m radius at constant speed."""
    path = tracks.Path.from_segments(
        [tracks.Straight(20.0), tracks.Clothoid(20.0, 0.0, 1 / 40.0), tracks.Arc(150.0, 1 / 40.0)]
    )
    return tracks.Track(name="bend", path=path, speed=np.full(path.s.shape, SPEED))


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("category", [0, 1, 2])
def test_demanded_stop_keeps_to_the_path(law, category, bend):
    """The speed asked falls at the envelope's deceleration to 0 while the vehicle is steered through the bend."""
    follower = tracker.Tracker(law, bend, RESPONSE)
    motion = Motion()
    drive(follower, 2.5, motion=motion)
    follower.demand_stop(category)
    stop = drive(follower, 6.0, motion=motion, start=2.5)
    assert follower.stopped_because is tracker.StopReason.DEMANDED
    falling = stop.speeds[stop.speeds > 0.0]
    decrease = follower.envelope.deceleration * PERIOD
    assert -np.diff(falling) == pytest.approx(np.full(falling.size - 1, decrease), abs=1e-9)
    assert falling[0] == pytest.approx(stop.measured[0].speed - decrease, abs=0.01)
    assert all(c.acceleration == -follower.envelope.deceleration for c in stop.commands[: falling.size])
    assert stop.speeds[-1] == stop.commands[-1].acceleration == 0.0
    assert motion.speed < 0.01
    # It stops at s = 36 m, where the path has turned in to 0.8 of 1/40 1/m; the law with the long lookahead cuts there.
    assert np.abs(stop.lateral_errors(bend.path)).max() < 0.2
    assert stop.curvatures[0] < 0.01
    assert stop.curvatures[falling.size] == pytest.approx(0.02, abs=0.004)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("after", [1.0, 8.0])
def test_released_stop_goes_back_to_the_plan(law, after, bend):
    """Category 2, released while rolling or standing: no jump, up at the envelope's acceleration, and on the plan."""
    follower = tracker.Tracker(law, bend, RESPONSE)
    motion = Motion()
    drive(follower, 3.0, motion=motion)
    follower.demand_stop(2)
    stop = drive(follower, after, motion=motion, start=3.0)
    follower.release_stop()
    again = drive(follower, 5.5, motion=motion, start=3.0 + after)
    assert follower.stopped_because is tracker.StopReason.NONE
    steps = np.diff([stop.speeds[-1], *again.speeds])
    assert steps.max() <= follower.envelope.acceleration * PERIOD + 1e-12
    assert steps.min() >= -1e-12
    assert again.speeds[-1] == pytest.approx(SPEED, rel=1e-12)
    assert motion.speed == pytest.approx(SPEED, abs=0.01)
    assert np.abs(np.diff([stop.curvatures[-1], *again.curvatures])).max() <= 0.8 / 2.8 * PERIOD + 1e-12


@pytest.mark.parametrize("category", [0, 1])
def test_categories_0_and_1_are_final(category, bend):
    """They cannot be released, nor weakened by a later demand, until a driver has taken over."""
    follower = tracker.Tracker(tracker.Stanley(), bend, RESPONSE)
    motion = Motion()
    follower.demand_stop(2)
    follower.demand_stop(category)
    follower.demand_stop(2)
    drive(follower, 1.0, motion=motion)
    with pytest.raises(InputError, match=f"category {category} was demanded, which is final"):
        follower.release_stop()
    drive(follower, 1.0, motion=motion, start=1.0)
    assert follower.stopped_because is tracker.StopReason.DEMANDED
    follower.stand_by(motion.measured(2.0))
    drive(follower, 1.0, motion=motion, start=2.0 + PERIOD)
    assert follower.stopped_because is tracker.StopReason.NONE


@pytest.mark.parametrize("category", [1, 2])
def test_demand_given_in_stand_by_waits_for_the_engagement(category, bend):
    """A demand that nobody has obeyed yet is not forgotten."""
    follower = tracker.Tracker(tracker.Stanley(), bend, RESPONSE)
    motion = Motion()
    follower.stand_by(motion.measured(0.0))
    follower.demand_stop(category)
    follower.stand_by(motion.measured(PERIOD))
    follower.command(motion.measured(2 * PERIOD))
    assert follower.stopped_because is tracker.StopReason.DEMANDED


def test_fault_during_a_stop_that_could_be_released_is_for_good(bend):
    """No release lets the vehicle drive on after a bad measurement."""
    follower = tracker.Tracker(tracker.Stanley(), bend, RESPONSE)
    motion = Motion()
    follower.demand_stop(2)
    drive(follower, 1.0, motion=motion)
    follower.command(replace(motion.measured(1.0), x=math.nan))
    follower.release_stop()
    result = drive(follower, 6.0, motion=motion, start=1.0 + PERIOD)
    assert follower.stopped_because is tracker.StopReason.MEASUREMENT_NOT_FINITE
    assert result.speeds[-1] == 0.0


def test_the_bench_may_set_the_slot_itself(bend):
    """Everything lives in the memory: setting DEMAND there is demanding, setting it to 0 is releasing."""
    by_call, by_slot = (tracker.Tracker(tracker.Stanley(), bend, RESPONSE) for _ in range(2))
    one, other = Motion(), Motion()
    by_call.demand_stop(2)
    by_slot._memory.numbers[DEMAND] = 3.0
    a, b = drive(by_call, 1.0, motion=one), drive(by_slot, 1.0, motion=other)
    by_call.release_stop()
    by_slot._memory.numbers[DEMAND] = 0.0
    c, d = drive(by_call, 1.0, motion=one, start=1.0), drive(by_slot, 1.0, motion=other, start=1.0)
    assert a.commands == b.commands
    assert c.commands == d.commands
    assert by_slot._memory.numbers[STOP] == 0.0


@pytest.mark.parametrize("category", [3, -1, math.nan, "1"])
def test_other_categories_are_refused(category, bend):
    """There are three."""
    with pytest.raises(InputError, match="expected 0, 1 or 2"):
        tracker.Tracker(tracker.Stanley(), bend).demand_stop(category)


def test_release_without_a_demand_changes_nothing(bend):
    """Nothing to release: the drive goes on as it was."""
    follower, other = (tracker.Tracker(tracker.Stanley(), bend, RESPONSE) for _ in range(2))
    follower.release_stop()
    assert drive(follower, 0.5).commands == drive(other, 0.5).commands
