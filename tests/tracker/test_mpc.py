"""The predictive law closed over vehicles with a lag, with and without tyres, and when something is amiss."""

from __future__ import annotations

import math

import numpy as np
import pytest
from mpc_cases import PERIOD, RESPONSE, Failing, bends, drive, limits, on_path, runner_of, track_of, tyred
from pydantic import ValidationError
from views import NOTHING

import tracks
from tracker.laws.mpc import MPC
from tracker.laws.mpc_fallback import PATIENCE
from tracker.laws.mpc_feedback import mpc_feedback
from tracker.response import Response
from tracker.schedule import Schedule

CAR = tyred()
# What the tests drive where the speed is theirs.
STEADY = MPC(plans_speed=False)


@pytest.mark.parametrize(("speed", "radius"), [(2.0, 8.0), (8.0, 30.0), (15.0, -90.0), (28.0, 400.0)])
def test_constant_curvature_leaves_no_offset(speed: float, radius: float) -> None:
    """On a circle, from 0.3 m beside it, the lateral error goes to zero: the path's curvature is fed forward."""
    track = track_of(tracks.Arc(2 * np.pi * abs(radius), 1 / radius), speed=speed, closed=True)
    run = drive(runner_of(track), track, 20.0, speed, offset=0.3, curvature=1 / radius)
    # The plan's stations are distances along the path, 1 − κ e times those of the vehicle: no matter at e = 0.
    assert np.abs(run.lateral_error[-100:]).max() < 1e-6
    assert np.abs(run.asked[-100:] - 1 / radius).max() < 1e-6


@pytest.mark.parametrize(("speed", "radius"), [(2.0, 20.0), (8.0, 40.0), (15.0, -120.0), (28.0, 400.0)])
@pytest.mark.parametrize("rear", [160e3, 110e3])
def test_constant_curvature_leaves_no_offset_on_tyres(speed: float, radius: float, rear: float) -> None:
    """A car whose rear axle slides outward holds the circle, its body turned in by that slip, whatever its understeer.

    What is left, 2 mm and less, is what its tangents and cosines of 0.1 rad differ from the angles themselves; the slip
    taken for nothing would leave 10 to 60 mm.
    """
    car = tyred(cornering_stiffness_rear=rear)
    track = track_of(tracks.Arc(2 * np.pi * abs(radius), 1 / radius), speed=speed, closed=True)
    run = drive(runner_of(track, response=car), track, 20.0, speed, car, offset=0.3, curvature=1 / radius)
    assert np.abs(run.lateral_error[-100:]).max() < 2.5e-3
    assert np.abs(run.asked[-100:] * radius - 1.0).max() < 3e-3
    slip = 1573.0 * 1.1 * speed**2 / radius / (2.68 * rear)
    assert run.heading_error[-1] == pytest.approx(slip, rel=0.01, abs=2e-3)


@pytest.mark.parametrize("speed", [6.0, 20.0, 30.0])
def test_linear_tyres_leave_no_offset_at_all(speed: float) -> None:
    """On a bend so wide that angles are small, nothing is left at the speeds where the car slides most."""
    track = track_of(tracks.Arc(2 * np.pi * 4000.0, 1 / 4000.0), speed=speed, closed=True)
    run = drive(runner_of(track, response=CAR), track, 20.0, speed, CAR, offset=0.1, curvature=1 / 4000.0)
    assert np.abs(run.lateral_error[-100:]).max() < 1e-5


@pytest.mark.parametrize("speed", [1.0, 3.0, 8.0, 20.0, 30.0])
@pytest.mark.parametrize("response", [RESPONSE, CAR], ids=["no tyres", "tyres"])
def test_one_set_of_gains_serves_every_speed(speed: float, response: Response) -> None:
    """From 1 m beside a straight the default gains come in with an overshoot below 5 % at 1 to 30 m/s."""
    track = track_of(tracks.Straight(900.0), speed=speed)
    run = drive(runner_of(track, response=response), track, 15.0, speed, response, offset=1.0)
    assert -run.lateral_error.min() < 0.05
    assert np.abs(run.lateral_error[-100:]).max() < 0.01


