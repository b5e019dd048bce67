"""Backing up along a track: the same laws in the direction of travel, the vehicle's frame as ISO 8855 has it."""

from __future__ import annotations

import math

import numpy as np
import pytest

import tracker
import tracks
import tuning

SHUTTLE = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "model": "kinematic"},
        "steering": {"lag": 0.1, "dead_time": 0.1, "rate_limit": 0.8, "offset": 0.01, "gain": 0.97},
        "tyres": {"understeer_gradient": 0.003},
    }
)
LAWS = [
    tracker.PurePursuit(),
    tracker.PurePursuit(feed_forward=False),
    tracker.Stanley(),
    tracker.Stanley(yaw_damping=0.05, steer_damping=0.02),
    *(kind() for name, kind in tracker.LAWS.items() if name not in ("PurePursuit", "Stanley")),
]


def backing(offset: float = 0.0, speed: float = 1.5) -> tracks.Track:
    """Back out of a bay: straight, a left-hand bend of 10 m radius along the travel, straight."""
    path = tracks.Path.from_segments(
        [tracks.Straight(10.0), tracks.Clothoid(5.0, 0.0, 0.1), tracks.Arc(12.0, 0.1),
         tracks.Clothoid(5.0, 0.1, 0.0), tracks.Straight(20.0)]
    )  # fmt: skip
    track = tracks.Track("backing", path, np.full(path.s.shape, speed), start_offset=offset, reverse=True)
    return track.with_speed_plan(top_speed=speed)


def label(law: tracker.Law) -> str:
    """Name a law in the test report."""
    return "-".join([law.name, *(f"{k}={v}" for k, v in law.gains.items() if v != type(law)().gains[k])])


@pytest.mark.parametrize("law", LAWS, ids=label)
def test_backs_along_the_path_to_its_end(law):
    """From 0.4 m beside it every law comes to the path, backwards, and keeps within a hand's breadth of it."""
    run = tuning.simulate(law, SHUTTLE, backing(0.4))
    assert run.outcome is tuning.Outcome.FINISHED
    assert run.speed[run.s < 50.0].max() < 0.0
    assert run.command_speed.max() <= 0.0
    assert abs(run.lateral_error[0] - 0.4) < 1e-9
    late = run.s > 12.0
    assert np.abs(run.lateral_error[late]).max() < 0.15
    assert abs(run.lateral_error[-1]) < 0.02
    # The vehicle's nose points against the travel.
    point = np.interp(run.s, *(getattr(run.track.path, name) for name in ("s", "heading")))
    assert np.cos(run.heading - point).max() < -0.9


def test_a_left_hand_bend_backwards_asks_for_the_wheel_to_the_right():
    """Reversing, the rear axle's path bends left where the front wheels point right: tan δ = −L κ (geometry)."""
    run = tuning.simulate(tracker.Stanley(), SHUTTLE, backing())
    bend = (run.s > 20.0) & (run.s < 26.0)
    expected = -math.atan(0.1 * 3.4)
    assert run.road_wheel_angle[bend].mean() == pytest.approx(expected, rel=0.03)
    assert run.command_curvature[bend].max() < 0.0
    assert run.yaw_rate[bend].min() > 0.0  # it turns left all the same


def test_tracker_gives_the_commands_of_the_simulation():
    """Fed with the measurements of a run in reverse, `tracker.Tracker` gives the very commands of that run."""
    law, track = tracker.PurePursuit(integral=0.1), backing(0.2)
    run = tuning.simulate(law, SHUTTLE, track)
    follower = tracker.Tracker(law, track, vehicle=SHUTTLE, start=0.0)
    each = round(0.02 / float(run.time[1] - run.time[0]))
    for i in range(0, 300 * each, each):
        command = follower.command(
            tracker.Measurement(
                *(float(getattr(run, n)[i]) for n in ("time", "x", "y", "heading", "speed", "yaw_rate", "steering_angle"))
            )
        )  # fmt: skip
        if i > 10 * each:
            assert command.curvature == pytest.approx(run.command_curvature[i], abs=1e-9)
            assert command.speed == pytest.approx(run.command_speed[i], abs=1e-9)


def test_driving_ahead_on_a_track_in_reverse_stops():
    """A vehicle that rolls ahead where it should back up rolls back, as seen along the travel: a controlled stop."""
    follower = tracker.Tracker(tracker.Stanley(), backing(), SHUTTLE, start=0.0)
    follower.command(tracker.Measurement(0.0, 0.0, 0.0, math.pi, 0.8))
    assert follower.stopped_because is tracker.StopReason.ROLLING_BACK


def test_stand_by_in_reverse_makes_no_jump():
    """While a driver backs up the command is what the vehicle does, and engaging starts from it."""
    response = tracker.Response(wheelbase=3.4, rate_limit=0.5)
    follower = tracker.Tracker(tracker.Stanley(), backing(), response)
    state = {"y": 0.3, "heading": math.pi, "speed": -1.2, "steering_angle": 0.05}
    by_driver = follower.stand_by(tracker.Measurement(time=0.0, x=2.0, **state))
    assert by_driver.speed == pytest.approx(-1.2)
    assert by_driver.curvature == pytest.approx(math.tan(0.05) / 3.4, rel=1e-9)
    engaged = follower.command(tracker.Measurement(time=0.02, x=2.024, **state))
    assert abs(engaged.curvature - by_driver.curvature) <= 0.5 / 3.4 * 0.02 + 1e-12
    assert abs(engaged.speed - by_driver.speed) <= 2.0 * 0.02 + 1e-12


def test_backwards_response_mirrors_what_must_be_mirrored():
    """Understeer and offset change their sign along the travel, and nothing else that a kinematic body has."""
    response = tracker.Response(wheelbase=3.4, understeer_gradient=0.003, offset=0.01, lag=0.2, mass=2000.0)
    seen = response.backwards
    assert (seen.understeer_gradient, seen.offset) == (-0.003, -0.01)
    assert seen.mass is None
    assert (seen.wheelbase, seen.lag) == (3.4, 0.2)
