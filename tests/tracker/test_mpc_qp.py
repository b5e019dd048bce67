"""The condensed programme of the predictive law against step-by-step simulation and other solvers."""

from __future__ import annotations

import numpy as np
import osqp
import pytest
import scipy.sparse as sparse
from mpc_cases import PERIOD, RESPONSE, Programme, bends, limits, on_path, programmes, runner_of, track_of
from scipy.optimize import minimize

import tracks
from tracker.laws.mpc import MPC, MPCRunner
from tracker.laws.mpc_model import StepModel
from tracker.laws.mpc_qp import condense
from tracker.laws.mpc_terminal import cost_to_go
from tracker.laws.mpc_values import angle_weight, input_weight, rate_weight
from tracker.laws.mpc_work import HARD, IGNORED, SOFT, UNBOUNDED, Work
from tracks.one_source import plain

PREVIOUS = 0.013


def prepared(corridor: float | None = 2.0) -> MPCRunner:
    """Give a runner that has condensed the programme of a vehicle beside the path, before a bend."""
    track = bends(speed=9.0, corridor=corridor)
    runner = runner_of(track)
    condense(
        runner._values, runner._track, runner._work, runner._corridor, 50.0, 0.4, -0.05, 0.01, 8.0, PREVIOUS
    )
    return runner


def simulate(work: Work, inputs: np.ndarray) -> np.ndarray:
    """Step the recorded models through the inputs one by one, shape (n + 1, 3)."""
    states = [work.free[0]]
    for k, u in enumerate(inputs):
        m = StepModel(*work.models[k])
        e, p, c = states[-1]
        bend = work.bends[k]
        states.append(
            np.array(
                [
                    m.a_ee * e + m.a_ep * p + m.a_ek * c + m.b_e * u + m.c_e * bend,
                    m.a_pe * e + m.a_pp * p + m.a_pk * c + m.b_p * u + m.c_p * bend,
                    m.a_kk * c + m.b_k * u,
                ]
            )
        )
    return np.array(states)


def cost(runner: MPCRunner, inputs: np.ndarray) -> float:
    """Add up the law's cost step by step, as its module's docstring defines it."""
    work, values = runner._work, runner._values
    states = simulate(work, inputs)
    scale = values.step / max(rate_weight(values, v) for v in work.nodes)
    changes = np.diff(inputs, prepend=PREVIOUS)
    total = 0.0
    for k in range(inputs.size):
        e, p, _ = states[k + 1]
        h, dt = work.spans[k], work.changes[k]
        total += h * (values.lateral_weight * e * e + angle_weight(values, work.nodes[k + 1]) * p * p)
        total += h * input_weight(values, work.means[k]) * (inputs[k] - work.bends[k]) ** 2
        total += dt * rate_weight(values, work.nodes[k]) * (changes[k] / dt) ** 2
    last = work.bends[-1]
    z = np.append(states[-1] - [0.0, 0.0, last], inputs[-1] - last)
    terminal = np.zeros((4, 4))
    terminal[np.triu_indices(4)] = work.terminal
    terminal += np.triu(terminal, 1).T
    return 0.5 * (scale * total + z @ terminal @ z)


def test_condensed_cost_is_that_of_the_simulation() -> None:
    """½ uᵀHu + fᵀu differs from the cost added up along the simulated plan by a constant only."""
    runner = prepared()
    rng = np.random.default_rng(3)
    h, f = runner._work.hessian, runner._work.gradient
    constant = cost(runner, np.zeros(30))
    for _ in range(20):
        u = 0.05 * rng.standard_normal(30)
        added = cost(runner, u)
        assert 0.5 * u @ h @ u + f @ u + constant == pytest.approx(added, rel=1e-11)
    np.testing.assert_array_equal(h, h.T)
    assert np.linalg.eigvalsh(h).min() > 0.0


def test_condensed_prediction_is_the_simulation() -> None:
    """A corridor row times the inputs, plus the free motion, is the lateral error stepped one by one."""
    runner = prepared()
    work, values = runner._work, runner._values
    u = 0.05 * np.random.default_rng(4).standard_normal(30)
    errors = simulate(work, u)[2:, 0]
    scale = values.step / max(rate_weight(values, v) for v in work.nodes)
    weight = np.sqrt(scale * work.spans[1:] * values.corridor_weight)
    predicted = work.rows[29:] @ u / weight + work.free[2:, 0]
    np.testing.assert_allclose(predicted, errors, atol=1e-12)
    room = 2.0 - values.half_width
    np.testing.assert_allclose(work.upper[59:] / weight + work.free[2:, 0], room, atol=1e-12)
    np.testing.assert_allclose(work.lower[59:] / weight + work.free[2:, 0], -room, atol=1e-12)


