"""The condensed programme of the predictive law against step-by-step simulation, bounds, and the Riccati equation."""

from __future__ import annotations

import numpy as np
import pytest
from mpc_cases import PERIOD, RESPONSE, bends, limits, on_path, runner_of, track_of, tyred, view_of
from scipy.linalg import solve_discrete_are

import tracks
from tracker.laws.mpc import MPC, MPCRunner
from tracker.laws.mpc_model import step_model
from tracker.laws.mpc_qp import condense
from tracker.laws.mpc_terminal import cost_to_go, look_up, stage_cost, transition
from tracker.laws.mpc_terms import cost_parts, inputs_of
from tracker.laws.mpc_values import weights_of
from tracker.laws.mpc_work import SCALE, SOFT, UNBOUNDED, Work, knots_of
from tracker.response import Response
from tracks.one_source import plain

PREVIOUS = 0.013
CAR = tyred()
VEHICLES = {"no tyres": RESPONSE, "tyres": CAR}


def prepared(
    corridor: float | None = 2.0, response: Response = CAR, law: MPC | None = None, previous: float = PREVIOUS
) -> MPCRunner:
    """Give a runner that has condensed the programme of a vehicle beside the path, before a bend."""
    track = bends(speed=9.0, corridor=corridor)
    runner = runner_of(track, law, response)
    moves = {"curvature": 0.01, "steered": 0.012, "yaw_rate": 0.07, "rear_velocity": -0.03}
    runner.prepare(view_of(track, 50.0, 8.0, 0.4, -0.05, previous, response, **moves))
    return runner


def simulate(runner: MPCRunner, knots: np.ndarray) -> np.ndarray:
    """Step the models through a plan's inputs one by one, shape (n + 1, 5)."""
    work, states = runner._work, [runner._work.free[0]]
    for k, u in enumerate(inputs_of(work, knots)):
        a, b, d = transition(step_model(runner._values.response, work.means[k], work.bends[k], work.spans[k]))
        states.append(a @ states[-1] + b * u + d * work.bends[k])
    return np.array(states)


def weights(runner: MPCRunner, v: float) -> tuple[float, ...]:
    """Give the weights (lateral, course, rate, effort) at a speed, by the README's formulas."""
    law = MPC()
    return (
        law.lateral_tolerance**-2,
        law.heading_tolerance**-2 + v**2 * law.lateral_velocity_tolerance**-2,
        law.curvature_rate_tolerance**-2 + v**4 * law.lateral_jerk_tolerance**-2,
        v**4 * law.lateral_acceleration_tolerance**-2,
    )


def cost(runner: MPCRunner, plan: np.ndarray) -> float:
    """Add up the law's cost step by step, as its module's docstring defines it."""
    work, states, u = runner._work, simulate(runner, plan), inputs_of(runner._work, plan)
    changes = np.diff(plan, prepend=PREVIOUS)
    total = 0.0
    for k in range(u.size):
        v = work.nodes[k + 1]
        e, course = states[k + 1, 0], states[k + 1, 1] + states[k + 1, 2] / v
        lateral, angle, _, _ = weights(runner, v)
        total += work.spans[k] * (lateral * e * e + angle * course * course)
        total += work.spans[k] * weights(runner, work.nodes[k])[3] * (u[k] - work.bends[k]) ** 2
    for j, k in enumerate(work.knots):
        total += weights(runner, work.nodes[k])[2] * changes[j] ** 2 / work.changes[j]
    last, v = work.bends[-1], work.nodes[-1]
    steady = np.array([0.0, 0.0, 0.0, 0.0, last, last])
    r = runner._values.response
    if r.mass:
        w = -r.mass * r.front_axle_distance * v * v * last * v / (r.wheelbase * r.cornering_stiffness_rear)
        steady[1:4] = -w / v, w, v * last
    z = np.append(states[-1], plan[-1]) - steady
    terminal = np.zeros((6, 6))
    terminal[np.triu_indices(6)] = work.terminal
    terminal += np.triu(terminal, 1).T
    return 0.5 * work.told[SCALE] * (total + z @ terminal @ z)


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("moves", [30, 10, (1, 1, 2, 6, 20)])
def test_condensed_cost_is_that_of_the_simulation(vehicle: str, moves) -> None:
    """½ zᵀHz + fᵀz differs from the cost added up along the simulated plan by a constant only."""
    runner = prepared(response=VEHICLES[vehicle], law=MPC(moves=moves))
    rng = np.random.default_rng(3)
    h, f = runner._work.hessian, runner._work.gradient
    constant = cost(runner, np.zeros(f.size))
    for _ in range(10):
        z = 0.05 * rng.standard_normal(f.size)
        added = cost(runner, z)
        assert 0.5 * z @ h @ z + f @ z + constant == pytest.approx(added, rel=1e-10)
        parts = cost_parts(runner._values, runner._work, PREVIOUS, z)
        parts.pop("corridor")
        assert sum(parts.values()) * runner._work.told[SCALE] == pytest.approx(added, rel=1e-10)
    np.testing.assert_array_equal(h, h.T)
    assert np.linalg.eigvalsh(h).min() > 0.0