@pytest.mark.parametrize("lag", [0.0, 0.15, 0.5])
@pytest.mark.parametrize("tyres", [False, True])
def test_bends_are_entered_ahead(lag: float, tyres: bool) -> None:
    """Through clothoids the error stays in centimetres whatever the lag, since the bend is seen coming."""
    response = tyred(lag=lag) if tyres else RESPONSE.model_copy(update={"lag": lag})
    track = track_of(
        tracks.Straight(60.0), tracks.Clothoid(20.0, 0.0, 0.02), tracks.Arc(60.0, 0.02), tracks.Straight(60.0),
        speed=9.0,
    )  # fmt: skip
    run = drive(runner_of(track, response=response), track, 20.0, 9.0, response)
    assert np.abs(run.lateral_error).max() < 0.10
    # It steers before the curvature of the path does: the input leads by the lag and by what the rate costs.
    start = np.argmax(run.path_curvature > 0.0)
    assert run.asked[start] > 1e-4


def test_command_does_not_chatter() -> None:
    """After settling in a steady bend successive commands differ by no more than rounding of the solver."""
    track = track_of(tracks.Arc(2 * np.pi * 40.0, 1 / 40.0), speed=8.0, closed=True)
    run = drive(runner_of(track), track, 20.0, 8.0, curvature=1 / 40.0)
    assert np.abs(np.diff(run.asked[-200:])).max() < 1e-7


@pytest.mark.parametrize("start", [{"offset": 6.0}, {"offset": -3.0, "heading": 0.8}, {"heading": -1.5}])
@pytest.mark.parametrize("speed", [2.0, 7.0, 14.0])
def test_limits_hold_in_every_command(speed: float, start: dict[str, float]) -> None:
    """From far off the path, curvature, its rate and the lateral acceleration asked keep the envelope to 1e-9."""
    track = bends(speed)
    run = drive(runner_of(track, STEADY), track, 12.0, speed, **start)
    values = limits()
    assert np.abs(run.asked).max() <= values.curvature + 1e-9
    assert np.abs(run.asked * speed**2).max() <= values.lateral_acceleration + 1e-9
    rate = np.abs(np.diff(run.asked, prepend=0.0)) / PERIOD
    assert rate.max() <= values.curvature_rate + 1e-7


def test_far_off_the_path_it_still_comes_in() -> None:
    """From 40 m beside the path, far past small angles, the vehicle comes in without circling."""
    track = track_of(tracks.Straight(900.0), speed=5.0)
    run = drive(runner_of(track), track, 30.0, 5.0, offset=40.0)
    assert np.abs(run.heading_error).max() < 1.6
    assert abs(run.lateral_error[-1]) < 0.01


def test_corridor_is_kept_where_the_plain_cost_would_leave_it() -> None:
    """A law that cuts a tight bend for comfort's sake keeps to the corridor once there is one."""
    law = MPC(
        lateral_tolerance=5.0,
        lateral_velocity_tolerance=5.0,
        heading_tolerance=1.0,
        moves=20,
        plans_speed=False,
    )
    room = 1.45 - 0.5 * RESPONSE.width - law.corridor_margin
    errors = {}
    for corridor in (None, 1.45):
        track = bends(6.0, corridor=corridor)
        run = drive(runner_of(track, law), track, 35.0, 6.0)
        errors[corridor] = np.abs(run.lateral_error).max()
    assert errors[None] > 1.2 * room
    # Soft: the excursion may cost as much as what it saves, a few tolerances.
    assert errors[1.45] < room + law.corridor_tolerance


def test_infeasible_corridor_is_no_failure() -> None:
    """A vehicle outside a corridor that it cannot regain in time gets the best plan and no fallback."""
    track = bends(14.0, corridor=1.3)
    runner = runner_of(track)
    run = drive(runner, track, 8.0, 14.0, offset=5.0)
    assert np.isfinite(run.asked).all()
    assert runner.counts["last_plan"] == runner.counts["stop"] == 0
    assert runner.counts["corridor_left"] > 0


