"""The nonlinear law closed over vehicles with and without tyres, and its behaviour when something is amiss."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from mpc_cases import Failing, bends, track_of
from nonlinear_mpc_cases import CAR, PERIOD, WITH_TYRES, WITHOUT, drive, limits, runner_of, steady_view
from pydantic import ValidationError
from views import NOTHING

import tracker
import tracks
import tuning
from tracker.laws.mpc_fallback import PATIENCE
from tracker.laws.nonlinear_mpc import NonlinearMPC
from tracker.laws.nonlinear_mpc_runner import NonlinearMPCRunner
from tuning.vehicle.steady import steady_turn


@pytest.mark.parametrize(("speed", "radius"), [(2.0, 12.0), (5.0, -15.0), (20.0, 150.0), (30.0, 400.0)])
def test_steady_turn_is_answered_by_its_own_curvature(speed: float, radius: float) -> None:
    """In the steady turn of a circle, slip and yaw rate with it, the answer keeps to it: e stays 0 with tyres known.

    The turn is the bench's own (Newton's method on its equations), so nothing of the law's goes into it.
    """
    track = track_of(tracks.Arc(2 * np.pi * abs(radius), 1 / radius), speed=speed, closed=True)
    state = steady_turn(CAR.model_code, CAR.plant, speed, 1 / radius)
    length = 2.68 + WITH_TYRES.understeer_gradient * speed**2
    held = math.tan(state.steering_angle) / length
    slide = state.lateral_velocity - 1.58 * state.yaw_rate
    view = steady_view(track, WITH_TYRES, 3.0, speed, asked=held, steered=held)
    view = view._replace(
        heading_error=state.heading - view.slip, yaw_rate=state.yaw_rate, rear_velocity=slide
    )
    runner = runner_of(track, WITH_TYRES, 8.0)
    answers = [runner.curvature(view._replace(s=3.0 + speed * PERIOD * k)) for k in range(20)]
    # Both call u κ the steady yaw rate, at the speed u along the vehicle; along the path it is larger by the slip's square,
    # 8e-6 at most here. Within the hand-over the mixture of two angles has no closed form.
    assert answers == pytest.approx([held] * 20, rel=1e-5 if abs(speed) >= 3.0 else 3e-3)


@pytest.mark.parametrize(("speed", "radius"), [(5.0, 15.0), (20.0, 150.0), (30.0, -400.0)])
def test_constant_curvature_leaves_no_offset(speed: float, radius: float) -> None:
    """Behind dead time and lag, from 0.2 m beside a circle the car ends within 0.5 mm of it."""
    track = track_of(tracks.Arc(2 * np.pi * abs(radius), 1 / radius), speed=speed, closed=True)
    laps = max(1, round(10.0 * speed / track.path.length))
    scenario = tuning.Scenario(laps=laps, lateral_offset=0.2)
    run = tuning.simulate(
        NonlinearMPC(), CAR, track, scenario=scenario, envelope=tracker.Envelope(lateral_acceleration=8.0)
    )
    # What is left is the tracker's: it carries the pose through the dead time by the linear understeer gradient.
    assert abs(run.lateral_error[-1]) < 5e-4


@pytest.mark.parametrize("speed", [1.0, 3.0, 8.0, 20.0, 30.0])
def test_one_set_of_gains_serves_every_speed(speed: float) -> None:
    """From 1 m beside a straight the default gains come in with an overshoot below 5 % at 1 to 30 m/s."""
    track = track_of(tracks.Straight(900.0), speed=speed)
    run = drive(runner_of(track, WITHOUT), track, 15.0, speed, offset=1.0)
    assert -run.lateral_error.min() < 0.05
    assert np.abs(run.lateral_error[-100:]).max() < 0.01


@pytest.mark.parametrize("horizon", [5, 15, 60])
def test_short_horizon_is_damped_too(horizon: int) -> None:
    """The cost beyond it stands for what a horizon of 0.5 s does not see: on a straight the loop stays the same."""
    track = track_of(tracks.Straight(900.0), speed=20.0)
    runner = runner_of(track, WITHOUT, horizon=horizon, moves=horizon)
    run = drive(runner, track, 8.0, 20.0, offset=0.2)
    assert -run.lateral_error.min() < 0.05 * 0.2
    assert np.abs(run.lateral_error[-100:]).max() < 0.002


@pytest.mark.parametrize("start", [{"offset": 6.0}, {"offset": -3.0, "heading": 0.8}, {"heading": -1.5}])
@pytest.mark.parametrize("speed", [2.0, 14.0])
def test_limits_hold_in_every_command(speed: float, start: dict[str, float]) -> None:
    """From far off the path, curvature, its rate and the lateral acceleration asked keep the envelope.

    At constant speed the acceleration is bounded by the steering alone; the law may plan to slow down instead, which
    this vehicle does not do, so it is held to the envelope as the tracker clips it.
    """
    track = bends(speed)
    run = drive(runner_of(track, WITHOUT), track, 12.0, speed, **start)
    values = limits(WITHOUT)
    assert np.abs(run.asked).max() <= values.curvature + 1e-9
    rate = np.abs(np.diff(run.asked, prepend=0.0)) / PERIOD
    assert rate.max() <= values.curvature_rate + 1e-7
    assert np.abs(run.asked[1:] * speed**2).max() <= values.lateral_acceleration * (1.0 + 1e-6)


def test_lateral_jerk_is_kept_where_the_envelope_has_it() -> None:
    """v² |u̇| stays within the envelope's lateral jerk through a jump of the path's curvature."""
    track = bends(9.0)
    runner = runner_of(track, WITHOUT, others={"lateral_jerk": 2.0})
    run = drive(runner, track, 22.0, 9.0, offset=0.5)
    jerk = 81.0 * np.abs(np.diff(run.asked, prepend=0.0)) / PERIOD
    assert jerk.max() <= 2.0 * (1.0 + 1e-3)
    assert jerk.max() > 1.9  # it did bind


def test_corridor_is_kept_where_the_plain_cost_would_leave_it() -> None:
    """A law that cuts a tight bend for comfort's sake keeps to the corridor once there is one."""
    gains = {"lateral_tolerance": 5.0, "lateral_velocity_tolerance": 5.0, "heading_tolerance": 1.0}
    room, errors = 1.45 - 0.5 * WITHOUT.width - 0.1, {}
    for corridor in (None, 1.45):
        track = bends(6.0, corridor=corridor)
        run = drive(runner_of(track, WITHOUT, **gains), track, 35.0, 6.0)
        errors[corridor] = np.abs(run.lateral_error).max()
    assert errors[None] > 1.2 * room
    # Soft: the excursion may cost as much as what it saves, a few tolerances.
    assert errors[1.45] < room + 0.05


