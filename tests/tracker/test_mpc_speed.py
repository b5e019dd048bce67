"""The speed that the predictive law plans: what can be held, limits on acceleration and jerk, and when it slows down."""

from __future__ import annotations

import math

import numpy as np
import pytest
from mpc_cases import PERIOD, Programme, bends, drive, limits, on_path, runner_of, track_of, tyred
from mpc_references import by_osqp, kkt_residual

import tracks
from tracker.laws.mpc import MPC
from tracker.laws.mpc_speed_plan import holdable_speed
from tracker.options import Options
from tracker.speed_command import reference_speed

CAR = tyred()
COURSES = {
    "double lane change": tracks.double_lane_change,
    "slalom": tracks.slalom,
    "campus loop": tracks.campus_loop,
    "constant radius": tracks.constant_radius,
    "offset straight": tracks.offset_straight,
}
JERK = MPC().jerk


@pytest.mark.parametrize("course", COURSES)
def test_a_drivable_plan_keeps_its_own_numbers(course: str) -> None:
    """On every standard course what can be held is the plan, bit for bit."""
    track = COURSES[course]()
    able = holdable_speed(track, limits(CAR), 2.68, 0.5, 1.0)
    np.testing.assert_array_equal(able, track.speed)


def test_what_can_be_held_keeps_every_limit() -> None:
    """A plan too fast for its bends is cut to the limits of lateral acceleration, of acceleration, and of rates."""
    track = tracks.campus_loop()
    envelope = limits(CAR)._replace(curvature_rate=0.02)
    able = holdable_speed(track, envelope, 2.68, 0.5, 2.0)
    path, squared = track.path, able**2
    assert np.all(able <= 2.0 * track.speed)
    assert np.any(able < 1.9 * track.speed)
    assert (squared * np.abs(path.curvature)).max() <= envelope.lateral_acceleration * (1 + 1e-9)
    accelerations = 0.5 * np.diff(squared) / np.diff(path.s)
    assert accelerations.max() <= envelope.acceleration * (1 + 1e-9)
    assert accelerations.min() >= -envelope.deceleration * (1 + 1e-9)
    change = np.abs(np.interp(path.s + 2.68, path.s, path.curvature) - path.curvature) / 2.68
    assert (able * change).max() <= envelope.curvature_rate * 1.001


def test_a_bend_beyond_the_steering_is_crept_through() -> None:
    """No speed holds a bend tighter than the vehicle can steer, so that it is met at the creep."""
    track = track_of(tracks.Straight(60.0), tracks.Arc(8.0, 0.4), tracks.Straight(60.0), speed=8.0)
    able = holdable_speed(track, limits(CAR), 2.68, 0.5, 1.0)
    assert limits(CAR).curvature < 0.4
    assert able[np.searchsorted(track.path.s, 64.0)] == pytest.approx(0.5)
    assert able[0] == 8.0


def programmes_of_the_speed(factor: float) -> list[Programme]:
    """Record programmes of the speed on the campus loop at `factor` times its plan."""
    track, found = tracks.campus_loop(), []

    def record(view, runner) -> None:
        if round(view.time / PERIOD) % 41 == 0:
            w, solver = runner._speed_work, runner._speed_solver
            arrays = (
                w.hessian,
                w.gradient,
                w.rows,
                w.upper,
                w.lower,
                w.kinds,
                solver.found,
                solver.info["lam"],
            )
            found.append(Programme(*(np.array(a) for a in arrays)))

    drive(runner_of(track, response=CAR, factor=factor), track, 30.0, None, CAR, each=record)
    return found


def test_optimum_of_the_speed_is_that_of_another_solver() -> None:
    """On plans that can and that cannot be driven, OSQP finds the same accelerations to 1e-5 m/s²."""
    for factor in (1.0, 1.6):
        found = programmes_of_the_speed(factor)
        assert len(found) > 30
        assert max(np.abs(p.plan - by_osqp(p)).max() for p in found) < 1e-5
        assert max(kkt_residual(p) for p in found) < 1e-5
        # Limits of jerk and the bound of what can be held are active somewhere.
        assert np.any([p.multipliers[: 2 * p.plan.size - 1].any() for p in found])
        assert np.any([p.multipliers[2 * p.plan.size - 1 :].any() for p in found])


@pytest.mark.parametrize("factor", [1.0, 1.6])
def test_acceleration_and_jerk_keep_their_limits(factor: float) -> None:
    """In every step what is asked for moves within the envelope's accelerations and the law's jerk, exactly."""
    track = tracks.campus_loop()
    runner = runner_of(track, response=CAR, factor=factor)
    asked, places = [], []

    def record(view, runner) -> None:
        asked.append(runner.speed)
        places.append((view.s, view.speed))

    drive(runner, track, 60.0, None, CAR, each=record)
    speed, acceleration = np.array(asked).T
    envelope = limits(CAR)
    assert acceleration.max() <= envelope.acceleration + 1e-9
    assert acceleration.min() >= -envelope.deceleration - 1e-9
    assert np.abs(np.diff(acceleration)).max() <= JERK * PERIOD + 1e-9
    np.testing.assert_allclose(
        np.diff(speed), 0.5 * PERIOD * (acceleration[1:] + acceleration[:-1]), atol=1e-9
    )
    s, driven = np.array(places).T
    s = np.mod(s, track.path.length)
    held = np.interp(s, track.path.s, holdable_speed(track, envelope, 2.68, runner._values.creep, factor))
    assert np.all(driven <= held + 0.12)  # the bound is soft


