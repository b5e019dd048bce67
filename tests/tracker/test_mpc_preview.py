"""What the predictive law sees ahead: the path's heading and curvature, the speeds, and the end of the path."""

from __future__ import annotations

import numpy as np
import pytest
from mpc_cases import PERIOD, RESPONSE, bends, drive, on_path, runner_of, track_of, tyred

import tracks
from tracker.laws.mpc import MPC
from tracker.laws.mpc_preview import heading_at
from tracks.geometry import evaluate


def test_heading_between_nodes_is_that_of_the_path() -> None:
    """The preview's heading agrees with the path's own before its start and inside."""
    path = bends().path.arrays
    for s in np.linspace(-5.0, path.length, 97):
        assert heading_at(path, s) == pytest.approx(evaluate(path, s).heading, abs=1e-12)


def test_heading_goes_on_bending_past_the_end() -> None:
    """Past the end of an open path its last curvature goes on, so that a stop in a bend is steered to its end."""
    path = track_of(tracks.Straight(10.0), tracks.Arc(20.0, 0.05)).path.arrays
    for past in (0.1, 3.0, 40.0):
        assert heading_at(path, 30.0 + past) == pytest.approx(0.05 * (20.0 + past), abs=1e-9)


def test_heading_grows_lap_after_lap() -> None:
    """On a closed path the heading of the preview does not jump at the seam."""
    radius = 20.0
    track = track_of(tracks.Arc(2.0 * np.pi * radius, 1.0 / radius), closed=True)
    for s in (-1.0, 3.0, 124.0, 127.0, 300.0):
        assert heading_at(track.path.arrays, s) == pytest.approx(s / radius, abs=1e-9)


def test_preview_takes_the_mean_curvature_of_each_step() -> None:
    """The turn over all steps is the path's turn, also where the curvature jumps, and stations are distances."""
    track = bends(speed=8.0)
    runner = runner_of(track, MPC(plans_speed=False))
    runner.curvature(on_path(track, 150.0, 8.0))
    work, path = runner._work, track.path.arrays
    assert work.stations[0] == 150.0
    np.testing.assert_allclose(np.diff(work.stations), work.means * work.spans, atol=1e-12)
    turn = heading_at(path, work.stations[-1]) - heading_at(path, 150.0)
    assert np.sum(work.bends * work.means * work.spans) == pytest.approx(turn, abs=1e-12)
    assert work.spans[0] == PERIOD
    assert np.all(work.spans[1:] == MPC().step)
    # Knots are at the middles of their steps.
    middles = np.cumsum(work.spans) - 0.5 * work.spans
    np.testing.assert_allclose(work.middles, middles, atol=1e-12)
    np.testing.assert_allclose(np.diff(middles[work.knots]), work.changes[1:], atol=1e-12)


@pytest.mark.parametrize("plans", [True, False])
def test_preview_approaches_the_plan_from_the_measured_speed(plans: bool) -> None:
    """A vehicle slower than planned is predicted to close the gap with a time constant of 1 s."""
    track = track_of(tracks.Straight(300.0), speed=10.0)
    runner = runner_of(track, MPC(plans_speed=plans))
    runner.curvature(on_path(track, 50.0, 6.0))
    times = np.append(0.0, np.cumsum(runner._work.spans))
    np.testing.assert_allclose(runner._work.nodes, 10.0 - 4.0 * np.exp(-times), atol=1e-12)


def test_preview_sees_the_stop_at_the_end() -> None:
    """Where the tracker will stop the vehicle at the end of the path, the speeds ahead fall by its deceleration."""
    track = track_of(tracks.Straight(100.0), speed=10.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 80.0, np.sqrt(2.0 * 2.0 * 20.0)))
    work = runner._work
    left = 100.0 - work.stations
    inside = left > 1.0
    assert np.count_nonzero(inside) > 15
    # Stations follow the mean speed of each step, nodes the speed at the end: 0.2 m/s at most apart.
    np.testing.assert_allclose(work.nodes[inside], np.sqrt(4.0 * left[inside]), atol=0.2)


def test_a_stop_in_a_bend_stays_on_the_path() -> None:
    """Braked to its end in a bend of 60 m at 10 m/s, a car with tyres is within 2 cm of the path all the way."""
    car = tyred()
    path = tracks.Path.from_segments(
        [tracks.Straight(30.0), tracks.Clothoid(30.0, 0.0, 1 / 60), tracks.Arc(120.0, 1 / 60)]
    )
    track = tracks.Track(
        "bend", path, np.sqrt(np.minimum(100.0, 4.0 * np.maximum(path.length - path.s, 0.0)))
    )
    run = drive(runner_of(track, response=car), track, 20.2, None, car)
    assert run.speed[-1] < 1.0
    assert np.abs(run.lateral_error).max() < 0.02


def test_preview_never_stands_still() -> None:
    """At rest the law plans as if the vehicle crept, for at rest no input moves the model."""
    track = track_of(tracks.Straight(300.0), speed=2.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 50.0, 0.0))
    assert runner._work.nodes[0] == pytest.approx(0.2 * RESPONSE.wheelbase)
    assert np.isfinite(runner._plan).all()