def test_it_slows_down_for_a_turn_that_it_may_not_hold() -> None:
    """On a plan too fast for a bend's lateral acceleration the vehicle is slowed in the horizon, and speeds up again."""
    track = track_of(
        tracks.Straight(120.0), tracks.Clothoid(30.0, 0.0, 1 / 60), tracks.Arc(60.0, 1 / 60),
        tracks.Clothoid(30.0, 1 / 60, 0.0), tracks.Straight(150.0), speed=15.0,
    )  # fmt: skip
    envelope = tracker.Envelope(lateral_acceleration=3.0)
    run = tuning.simulate(NonlinearMPC(), CAR, track, envelope=envelope)
    # 3 m/s² on 60 m is 13.4 m/s.
    bend = (run.s > 150.0) & (run.s < 205.0)
    assert run.counts["slowed"] > 50
    assert run.speed[bend].min() < 13.6
    assert np.abs(run.lateral_error).max() < 0.3
    assert run.speed[(run.s > 300.0) & (run.s < 330.0)].max() > 14.0
    # What is asked for does not jump: it moves at the envelope's acceleration.
    asked = run.command_speed[run.s < 330.0]
    assert np.abs(np.diff(asked)).max() <= 2.0 * PERIOD + 0.01


def test_double_lane_change_with_tyres() -> None:
    """At 20 m/s by the plan of the course the car keeps within 7 cm, its corridor and its solver."""
    track = tracks.double_lane_change(speed=20.0)
    run = tuning.simulate(NonlinearMPC(), CAR, track)
    assert run.outcome is tuning.Outcome.FINISHED
    assert np.abs(run.lateral_error).max() < 0.07
    assert not any(run.counts[name] for name in ("solver_failed", "view_not_finite", "last_plan", "stop"))