def test_plain_source_and_compiled_agree() -> None:
    """The whole condensing in plain Python gives the same programme to rounding."""
    compiled, work = prepared()._work, prepared()._work
    runner = prepared()
    for array in work[:5]:
        array[:30] = 0.0
    work = work._replace(rows=compiled.rows.copy())
    plain(condense)(runner._values, runner._track, work, True, 50.0, 0.4, -0.05, 0.01, 8.0, PREVIOUS)
    for name in ("hessian", "gradient", "rows", "upper", "lower", "kinds"):
        ours, reference = getattr(work, name), getattr(compiled, name)
        np.testing.assert_allclose(
            ours, reference, rtol=1e-10, atol=1e-10 * max(1.0, np.abs(reference[:59]).max())
        )


def reference_optimum(p: Programme) -> np.ndarray:
    """Solve a programme by OSQP with one slack for each soft row: its square costs ½."""
    n, soft, used = p.gradient.size, np.flatnonzero(p.kinds == SOFT), p.kinds != IGNORED
    rows = np.vstack([np.eye(n), p.rows])
    slack = np.zeros((rows.shape[0], soft.size))
    slack[soft, np.arange(soft.size)] = 1.0
    a = sparse.csc_matrix(np.hstack([rows, slack])[used])
    h = sparse.csc_matrix(sparse.block_diag([np.triu(p.hessian), np.eye(soft.size)]))
    solver = osqp.OSQP()
    solver.setup(
        h, np.append(p.gradient, np.zeros(soft.size)), a, p.lower[used], p.upper[used],
        eps_abs=1e-11, eps_rel=1e-11, max_iter=400_000, polishing=True, verbose=False,
    )  # fmt: skip
    result = solver.solve(raise_error=True)
    assert result.info.status == "solved"
    return result.x[:n]


DRIVES = [
    # (track, seconds, speed, start): saturated in rate; in lateral acceleration and corridor; on a plain straight.
    (lambda: bends(9.0), 8.0, 9.0, {"offset": 2.0}),
    (lambda: bends(13.0, corridor=1.5), 14.0, 13.0, {}),
    (lambda: bends(8.0, corridor=1.3), 8.0, 8.0, {"offset": -0.5, "heading": 0.2}),
    (lambda: track_of(tracks.Straight(200.0), speed=3.0), 6.0, 3.0, {"offset": 4.0, "heading": 0.5}),
]


@pytest.fixture(scope="module")
def recorded() -> list[Programme]:
    """Programmes of four drives, with bounds of every kind active in some."""
    return [
        p for track, seconds, speed, start in DRIVES for p in programmes(track(), seconds, speed, 23, **start)
    ]


def test_recorded_programmes_have_active_bounds(recorded: list[Programme]) -> None:
    """The comparison with other solvers means something: each kind of bound is active somewhere."""
    n = 30
    active = np.zeros(3, dtype=int)
    for p in recorded:
        value = np.concatenate([p.plan, p.rows @ p.plan])
        at = (value > p.upper - 1e-7) | (value < p.lower + 1e-7)
        active += [at[:n].sum(), at[n : 2 * n - 1].sum(), at[2 * n - 1 :].sum()]
    assert len(recorded) > 60
    assert np.all(active > 50)


def test_optimum_is_that_of_another_solver(recorded: list[Programme]) -> None:
    """DAQP and OSQP, an active-set method and one of first order, agree to 1e-6 1/m."""
    worst = max(np.abs(p.plan - reference_optimum(p)).max() for p in recorded)
    assert worst < 1e-6


