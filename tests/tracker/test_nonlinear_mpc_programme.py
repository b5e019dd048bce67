"""The nonlinear programme of the law against IPOPT, against its own cost, and against the linear law."""

from __future__ import annotations

import numpy as np
import pytest
from mpc_cases import bends, track_of
from nonlinear_mpc_cases import (
    PERIOD,
    WITH_TYRES,
    WITHOUT,
    limits,
    programme_by_ipopt,
    runner_of,
    steady_view,
)

import tracker
import tracks
from tracker.laws.nonlinear_mpc_runner import NonlinearMPCRunner
from tracker.laws.nonlinear_mpc_work import HARD, IGNORED, SOFT, block_lengths

TURN = (tracks.Straight(100.0), tracks.Clothoid(20.0, 0.0, 0.01), tracks.Arc(300.0, 0.01))

# name: (vehicle, track, arc length, speed, lateral error, limit on lateral acceleration, settings)
CASES = {
    "beside the path": (WITHOUT, bends(9.0), 50.0, 9.0, 1.0, 3.0, {}),
    "a jump of curvature": (WITHOUT, bends(9.0), 168.0, 9.0, 0.2, 3.0, {}),
    "corridor": (WITHOUT, bends(9.0, 1.3), 50.0, 9.0, 1.0, 3.0, {}),
    "beyond the lateral acceleration": (WITH_TYRES, track_of(*TURN, speed=20.0), 90.0, 20.0, 0.1, 3.0, {}),
    "beside, with tyres": (WITH_TYRES, track_of(*TURN, speed=20.0), 90.0, 20.0, 0.5, 6.0, {}),
    "in the hand-over": (WITH_TYRES, bends(2.0), 59.0, 2.0, 0.3, 3.0, {"horizon": 5}),
    "blocked": (WITH_TYRES, track_of(*TURN, speed=20.0), 90.0, 20.0, 0.5, 6.0, {"moves": 5}),
}


def converged(runner: NonlinearMPCRunner) -> int:
    """Repeat the step of sequential quadratic programming until nothing moves; give how many it took."""
    last = np.inf
    for count in range(60):
        assert runner.iterate()
        here = np.concatenate([runner._next.asked, 0.01 * runner._next.jerks])
        if np.max(np.abs(here - last)) < 1e-10:
            return count
        last = here
    return 60


@pytest.mark.parametrize("case", CASES)
def test_repeated_step_converges_to_the_optimum_of_ipopt(case: str) -> None:
    """Repeated with the parameters held, the step ends where IPOPT does on the same nonlinear programme, to 1e-5.

    IPOPT (A. Wächter, L. T. Biegler, Math. Programming 106, 2006) is given it anew: states and inputs, exact Hessian.
    """
    response, track, s, speed, error, most, settings = CASES[case]
    runner = runner_of(track, response, most, **({"horizon": 12, "moves": 12} | settings))
    runner.prepare(steady_view(track, response, s, speed, error=error))
    start = [array.copy() for array in runner._next]
    assert converged(runner) < 30
    found = [array.copy() for array in runner._next]
    for array, first in zip(runner._next, start, strict=True):
        array[...] = first
    for ours, theirs in zip(found, programme_by_ipopt(runner), strict=True):
        np.testing.assert_allclose(ours, theirs, atol=1e-5)


def test_first_answer_is_close_to_the_optimum_and_the_next_ones_are_closer() -> None:
    """The real-time iteration: along a drive one step a period stays within 2 % of the converged answer's departure."""
    track = bends(9.0)
    runner = runner_of(track, WITHOUT)
    gaps = []
    for k in range(12):
        view = steady_view(track, WITHOUT, 50.0 + 0.18 * k, 9.0, error=0.4, time=0.02 * k)
        view = view._replace(asked=runner._previous if k else view.asked)
        given = runner.curvature(view)
        other = runner_of(track, WITHOUT)
        other.prepare(view)
        converged(other)
        gaps.append(abs(given - other._next.asked[0]))
    change = WITHOUT.rate_limit / WITHOUT.wheelbase * PERIOD
    assert max(gaps[3:]) < 0.02 * change


def test_programme_is_the_cost_of_its_plan() -> None:
    """½ yᵀHy + fᵀy differs from the cost added up along the unfolded plan by a constant only."""
    track = bends(9.0, 1.3)
    runner = runner_of(track, WITH_TYRES, 3.0, horizon=10, moves=4)
    runner.prepare(steady_view(track, WITH_TYRES, 50.0, 9.0, error=0.4))
    about = runner._next.nodes.copy()
    assert runner.iterate()
    work = runner._work
    rng = np.random.default_rng(3)
    sizes = []
    for _ in range(4):
        y = rng.normal(size=work.gradient.size)
        sizes.append(_cost(runner, about, y) - (0.5 * y @ work.hessian @ y + work.gradient @ y))
    np.testing.assert_allclose(sizes, sizes[0], rtol=1e-9)