def followed(count: int, runner: NonlinearMPCRunner, track: tracks.Track) -> list[float]:
    """Give the answers to views along a path, as a vehicle would see it that does what is asked."""
    given = []
    for k in range(count):
        view = steady_view(track, WITHOUT, 58.0 + 0.16 * k, 8.0, error=0.2)
        given.append(runner.curvature(view._replace(asked=given[-1] if given else view.asked)))
    return given


def test_fallback_goes_on_along_the_last_plan() -> None:
    """While views are missing the commands follow the plan between the middles of its steps, within the rate."""
    track = bends(8.0)
    runner = runner_of(track, WITHOUT)
    given = followed(1, runner, track)
    plan = runner._plan.asked.copy()
    given += [runner.curvature(NOTHING) for _ in range(PATIENCE)]
    times = 0.5 * PERIOD + PERIOD * np.arange(PATIENCE + 1)
    np.testing.assert_allclose(given, np.interp(times, runner._middles, plan), atol=1e-9)
    assert runner.counts["view_not_finite"] == runner.counts["last_plan"] == PATIENCE


def test_patience_ends_in_a_controlled_stop_and_a_good_view_ends_that() -> None:
    """After ten fallbacks in a row the law gives NaN, which the tracker answers with a controlled stop."""
    track = bends(8.0)
    runner = runner_of(track, WITHOUT)
    followed(2, runner, track)
    answers = [math.isnan(runner.curvature(NOTHING)) for _ in range(PATIENCE + 2)]
    assert answers == [False] * PATIENCE + [True] * 2
    assert runner.counts["stop"] == 2
    assert math.isfinite(followed(1, runner, track)[0])
    assert runner.terms()["failures"] == 0.0


def test_without_any_plan_there_is_no_answer() -> None:
    """A first view that is not finite gives NaN, since there is no plan to fall back on; nothing is explained."""
    runner = runner_of(bends(8.0), WITHOUT)
    assert math.isnan(runner.curvature(NOTHING))
    assert runner.counts["stop"] == 1
    assert runner.terms() == {}


@pytest.mark.parametrize(("flag", "cost"), [(-1, 0.0), (-4, 0.0), (1, math.nan)])
def test_forced_solver_failure_is_counted_and_forgotten(flag: int, cost: float) -> None:
    """A failing solver leaves the shifted last plan, a count, and a fresh solver for the next step."""
    track = bends(8.0)
    runner = runner_of(track, WITHOUT)
    followed(2, runner, track)
    plan = runner._plan.asked.copy()
    runner._solver._model = Failing(flag, cost)
    second = runner.curvature(steady_view(track, WITHOUT, 58.32, 8.0, asked=runner._previous, error=0.2))
    assert second == pytest.approx(np.interp(1.5 * PERIOD, runner._middles, plan), abs=1e-12)
    assert runner.counts["solver_failed"] == runner.counts["last_plan"] == 1
    third = runner.curvature(steady_view(track, WITHOUT, 58.48, 8.0, asked=second, error=0.2))
    assert math.isfinite(third)
    assert runner.counts["solver_failed"] == 1


def test_nan_does_not_poison_what_follows() -> None:
    """After three NaN views the answers come back to those of a drive without them within half a second."""
    track = bends(8.0)
    disturbed, calm = runner_of(track, WITHOUT), runner_of(track, WITHOUT)
    followed(5, disturbed, track)
    followed(5, calm, track)
    held = [disturbed.curvature(NOTHING) for _ in range(3)]
    assert np.isfinite(held).all()
    gaps = []
    for k in range(25):
        view = steady_view(track, WITHOUT, 59.2 + 0.16 * k, 8.0, error=0.1, asked=0.01)
        gaps.append(abs(disturbed.curvature(view) - calm.curvature(view)))
    assert gaps[-1] < 1e-7


def test_restart_begins_anew() -> None:
    """After a restart the answer is that of a new runner, to the last bit."""
    track = bends(10.0, corridor=1.6)
    used, fresh = runner_of(track, WITHOUT), runner_of(track, WITHOUT)
    drive(used, track, 3.0, 10.0, offset=1.0)
    used.restart(0.01)
    view = steady_view(track, WITHOUT, 70.0, 10.0, error=0.3, heading_error=-0.1, asked=0.01)
    assert used.curvature(view) == fresh.curvature(view)