def test_optimum_is_that_of_a_third_solver(recorded: list[Programme]) -> None:
    """scipy's SLSQP agrees on one programme with active bounds."""
    p = recorded[3]
    assert not np.any(p.kinds == SOFT)
    rows = np.vstack([np.eye(30), p.rows])
    constraint = {"type": "ineq", "fun": lambda u: np.append(p.upper - rows @ u, rows @ u - p.lower),
                  "jac": lambda u: np.vstack([-rows, rows])}  # fmt: skip
    found = minimize(
        lambda u: 0.5 * u @ p.hessian @ u + p.gradient @ u, np.zeros(30), jac=lambda u: p.hessian @ u + p.gradient,
        constraints=[constraint], method="SLSQP", options={"ftol": 1e-15, "maxiter": 500},
    )  # fmt: skip
    np.testing.assert_allclose(p.plan, found.x, atol=1e-6)


def test_no_hard_bound_is_violated(recorded: list[Programme]) -> None:
    """Limits on curvature, lateral acceleration and rate hold in every plan to 1e-8."""
    for p in recorded:
        value, hard = np.concatenate([p.plan, p.rows @ p.plan]), p.kinds == HARD
        assert np.all(value[hard] <= p.upper[hard] + 1e-8)
        assert np.all(value[hard] >= p.lower[hard] - 1e-8)


@pytest.mark.parametrize("previous", [0.2, -0.2, 0.0])
def test_bounds_leave_a_way_out(previous: float) -> None:
    """With the last command far beyond what the speed now allows, turning back at full rate keeps every bound."""
    track = track_of(tracks.Straight(300.0), speed=15.0)
    runner = runner_of(track)
    condense(runner._values, runner._track, runner._work, False, 10.0, 0.0, 0.0, previous, 12.0, previous)
    work = runner._work
    back = np.cumsum(runner._values.curvature_rate * work.changes)
    way = np.sign(previous) * np.maximum(abs(previous) - back, 0.0)
    value = np.concatenate([way, work.rows @ way])
    assert np.all(value <= work.upper + 1e-12)
    assert np.all(value >= work.lower - 1e-12)
    # Once the rate no longer binds, the bound is lateral acceleration over speed squared.
    assert work.upper[-30] == pytest.approx(3.0 / max(work.nodes[-2:]) ** 2)


def test_corridor_is_left_out_where_the_vehicle_does_not_fit() -> None:
    """Rows of stretches narrower than the vehicle and its margin, or without an edge, are ignored."""
    path = tracks.Path.from_segments([tracks.Straight(100.0)])
    left = np.where(path.s < 40.0, 0.9, np.where(path.s < 60.0, 3.0, np.inf))
    track = tracks.Track("gate", path, np.full(path.s.size, 10.0), tracks.Corridor(left, left))
    runner = runner_of(track)
    condense(runner._values, runner._track, runner._work, True, 25.0, 0.0, 0.0, 0.0, 10.0, 0.0)
    work = runner._work
    stations, kinds = work.stations[2:], work.kinds[59:]
    assert np.all(kinds[stations < 39.7] == IGNORED)
    assert np.all(kinds[(stations > 40.0) & (stations < 59.7)] == SOFT)
    assert np.all(kinds[stations > 60.0] == IGNORED)
    assert np.all(np.abs(work.upper) <= UNBOUNDED)


def test_horizon_does_not_change_the_unbounded_law() -> None:
    """With the exact cost beyond it, on a straight at constant speed any horizon gives the same first input."""
    track = track_of(tracks.Straight(900.0), speed=9.6)
    response = RESPONSE
    wide = limits(response)._replace(curvature_rate=1e3, curvature=1e3, lateral_acceleration=1e6)
    first = []
    for horizon in (2, 7, 30, 100):
        runner = MPC(horizon=horizon).start(response, wide, track, 0.1, 1.0)
        # The table holds the speed exactly where this one is a row of it.
        runner._work.table[:] = _rows_at(runner, 9.6)
        first.append(runner.curvature(on_path(track, 30.0, 9.6, 0.03, 0.01)))
    np.testing.assert_allclose(first, first[0], rtol=1e-7)


def _rows_at(runner: MPCRunner, speed: float) -> np.ndarray:
    """Give the terminal cost at one speed, to stand for all speeds of the table."""
    return cost_to_go(runner._values, np.array([speed]))[0][np.triu_indices(4)]


def test_first_step_is_the_period() -> None:
    """The first input may differ from the last command by what one period allows, and no more."""
    runner = prepared(None)
    rate = runner._values.curvature_rate
    assert runner._work.upper[0] == pytest.approx(PREVIOUS + rate * PERIOD)
    assert runner._work.lower[0] == pytest.approx(PREVIOUS - rate * PERIOD)