def test_nan_does_not_poison_the_state() -> None:
    """After NaN views, answered by the last plan, the next good view is answered as if nothing had been."""
    track = bends(8.0)
    disturbed, calm = runner_of(track), runner_of(track)
    for runner in (disturbed, calm):
        for s in (40.0, 40.16, 40.32):
            runner.curvature(on_path(track, s, 8.0, 0.2))
    held = [disturbed.curvature(NOTHING) for _ in range(3)]
    assert np.isfinite(held).all()
    assert disturbed.counts["view_not_finite"] == disturbed.counts["last_plan"] == 3
    view = on_path(track, 40.96, 8.0, 0.1)
    assert disturbed.curvature(view) == pytest.approx(calm.curvature(view), abs=1e-9)
    assert disturbed._fallback.failures == 0


def test_fallback_goes_on_along_the_last_plan() -> None:
    """While views are missing the commands follow the plan between the middles of its steps, within the rate."""
    track = bends(8.0)
    runner = runner_of(track)
    given = [runner.curvature(on_path(track, 62.0, 8.0, -0.3))]
    plan, middles = runner._plan.copy(), runner._work.middles[runner._work.knots].copy()
    given += [runner.curvature(NOTHING) for _ in range(PATIENCE)]
    times = 0.5 * PERIOD + PERIOD * np.arange(PATIENCE + 1)
    np.testing.assert_allclose(given, np.interp(times, middles, plan), atol=1e-9)
    assert np.abs(np.diff(given)).max() <= limits().curvature_rate * PERIOD + 1e-12


def test_patience_ends_in_a_controlled_stop() -> None:
    """After ten fallbacks in a row the law gives NaN, which the tracker answers with a controlled stop."""
    track = bends(8.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 30.0, 8.0, 0.1))
    assert [math.isnan(runner.curvature(NOTHING)) for _ in range(PATIENCE + 2)] == [False] * PATIENCE + [
        True
    ] * 2
    assert runner.counts["view_not_finite"] == PATIENCE + 2
    assert runner.counts["last_plan"] == PATIENCE
    assert runner.counts["stop"] == 2
    assert math.isfinite(runner.curvature(on_path(track, 31.0, 8.0, 0.1)))


def test_without_any_plan_there_is_no_answer() -> None:
    """A first view that is not finite gives NaN, since there is no plan to fall back on."""
    runner = runner_of(bends(8.0))
    assert math.isnan(runner.curvature(NOTHING))
    assert {name: count for name, count in runner.counts.items() if count} == {
        "view_not_finite": 1,
        "stop": 1,
    }


@pytest.mark.parametrize(("flag", "cost"), [(-1, 0.0), (-4, 0.0), (1, math.nan)])
def test_forced_solver_failure_is_counted_and_forgotten(flag: int, cost: float) -> None:
    """A failing solver leaves the shifted last plan, a count, and a fresh solver for the next step."""
    track = bends(8.0)
    runner, calm = runner_of(track), runner_of(track)
    views = [on_path(track, s, 8.0, 0.2) for s in (58.0, 58.16, 58.32)]
    first = runner.curvature(views[0])
    plan, middles = runner._plan.copy(), runner._work.middles[runner._work.knots].copy()
    runner._solver._model = Failing(flag, cost)
    second = runner.curvature(views[1])
    assert second == pytest.approx(np.interp(1.5 * PERIOD, middles, plan), abs=1e-12)
    assert runner.counts["solver_failed"] == runner.counts["last_plan"] == 1
    assert calm.curvature(views[0]) == first
    assert runner.curvature(views[2]) == pytest.approx(calm.curvature(views[2]), abs=1e-9)


def test_failure_of_the_speeds_solver_leaves_the_plan() -> None:
    """Without an answer on the speed the plan's holds, the steering goes on, and the next step plans afresh."""
    track = bends(8.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 58.0, 8.0))
    runner._speed_solver._model = Failing(-1, 0.0)
    assert math.isfinite(runner.curvature(on_path(track, 58.16, 8.0)))
    assert runner.speed is None
    assert runner.counts["speed_solver_failed"] == 1
    runner.curvature(on_path(track, 58.32, 8.0))
    assert runner.speed[0] == pytest.approx(8.0, abs=0.1)