def test_at_rest_the_command_is_finite_and_turns_to_the_path() -> None:
    """At 0 m/s beside the path, where no input moves the vehicle, the law plans as if it crept."""
    track = track_of(tracks.Straight(50.0), speed=2.0)
    for response in (WITHOUT, WITH_TYRES):
        assert runner_of(track, response).curvature(steady_view(track, response, 5.0, 0.0, error=0.5)) < 0.0


def test_terms_say_what_was_planned() -> None:
    """Every term is a finite number, and the error predicted first is the one seen."""
    track = bends(8.0)
    runner = runner_of(track, WITHOUT)
    followed(3, runner, track)
    terms = runner.terms()
    assert all(math.isfinite(value) for value in terms.values())
    assert terms["predicted_error"] == pytest.approx(0.2, abs=0.05)


@pytest.mark.parametrize("response", [WITHOUT, WITH_TYRES], ids=["none", "tyres"])
@pytest.mark.parametrize("corridor", [None, 1.5])
def test_no_view_leaves_the_programme_without_a_solution(
    response: tracker.Response, corridor: float | None
) -> None:
    """Wherever the vehicle jumps to, whatever it has been asked, the solver finds a plan: bounds leave a way out."""
    generator, track = np.random.default_rng(1), bends(9.0, corridor)
    runner = runner_of(track, response)
    for _ in range(250):
        s, speed = generator.uniform((0.0, 0.0), (260.0, 20.0))
        e, psi, r, slide = generator.normal(size=4) * (1.0, 0.3, 0.5, 0.5)
        steered, asked = np.clip(0.05 * generator.normal(size=2), -0.25, 0.25)
        view = steady_view(track, response, s, speed, error=e, heading_error=psi)
        answer = runner.curvature(
            view._replace(steered=steered, asked=asked, yaw_rate=r, rear_velocity=slide)
        )
        assert abs(answer) <= runner._values.curvature
    assert runner.counts["solver_failed"] == 0


@pytest.mark.parametrize("response", [WITHOUT, WITH_TYRES], ids=["none", "tyres"])
def test_absurd_views_raise_nothing(response: tracker.Response) -> None:
    """Finite values beyond all reason give an answer within the limit on curvature or none, never an error."""
    generator, track = np.random.default_rng(2), bends(9.0, 1.5)
    runner = runner_of(track, response)
    for k in range(300):
        view = steady_view(track, response, 3.0 * k, 5.0, error=1.0)
        names = generator.choice(
            ["lateral_error", "speed", "yaw_rate", "rear_velocity", "steered", "since"], 2
        )
        view = view._replace(**{name: generator.normal() * 10.0 ** generator.uniform(0, 9) for name in names})
        answer = runner.curvature(view)
        assert math.isnan(answer) or abs(answer) <= runner._values.curvature


def test_reverse() -> None:
    """A course driven backwards, rear axle ahead, is held within 2 cm."""
    track = replace(tracks.slalom(speed=3.0), reverse=True)
    run = tuning.simulate(NonlinearMPC(), CAR, track)
    assert run.outcome is tuning.Outcome.FINISHED
    assert np.abs(run.lateral_error).max() < 0.02


@pytest.mark.parametrize("wheelbase", [0.17, 2.8, 6.0])
def test_search_space_holds_valid_gains(wheelbase: float) -> None:
    """Both ends of every range make a valid law."""
    for name, gain in NonlinearMPC.search_space(tracker.Response(wheelbase=wheelbase)).items():
        for value in (gain.low, gain.high):
            assert NonlinearMPC(**{name: value}).gains[name] == value


@pytest.mark.parametrize(
    "wrong", [{"horizon": 1}, {"step": 0.0}, {"moves": 1}, {"lateral_tolerance": 0.0}, {"corridor_margin": -0.1},
              {"foo": 1.0}, {"jerk": math.inf}]
)  # fmt: skip
def test_settings_are_validated(wrong: dict[str, float]) -> None:
    """A setting that makes no sense is refused."""
    with pytest.raises(ValidationError):
        NonlinearMPC(**wrong)
