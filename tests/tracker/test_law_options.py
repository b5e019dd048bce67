"""What the closed-form laws and the envelope add beyond their textbook form, each alone."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import tracker
import tracks
import tuning
from tracker.prediction import rear_velocity, steered_curvature

KINEMATIC = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "model": "kinematic"},
        "steering": {"lag": 0.1, "dead_time": 0.05, "rate_limit": 1.0},
    }
)


def straight(offset: float = 0.0, speed: float = 8.0) -> tracks.Track:
    """A long straight at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(600.0)])
    return tracks.Track("straight", path, np.full(path.s.shape, speed), start_offset=offset)


def steady(run: tuning.Run) -> float:
    """Give the lateral error well into a run, before it slows down, m."""
    return float(run.lateral_error[(run.s > 450.0) & (run.s < 500.0)].mean())


def test_integral_takes_away_what_a_side_wind_leaves():
    """A lasting pull leaves a lateral error without the integral and none with it; the transient does not grow.

    A bank of 0.03 rad, since it pulls the kinematic body by its understeer gradient.
    """
    vehicle = KINEMATIC.model_copy(
        update={"tyres": KINEMATIC.tyres.model_copy(update={"understeer_gradient": 0.004})}
    )
    scenario = tuning.Scenario(bank=0.03)
    left = steady(tuning.simulate(tracker.PurePursuit(), vehicle, straight(), scenario))
    run = tuning.simulate(tracker.PurePursuit(integral=0.3), vehicle, straight(), scenario)
    assert abs(left) > 0.01
    assert abs(steady(run)) < 1e-4
    assert np.abs(run.lateral_error).max() < 1.1 * abs(left)


def test_integral_does_not_wind_up_while_the_envelope_limits():
    """From 3 m beside the path the command is limited for long: the return overshoots hardly more with the integral."""
    tight = tracker.Envelope(lateral_acceleration=0.3, curvature_rate=0.01)
    plain, integral = (
        -tuning.simulate(tracker.PurePursuit(lookahead_time=2.0, integral=k), KINEMATIC, straight(3.0), envelope=tight)
        .lateral_error.min()
        for k in (0.0, 0.2)
    )  # fmt: skip
    assert integral < plain + 0.25


def test_chord_height_shortens_the_lookahead_in_bends_alone():
    """A chord of length L over an arc of radius R is L²/(8 R) high (geometry, to second order)."""
    path = tracks.Path.from_segments([tracks.Straight(100.0), tracks.Arc(100.0, 0.05)])
    track = tracks.Track("bend", path, np.full(path.s.shape, 8.0))
    law = tracker.PurePursuit(lookahead_time=2.0, shortest_lookahead=2.0, chord_height=0.2)
    follower = tracker.Tracker(law, track, tracker.Response(wheelbase=3.4))
    follower.command(tracker.Measurement(0.0, 20.0, 0.0, 0.0, 8.0))
    assert follower.explain().terms["lookahead"] == pytest.approx(16.0)
    s = 140.0
    x, y, heading = (float(np.interp(s, path.s, values)) for values in (path.x, path.y, path.heading))
    follower = tracker.Tracker(law, track, tracker.Response(wheelbase=3.4))
    follower.command(tracker.Measurement(0.0, x, y, heading, 8.0))
    assert follower.explain().terms["lookahead"] == pytest.approx(math.sqrt(8.0 * 0.2 / 0.05), rel=1e-6)


def test_feed_forward_ends_corner_cutting():
    """Through clothoids a long lookahead cuts the corner; fed with the path's curvature it does not."""
    path = tracks.Path.from_segments(
        [tracks.Straight(60.0), tracks.Clothoid(25.0, 0.0, 0.03), tracks.Arc(20.0, 0.03),
         tracks.Clothoid(25.0, 0.03, 0.0), tracks.Straight(60.0)]
    )  # fmt: skip
    track = tracks.Track("corner", path, np.full(path.s.shape, 8.0))
    cut, fed = (
        tuning.simulate(tracker.PurePursuit(lookahead_time=2.5, feed_forward=fed), KINEMATIC, track)
        for fed in (False, True)
    )
    assert cut.measures["corner_cutting"] > 0.1
    assert abs(fed.measures["corner_cutting"]) < 0.01
    assert np.abs(fed.lateral_error).max() < 0.1 * np.abs(cut.lateral_error).max()