def test_iteration_limit_is_a_failure_like_any_other() -> None:
    """A solver that may not iterate enough gives a fallback, not its unfinished iterate."""
    track = bends(8.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 58.0, 8.0, 0.0))
    runner._solver._model.settings = {"iter_limit": 2}
    # 3 m beside the path several bounds are active, so that two iterations cannot do.
    assert math.isfinite(runner.curvature(on_path(track, 58.1, 8.0, 3.0)))
    assert runner.counts["solver_failed"] == 1


def test_answers_do_not_depend_on_the_solvers_past() -> None:
    """Two runners answer the same view the same to the solver's tolerance, whatever they solved before."""
    track = bends(10.0, corridor=1.6)
    law = MPC(plans_speed=False)
    used, fresh = runner_of(track, law, CAR), runner_of(track, law, CAR)
    drive(used, track, 10.0, 10.0, CAR, offset=1.5)
    view = on_path(track, 70.0, 10.0, 0.3, -0.1, response=CAR)
    assert used.curvature(view) == pytest.approx(fresh.curvature(view), abs=1e-9)


def test_restart_forgets_the_last_plan() -> None:
    """After a driver has steered there is no plan to fall back on, and the speed is planned from that driven."""
    track = bends(8.0)
    runner = runner_of(track)
    for s in (40.0, 40.16):
        runner.curvature(on_path(track, s, 8.0))
    runner.restart(0.01)
    assert math.isnan(runner.curvature(NOTHING))
    runner.curvature(on_path(track, 41.0, 3.0))
    assert runner.speed[0] == pytest.approx(3.0, abs=0.1)
    assert runner.terms()["failures"] == 0.0


@pytest.mark.parametrize("response", [RESPONSE, CAR], ids=["no tyres", "tyres"])
@pytest.mark.parametrize("bend", [0.0, 0.01])
def test_feedback_is_the_law_where_no_bound_is_active(response: Response, bend: float) -> None:
    """The gains from the programme's matrices give the command of any small deviation, to rounding."""
    speed = 9.0
    gains = mpc_feedback(STEADY, response, limits(response), PERIOD, speed, bend)
    track = track_of(tracks.Arc(200.0, bend) if bend else tracks.Straight(200.0), speed=speed)
    runner = runner_of(track, STEADY, response)
    view = on_path(track, 20.0, speed, 0.02, 0.003, response=response)
    view = view._replace(
        rear_velocity=view.rear_velocity + 0.01,
        yaw_rate=view.yaw_rate - 0.01,
        steered=bend + 2e-3,
        asked=bend - 1e-3,
    )
    linear = gains.feed_forward + 0.02 * gains.lateral_error + 0.003 * gains.heading_error
    linear += 0.01 * gains.rear_velocity - 0.01 * gains.yaw_rate + 2e-3 * gains.steered - 1e-3 * gains.asked
    assert runner.curvature(view) == pytest.approx(linear, abs=1e-10)
    assert gains.feed_forward == pytest.approx(bend, abs=1e-9)
    assert (gains.yaw_rate != 0.0) == (response.mass is not None)


def test_terms_tell_of_the_last_plan() -> None:
    """What is told is finite, and says what a drive at the limits is like."""
    track = bends(13.0, corridor=1.5)
    runner = runner_of(track, response=CAR)
    assert runner.terms() == {}
    runner.curvature(on_path(track, 79.0, 13.0, 1.2, response=CAR))
    terms = runner.terms()
    assert np.isfinite(list(terms.values())).all()
    assert terms["predicted_error"] == pytest.approx(1.2, abs=0.2)
    assert terms["bounds_on_rate"] + terms["bounds_on_curvature"] + terms["bounds_of_corridor"] > 0
    assert terms["speed_held"] < 13.0
    assert terms["cost_corridor"] > 0.0
    assert set(MPC.term_units) < set(terms)