def _cost(runner: NonlinearMPCRunner, about: np.ndarray, y: np.ndarray) -> float:
    """Add up the cost along the model linearised about nodes (n + 1, 9), step by step, as the docstring defines it."""
    work, values = runner._work, runner._values
    x, total = work.free[0].copy(), float(y @ y)
    for k in range(work.spans.size):
        m = work.model[k]
        x = m[:, :9] @ x + m[:, 9] * y[work.block[k, 0]] + m[:, 10] * y[work.block[k, 1]] + m[:, 11]
        h, v, after = work.spans[k], work.speeds[k], work.speeds[k + 1]
        across = work.crossing[k + 1, 0] + work.crossing[k + 1, 1:] @ (x - about[k + 1])
        total += h * values.lateral_weight * x[1] ** 2
        total += h * (values.velocity_weight + values.heading_weight / after**2) * across**2
        total += h * values.speed_weight * (x[7] - work.planned[k + 1, 0]) ** 2
        total += h * values.thrust_weight * (x[8] - work.planned[k + 1, 1]) ** 2
        total += h * values.acceleration_weight * v**4 * (x[6] - work.steady[k]) ** 2
    z, push = x[1:7] - work.end, x[7:9] - work.planned[-1]
    return 0.5 * (total + z @ work.terminal @ z + push @ work.push @ push)


@pytest.mark.parametrize("speed", [2.0, 8.0, 20.0])
@pytest.mark.parametrize("lag", [0.08, 0.2])
def test_small_deviations_are_answered_as_by_the_linear_law(speed: float, lag: float) -> None:
    """On a straight at constant speed, from 1 mm beside it, the answer is that of the linear `MPC`, without tyres."""
    response = WITHOUT.model_copy(update={"lag": lag})
    track = track_of(tracks.Straight(900.0), speed=speed)
    view = steady_view(track, response, 30.0, speed, error=1e-3, heading_error=2e-4)
    ours = runner_of(track, response, 3.0, moves=30).curvature(view)
    every = {"moves": (1,) * 30} if "moves" in tracker.MPC.model_fields else {}
    law = tracker.MPC(**every)
    linear = law.start(response, limits(response), track, PERIOD, 1.0).curvature(view)
    assert ours == pytest.approx(linear, rel=2e-4)


@pytest.mark.skipif("moves" not in tracker.MPC.model_fields, reason="the linear law knows no tyres")
@pytest.mark.parametrize("speed", [5.0, 10.0, 20.0, 30.0])
def test_small_deviations_with_tyres_are_answered_as_by_the_linear_law(speed: float) -> None:
    """So is a small deviation in every state of a vehicle with tyres, by two models that share no equation."""
    track = track_of(tracks.Straight(900.0), speed=speed)
    view = steady_view(track, WITH_TYRES, 30.0, speed, error=1e-3, heading_error=2e-4)
    view = view._replace(yaw_rate=3e-4, rear_velocity=-2e-4, steered=1e-5, asked=2e-5)
    ours = runner_of(track, WITH_TYRES, 3.0, moves=30).curvature(view)
    law = tracker.MPC(moves=(1,) * 30)
    linear = law.start(WITH_TYRES, limits(WITH_TYRES), track, PERIOD, 1.0).curvature(view)
    assert ours - 2e-5 == pytest.approx(linear - 2e-5, rel=2e-4)


def test_wide_corridor_changes_nothing_and_a_narrow_one_is_left_out() -> None:
    """Rows of a corridor with room are soft, of one without room for the vehicle ignored; all others are hard."""
    for room, kind in ((3.0, SOFT), (0.9, IGNORED)):
        track = bends(9.0, room)
        runner = runner_of(track, WITHOUT)
        assert np.isfinite(runner.curvature(steady_view(track, WITHOUT, 30.0, 9.0)))
        kinds, hard = runner._work.kinds, runner._work.gradient.size + 60
        assert np.all(kinds[:hard] == HARD)
        assert np.all(kinds[hard:] == kind)


@pytest.mark.parametrize(("horizon", "count"), [(30, 12), (30, 30), (5, 12), (100, 7), (2, 2), (30, 1)])
def test_blocks_fill_the_horizon(horizon: int, count: int) -> None:
    """Lengths are whole, at least 1, do not shrink by more than rounding, begin with 1 and add up."""
    lengths = block_lengths(horizon, count)
    assert sum(lengths) == horizon
    assert len(lengths) == min(count, horizon)
    assert min(lengths) >= 1
    if count > 1:
        assert lengths[0] == 1
    assert np.all(np.diff(lengths) >= -1)


@pytest.mark.parametrize("asked", [0.2, -0.2])
@pytest.mark.parametrize("response", [WITHOUT, WITH_TYRES], ids=["none", "tyres"])
def test_beyond_a_limit_there_is_a_way_back(response: tracker.Response, asked: float) -> None:
    """With far more asked for last than the speed allows, the programme has a solution that turns back at once."""
    track = track_of(tracks.Straight(400.0), speed=15.0)
    runner = runner_of(track, response)
    view = steady_view(track, response, 10.0, 15.0, asked=asked, steered=asked)
    found = runner.curvature(view)
    assert runner.counts["solver_failed"] == 0
    rate = response.rate_limit / response.wheelbase
    assert abs(found) < abs(asked) - 0.5 * rate * PERIOD
    assert abs(found - asked) <= rate * PERIOD + 1e-9