def test_condensed_prediction_is_the_simulation() -> None:
    """A corridor row times the knots, plus the free motion, is the lateral error stepped one by one."""
    runner = prepared()
    work, values = runner._work, runner._values
    f = work.knots.size
    z = 0.05 * np.random.default_rng(4).standard_normal(f)
    errors = simulate(runner, z)[2:, 0]
    weight = np.sqrt(work.told[SCALE] * work.spans[1:] * values.corridor_weight)
    predicted = work.rows[f - 1 :] @ z / weight + work.free[2:, 0]
    np.testing.assert_allclose(predicted, errors, atol=1e-12)
    room = 2.0 - values.half_width
    np.testing.assert_allclose(work.upper[2 * f - 1 :] / weight + work.free[2:, 0], room, atol=1e-12)
    np.testing.assert_allclose(work.lower[2 * f - 1 :] / weight + work.free[2:, 0], -room, atol=1e-12)


def test_plain_source_and_compiled_agree() -> None:
    """The whole condensing in plain Python gives the same programmes to rounding, the last plan's verdict included."""
    compiled, runner = prepared(), prepared()
    for each in (compiled, runner):
        plan = each._solver.solve()
        each._work.plan[:] = plan
        each._work.told[0] = 1.0
    view = (51.0, 0.4, -0.05, -0.03, 0.07, 0.012, 8.0, PREVIOUS)
    for each, function in ((compiled, condense), (runner, plain(condense))):
        function(each._values, each._track, each._work, each._speed_work, True, True, *view)
    for name in ("hessian", "gradient", "rows", "upper", "lower", "slower"):
        ours, reference = getattr(runner._work, name), getattr(compiled._work, name)
        bounded = np.abs(reference[np.abs(reference) < UNBOUNDED]).max(initial=1.0)
        np.testing.assert_allclose(ours, reference, rtol=1e-10, atol=1e-10 * bounded)
        if name != "slower":
            ours, reference = getattr(runner._speed_work, name), getattr(compiled._speed_work, name)
            np.testing.assert_allclose(ours, reference, rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("previous", [0.2, -0.2, 0.0])
def test_bounds_leave_a_way_out(previous: float) -> None:
    """With the last command far beyond what the speed now allows, turning back at full rate keeps every bound."""
    track = track_of(tracks.Straight(300.0), speed=15.0)
    runner = runner_of(track, MPC(plans_speed=False), CAR)
    runner.prepare(on_path(track, 10.0, 12.0, asked=previous, steered=previous, response=CAR))
    work, envelope = runner._work, runner._values.envelope
    back = np.cumsum(envelope.curvature_rate * work.changes)
    way = np.sign(previous) * np.maximum(abs(previous) - back, 0.0)
    value = np.concatenate([way, work.rows @ way])
    assert np.all(value <= work.upper + 1e-12)
    assert np.all(value >= work.lower - 1e-12)
    # Once the rate no longer binds, the bound is lateral acceleration over speed squared.
    assert work.upper[way.size - 1] == pytest.approx(3.0 / max(work.nodes[-2:]) ** 2)
    runner.curvature(on_path(track, 10.0, 12.0, asked=previous, steered=previous, response=CAR))
    assert runner.counts["beyond_limit"] == (previous != 0.0)


def test_a_limit_of_lateral_jerk_bounds_the_rate() -> None:
    """Where the envelope limits |u̇| v², the rows of the rates keep the lower of it and the steering's rate."""
    runner = prepared(None)
    values = runner._values
    values = values._replace(envelope=values.envelope._replace(lateral_jerk=2.0))
    condense(
        values,
        runner._track,
        runner._work,
        runner._speed_work,
        True,
        False,
        50.0,
        0.4,
        0.0,
        0.0,
        0.0,
        0.0,
        8.0,
        0.0,
    )
    work = runner._work
    speeds = np.maximum(work.nodes[work.knots], work.nodes[work.knots + 1])
    rate = np.minimum(values.envelope.curvature_rate, 2.0 / speeds**2)
    f = work.knots.size
    np.testing.assert_allclose(work.upper[f : 2 * f - 1], (rate * work.changes)[1:], rtol=1e-12)
    assert work.upper[0] == pytest.approx(rate[0] * PERIOD)


def test_corridor_is_left_out_where_the_vehicle_does_not_fit() -> None:
    """Rows of stretches narrower than the vehicle and its margin, or without an edge, never bind."""
    path = tracks.Path.from_segments([tracks.Straight(100.0)])
    left = np.where(path.s < 40.0, 0.9, np.where(path.s < 60.0, 3.0, np.inf))
    track = tracks.Track("gate", path, np.full(path.s.size, 10.0), tracks.Corridor(left, left))
    runner = runner_of(track)
    runner.prepare(on_path(track, 25.0, 10.0))
    work, f = runner._work, runner._work.knots.size
    stations, upper, lower = work.stations[2:], work.upper[2 * f - 1 :], work.lower[2 * f - 1 :]
    assert np.all(work.kinds[2 * f - 1 :] == SOFT)
    for outside in (stations < 39.7, stations > 60.0):
        assert np.all(upper[outside] == UNBOUNDED)
        assert np.all(lower[outside] == -UNBOUNDED)
    inside = (stations > 40.0) & (stations < 59.7)
    assert np.all(upper[inside] < UNBOUNDED)
    assert np.any(inside)


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("speed", [2.0, 8.0, 30.0])
def test_unbounded_optimum_is_the_riccati_equations(vehicle: str, speed: float) -> None:
    """On a straight without bounds, the first input is that of scipy's `solve_discrete_are`, whatever the horizon."""
    response = VEHICLES[vehicle]
    track = track_of(tracks.Straight(900.0), speed=speed)
    h, wide = 0.1, limits(response)._replace(curvature_rate=1e3, curvature=1e3, lateral_acceleration=1e6)
    a, b, _ = transition(step_model(response.values, speed, 0.0, h))
    lateral, course, rate, effort = weights(runner_of(track), speed)
    f, g = np.zeros((6, 6)), np.append(b, 1.0)
    f[:5, :5], f[:, 5] = a, g
    out = np.array([0.0, 1.0, 1.0 / speed, 0.0, 0.0, 0.0])
    q = h * (np.diag([lateral, 0.0, 0.0, 0.0, 0.0, effort]) + course * np.outer(out, out))
    # Δu acts at once: the stage cost is on z⁺ = F z + g Δu.
    r = np.array([[g @ q @ g + rate / h]])
    p = solve_discrete_are(f, g[:, None], f.T @ q @ f, r, s=(f.T @ q @ g)[:, None])
    gain = np.linalg.solve(r + g @ p @ g, (g @ p @ f + g @ q @ f)[None, :])[0]
    moves = {"steered": 0.01, "yaw_rate": 0.02, "rear_velocity": 0.01, "asked": 0.005}
    known = response.mass is not None
    z = np.array([0.03, 0.01, 0.01 * known, 0.02 * known, 0.01, 0.005])
    expected = 0.005 - gain @ z
    for horizon in (2, 7, 30):
        law = MPC(horizon=horizon, moves=max(horizon, 3), plans_speed=False)
        runner = law.start(response, wide, track, h, 1.0)
        # The table holds the cost exactly where this speed is a row of it.
        runner._work.table[:, :21] = _rows_at(runner, speed)
        asked = runner.curvature(view_of(track, 30.0, speed, 0.03, 0.01, response=response, **moves))
        assert asked == pytest.approx(expected, rel=1e-7)


def _rows_at(runner: MPCRunner, speed: float) -> np.ndarray:
    """Give the terminal cost at one speed, to stand for all speeds of the table."""
    tolerances = np.array([MPC().weights_at(speed)])
    return cost_to_go(runner._values, np.array([speed]), tolerances)[0][np.triu_indices(6)]


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("speed", [0.6, 2.0, 8.0, 30.0])
def test_cost_beyond_the_horizon_solves_the_riccati_equation(vehicle: str, speed: float) -> None:
    """The doubling's limit satisfies X = Q + Fᵀ X (I + G X)⁻¹ F, put back into the equation."""
    values = runner_of(track_of(tracks.Straight(50.0)), response=VEHICLES[vehicle])._values
    tolerances = np.array(MPC().weights_at(speed))
    a, b, _ = transition(step_model(values.response, speed, 0.0, values.step))
    q, r = stage_cost(weights_of(tolerances, speed), speed, values.step)
    f, g = np.zeros((6, 6)), np.append(b, 1.0)
    f[:5, :5], f[:, 5] = a, g
    x = cost_to_go(values, np.array([speed]), tolerances[None, :])[0] + q
    back = q + f.T @ x @ np.linalg.solve(np.eye(6) + np.outer(g, g) @ x / r, f)
    # Entries differ by four decades (m against 1/m), so each is held to its own scale √(X_ii X_jj).
    scale = np.sqrt(np.maximum(np.diag(x), 1.0))
    np.testing.assert_allclose(back / np.outer(scale, scale), x / np.outer(scale, scale), atol=1e-9)


def test_table_gives_the_cost_at_its_own_speeds() -> None:
    """Looked up at the ends of the table, P is that of the equation, and outside it the end's."""
    runner = runner_of(track_of(tracks.Straight(50.0), speed=8.0), response=CAR)
    values, out = runner._values, np.zeros(21)
    for speed, at in ((values.creep, values.creep), (12.0, 12.0), (100.0, 12.0)):
        look_up(runner._work.table, values, speed, 0, out)
        exact = _rows_at(runner, at)
        np.testing.assert_allclose(out, exact, atol=1e-8 * np.abs(exact).max())


def test_first_step_is_the_period() -> None:
    """The first input may differ from the last command by what one period allows, and no more."""
    runner = prepared(None)
    rate = runner._values.envelope.curvature_rate
    assert runner._work.upper[0] == pytest.approx(PREVIOUS + rate * PERIOD)
    assert runner._work.lower[0] == pytest.approx(PREVIOUS - rate * PERIOD)


@pytest.mark.parametrize(
    ("moves", "horizon"), [(3, 30), (5, 30), (10, 30), (29, 30), (30, 30), (40, 12), (6, 7)]
)
def test_knots_lie_ever_further_apart(moves: int, horizon: int) -> None:
    """The first two inputs are one step apart, the gaps grow, and the last lies in the last step."""
    knots = knots_of(moves, horizon)
    gaps = np.diff(knots)
    assert knots[0] == 0
    assert knots[-1] == horizon - 1
    assert knots.size == min(moves, horizon)
    assert np.all(gaps >= 1)
    assert gaps[0] == 1
    # Rounding to whole steps may take one back.
    assert np.all(np.diff(gaps) >= -1)


def test_rates_between_knots_keep_the_limit() -> None:
    """Linear between knots, no two steps' inputs differ by more than the rate over the time between their middles."""
    work: Work = prepared(law=MPC(moves=6))._work
    rate = 0.1
    plan = np.cumsum(rate * work.changes)  # as fast as the rows allow throughout
    u = inputs_of(work, plan)
    assert np.all(np.diff(u) <= rate * np.diff(work.middles) * (1.0 + 1e-9))