def test_gains_may_follow_the_speed() -> None:
    """A schedule gives at each of its speeds the loop of the gain there, and between them something in between."""
    slow, fast = MPC(lateral_tolerance=0.05), MPC(lateral_tolerance=0.4)
    both = MPC(lateral_tolerance=Schedule(speeds=(4.0, 20.0), values=(0.05, 0.4)))
    for speed, same in ((2.0, slow), (30.0, fast)):
        gains = mpc_feedback(both, CAR, limits(CAR), PERIOD, speed)
        np.testing.assert_allclose(gains, mpc_feedback(same, CAR, limits(CAR), PERIOD, speed), rtol=1e-9)
    middle = [mpc_feedback(law, CAR, limits(CAR), PERIOD, 12.0).lateral_error for law in (slow, both, fast)]
    assert middle[0] < middle[1] < middle[2] < 0.0


@pytest.mark.parametrize("speed", [3.0, 12.0, 25.0])
def test_horizon_by_distance(speed: float) -> None:
    """With a distance in place of a time, the horizon ends there at any speed within the bounds of a step."""
    track = track_of(tracks.Straight(900.0), speed=speed)
    runner = runner_of(track, MPC(reach=60.0), CAR)
    runner.curvature(on_path(track, 10.0, speed, 0.5, response=CAR))
    ahead = runner._work.stations[-1] - 10.0
    step = min(max(2.0 / speed, 0.02), 0.5)
    assert runner._work.spans[-1] == pytest.approx(step)
    assert ahead == pytest.approx(speed * (PERIOD + 29 * step), rel=1e-6)
    run = drive(runner_of(track, MPC(reach=60.0), CAR), track, 15.0, speed, CAR, offset=1.0)
    assert -run.lateral_error.min() < 0.05


def test_at_rest_the_command_is_finite_and_turns_to_the_path() -> None:
    """At 0 m/s beside the path, the model cannot move; planned as creeping, the law steers towards the path."""
    track = track_of(tracks.Straight(50.0), speed=2.0)
    assert runner_of(track).curvature(on_path(track, 5.0, 0.0, 0.5)) < 0.0


def test_small_vehicle_in_its_own_units() -> None:
    """A vehicle a sixteenth the size keeps within 1 cm of bends of 1 m with gains from its search range."""
    small = Response(wheelbase=0.1735, lag=0.08, rate_limit=4.0, angle_limit=0.4, width=0.15)
    space = MPC.search_space(small)
    law = MPC(**{name: math.sqrt(gain.low * gain.high) for name, gain in space.items()})
    track = track_of(
        tracks.Straight(3.0), tracks.Clothoid(1.0, 0.0, 1.0), tracks.Arc(2.0, 1.0), tracks.Clothoid(1.0, 1.0, 0.0),
        tracks.Straight(4.0), speed=1.2,
    )  # fmt: skip
    run = drive(law.start(small, limits(small), track, PERIOD, 1.0), track, 8.0, 1.2, small)
    assert np.abs(run.lateral_error).max() < 0.01


@pytest.mark.parametrize("wheelbase", [0.17, 2.8, 6.0])
def test_search_space_holds_valid_gains(wheelbase: float) -> None:
    """Both ends of every range make a valid law, in any combination."""
    space = MPC.search_space(Response(wheelbase=wheelbase))
    assert len(space) == 3
    for name, gain in space.items():
        assert 0.0 < gain.low < gain.high
        assert MPC(**{name: gain.low}).gains[name] == gain.low
        assert MPC(**{name: gain.high}).gains[name] == gain.high


@pytest.mark.parametrize(
    "wrong", [{"horizon": 1}, {"step": 0.0}, {"lateral_tolerance": 0.0}, {"corridor_margin": -0.1}, {"foo": 1.0},
              {"heading_tolerance": math.inf}, {"moves": 2}, {"moves": (1, 2, 3)}, {"moves": (2, 28)}, {"reach": -1.0}]
)  # fmt: skip
def test_settings_are_validated(wrong: dict[str, float]) -> None:
    """A setting that makes no sense is refused."""
    with pytest.raises(ValidationError):
        MPC(**wrong)