def test_too_fast_a_plan_is_slowed_down_and_driven() -> None:
    """Bends that the plan takes too fast throw the vehicle metres off; slowed down ahead of them it keeps to them."""
    track = bends(13.0)
    off = {}
    for plans in (True, False):
        runner = runner_of(track, MPC(plans_speed=plans), CAR)
        run = drive(runner, track, 22.0, None, CAR)
        off[plans] = np.abs(run.lateral_error).max()
        assert (runner.counts["slowed"] > 100) == plans
        assert (runner.speed is None) != plans
    assert off[False] > 3.0
    assert off[True] < 0.25


@pytest.mark.parametrize("course", ["double lane change", "slalom", "campus loop"])
def test_a_drivable_plan_is_followed_as_without(course: str) -> None:
    """On a standard course the largest error is within 1 mm of that under the plan's own speeds, and no time is lost."""
    track, runs = COURSES[course](), {}
    for plans in (True, False):
        runner = runner_of(track, MPC(plans_speed=plans), CAR)
        runs[plans] = drive(runner, track, 25.0, None, CAR)
        assert runner.counts["slowed"] == 0
    on, off = runs[True], runs[False]
    assert np.abs(on.lateral_error).max() <= np.abs(off.lateral_error).max() + 1e-3
    # Only the corners of the plan are rounded off, from below.
    assert np.all(on.speed - off.speed < 0.1)
    assert np.sum(on.speed) > 0.99 * np.sum(off.speed)
    assert np.abs(np.diff(on.speed, 2)).max() <= np.abs(np.diff(off.speed, 2)).max()


def test_speed_is_read_ahead_by_the_delay_of_drive_and_brake() -> None:
    """On a steady ramp the law asks for what the tracker reads ahead for a vehicle of such delays."""
    car = CAR.model_copy(
        update={"brake_dead_time": 0.2, "brake_lag": 0.3, "drive_dead_time": 0.3, "drive_lag": 0.4}
    )
    path = tracks.Path.from_segments([tracks.Straight(300.0)])
    for speed in (np.sqrt(144.0 - 2 * 0.4 * path.s * 0.5), np.sqrt(25.0 + 2 * 0.4 * path.s * 0.5)):
        track = tracks.Track("ramp", path, speed)
        runner = runner_of(track, response=car)
        s = 20.0
        for _ in range(200):
            v = float(track.planned_speed(s)[0])
            runner.curvature(on_path(track, s, v, response=car))
            s += v * PERIOD
        options = Options(PERIOD, 1.0, 1.0, math.inf, math.inf, math.inf)
        asked = reference_speed(car.values, track.arrays, limits(car), options, s - v * PERIOD, v)
        assert runner.speed == pytest.approx(asked, abs=0.03)  # 2 cm/s above the plan


def test_it_starts_from_rest_and_stops_at_the_end() -> None:
    """From standstill the speed rises under the limit of jerk, and at the end of the path it is 0 again."""
    track = tracks.offset_straight()
    track = track.with_speed_plan(top_speed=6.0)
    runner, s, v = runner_of(track, response=CAR), 0.0, 0.0
    asked = []
    for _ in range(4000):
        runner.curvature(on_path(track, s, v, response=CAR))
        asked.append(runner.speed[0])
        plan = float(track.planned_speed(s)[0])
        v = max(min(plan, asked[-1]), 0.2 if s < 1.0 else 0.0)
        s += v * PERIOD
    assert max(asked) == pytest.approx(6.0, abs=0.05)
    assert asked[-1] < 0.1
    assert s == pytest.approx(track.path.length, abs=0.5)


def test_a_saturated_lateral_plan_slows_the_vehicle() -> None:
    """Where the limit of lateral acceleration binds and the plan leaves its room, less speed is asked for."""
    track = bends(11.0, corridor=1.6)
    envelope = limits(CAR, 3.0)
    runner = MPC().start(CAR, envelope, track, PERIOD, 1.0)
    view = on_path(track, 70.0, 11.0, -1.4, -0.1, response=CAR)
    speeds = []
    for _ in range(25):
        runner.curvature(view)
        speeds.append(runner.speed[0])
    assert runner.counts["slowed"] > 20
    assert speeds[-1] < speeds[0] - 0.1
    # The same place without being astray asks for no less.
    calm = MPC().start(CAR, envelope, track, PERIOD, 1.0)
    for _ in range(25):
        calm.curvature(on_path(track, 70.0, 11.0, response=CAR))
    assert calm.speed[0] == pytest.approx(11.0, abs=0.05)