def test_lateral_jerk_limits_the_command():
    """|dκ/dt| v² of the path curvature asked for keeps the limit, and the run is another without it."""
    jerk, speed = 3.0, 8.0
    open_run, run = (
        tuning.simulate(
            tracker.Stanley(gain=2.0),
            KINEMATIC,
            straight(0.5),
            envelope=tracker.Envelope(lateral_jerk=limit),
        )
        for limit in (None, jerk)
    )
    held = run.s < 300.0
    rate = np.abs(np.diff(run.command_curvature[held][::2])) / 0.02
    assert (rate * speed**2).max() == pytest.approx(jerk, rel=1e-6)
    assert (np.abs(np.diff(open_run.command_curvature[held][::2])) / 0.02 * speed**2).max() > 2.0 * jerk


def test_a_law_may_ask_for_less_speed_but_not_for_more():
    """Of a law that tells a speed the lower of its own and the plan's is asked for; a stop stays a stop."""

    class Slow(tracker.Law):
        """The path's curvature at a speed of its own."""

        own: float = 5.0

        def start(self, response, envelope, track, period, speed_factor):
            """Steer by the path's curvature."""
            own = self.own

            class Runner:
                speed = None

                def curvature(self, view):
                    self.speed = (own, -0.3)
                    return view.ahead_curvature

            return Runner()

    state = {"x": 5.0, "y": 0.0, "heading": 0.0, "speed": 8.0}
    slow = tracker.Tracker(Slow(), straight(), tracker.Response())
    command = slow.command(tracker.Measurement(0.0, **state))
    assert (command.speed, command.acceleration) == (5.0, -0.3)
    assert slow.explain().speed_from == "law"
    fast = tracker.Tracker(Slow(own=11.0), straight(), tracker.Response())
    assert fast.command(tracker.Measurement(0.0, **state)).speed == 8.0
    slow.demand_stop(1)
    stopping = [
        slow.command(tracker.Measurement(0.02 * i, **{**state, "x": 5.0 + 0.16 * i})).speed
        for i in range(1, 5)
    ]
    assert all(b < a for a, b in itertools.pairwise(stopping))
    assert stopping[0] <= 5.0


TYRES = tracker.Response(
    wheelbase=2.68,
    mass=1573.0,
    yaw_inertia=1573.0 * 1.1 * 1.58,
    front_axle_distance=1.1,
    cornering_stiffness_front=160e3,
    cornering_stiffness_rear=160e3,
    understeer_gradient=0.00176082,
)


@pytest.mark.parametrize("speed", [5.0, 15.0, 30.0])
def test_rear_velocity_is_that_of_a_single_track_body(speed):
    """The observer against the linear single-track equations (Rajamani ch. 2, from memory; his example car with
    I = m a b, where the observer is exact), integrated by scipy with a steering that swings at 0.7 Hz."""
    m, a, b = 1573.0, 1.1, 1.58
    inertia, stiff = m * a * b, 160e3

    def derivative(t, x):
        v, r = x
        angle = 0.02 * math.sin(2 * math.pi * 0.7 * t)
        front, rear = stiff * (angle - (v + a * r) / speed), -stiff * (v - b * r) / speed
        return [(front + rear) / m - speed * r, (a * front - b * rear) / inertia]

    times = np.arange(0.0, 4.0, 0.01)
    v, r = solve_ivp(derivative, (0.0, 4.0), [0.0, 0.0], t_eval=times, rtol=1e-10, atol=1e-12).y
    seen, found = 0.0, []
    for i in range(len(times)):
        if i:
            seen = rear_velocity(TYRES.values, seen, speed, 0.5 * float(r[i - 1] + r[i]), 0.01)
        found.append(seen)
    true = v - b * r
    # The mean yaw rate of a step stands for the rate within it.
    assert np.abs(found - true).max() < 0.01 * np.abs(true).max()


def test_without_tyres_the_rear_axle_does_not_slide():
    """Where tyres are not known, or no angle is measured, the driven curvature stands for the steered one."""
    ideal = tracker.Response(wheelbase=3.0).values
    assert rear_velocity(ideal, 0.0, 10.0, 0.3, 0.02) == 0.0
    assert steered_curvature(ideal, 10.0, 0.04, 0.2) == 0.04
    assert steered_curvature(TYRES.values, 10.0, 0.04, 0.0) == 0.04
    expected = math.tan(0.05) / (2.68 + 0.00176082 * 100.0)
    assert steered_curvature(TYRES.values, 10.0, 0.04, 0.05) == pytest.approx(expected, rel=1e-12)
