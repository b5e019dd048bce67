"""The nonlinear law's model: its derivatives, its integration, its stiffness and its cost beyond the horizon."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from nonlinear_mpc_cases import PERIOD, WITH_TYRES, WITHOUT, runner_of
from scipy.integrate import solve_ivp
from scipy.linalg import solve_discrete_are

import tracker
import tracks
from tracker.laws.nonlinear_mpc_integrator import Integrator, new_stages
from tracker.laws.nonlinear_mpc_model import most_stiff, path_rates, rates_of, substeps
from tracker.laws.nonlinear_mpc_terminal import look_up, speed_cost
from tracker.laws.nonlinear_mpc_values import TABLE_SPEEDS, crossing_weight, input_weight, rate_weight
from tracker.motion.body import body_of
from tracks.one_source import plain

VEHICLES = {"tyres": WITH_TYRES, "none": WITHOUT, "at once": WITHOUT.model_copy(update={"lag": 0.0})}
TRACK = tracks.Track(
    "straight", path := tracks.Path.from_segments([tracks.Straight(400.0)]), np.full(path.s.size, 20.0)
)


def values_of(response: tracker.Response):
    """Give the law's values for a vehicle on a straight."""
    return runner_of(TRACK, response)._values


def state_of(speed: float) -> np.ndarray:
    """Give a state in motion in every direction, shape (9,)."""
    return np.array([1.0, 0.3, -0.06, 0.02 * speed, 0.01 * speed, 0.012, 0.004, speed, -0.4])


def moved(response: tracker.Response, state: np.ndarray, asked: float, jerk: float, span: float):
    """Give what the integrator makes of a state in one step: (5,), its derivatives (5, 10) and ė with slopes (10,)."""
    values, tyres = values_of(response), int(response.mass is not None)
    stages, crossing = new_stages(1), np.zeros((2, 10))
    bends = np.array([[0.01, 4e-4, 2.0]])
    Integrator(values, tyres, stages)(
        crossing, np.array([state, state]), np.array([asked]), np.array([jerk]), bends, np.array([span])
    )
    return stages.moved[0], stages.moved_by[0], crossing[0]


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("speed", [0.6, 2.0, 3.5, 12.0, 30.0])
@pytest.mark.parametrize("span", [PERIOD, 0.1])
def test_step_is_the_solution_of_the_equations(vehicle: str, speed: float, span: float) -> None:
    """A step agrees with scipy's DOP853 on the same equations, with the lag and the speed integrated along."""
    response = VEHICLES[vehicle]
    values, tyres = values_of(response), int(response.mass is not None)
    state, asked, jerk = state_of(speed), 0.015, 1.5

    def slope(_t, y):
        bend = 0.01 + 4e-4 * (y[0] - 2.0)
        w = asked if response.lag == 0.0 else y[5]
        rates = plain(path_rates)(tyres, values.body, y[1], y[2], y[3], y[4], w, y[6], bend)
        return [*rates, 0.0 if response.lag == 0.0 else (asked - y[5]) / response.lag, y[7], jerk]

    start = [*state[:6], state[7], state[8]]
    exact = solve_ivp(slope, (0.0, span), start, method="DOP853", rtol=1e-11, atol=1e-12).y[:5, -1]
    found = moved(response, state, asked, jerk, span)[0]
    # A decaying state keeps R(−1.5) = 0.27 of itself in a substep at the largest h λ, where e^(−1.5) = 0.22 is exact:
    # 1 % of the state, since most of it does not decay but follows the steering; its integrals are exact to 0.2 mm. Without tyres
    # the local error is h⁵ v⁴ and less, 20 µm at 30 m/s.
    np.testing.assert_allclose(found[:3], exact[:3], atol=2e-4 if tyres else 2e-5)
    assert np.all(np.abs(found[3:] - exact[3:]) <= 0.01 * np.abs(state[3:5]))


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("speed", [2.0, 12.0])
def test_derivatives_are_those_of_the_step(vehicle: str, speed: float) -> None:
    """The chain rule over the stages agrees with central differences of the step, in every state and input."""
    response, state, span = VEHICLES[vehicle], state_of(speed), 0.1
    _, by, crossing = moved(response, state, 0.015, 1.5, span)
    size = 1e-5
    for column in range(10):
        ends = []
        for sign in (1.0, -1.0):
            other, asked, jerk = state.copy(), 0.015, 1.5
            if column == 6:
                asked += sign * size
            elif column == 9:
                jerk += sign * size
            else:
                other[column] += sign * size
            ends.append(moved(response, other, asked, jerk, span))
        difference = (ends[0][0] - ends[1][0]) / (2.0 * size)
        # Second order in the size of the difference, times the curvature of the equations at low speed; and rounding.
        np.testing.assert_allclose(by[:, column], difference, atol=2e-6 * max(1.0, np.abs(difference).max()))
        if column < 9 and column != 6 and vehicle != "at once":
            across = (ends[0][2][0] - ends[1][2][0]) / (2.0 * size)
            assert crossing[1 + column] == pytest.approx(across, abs=1e-7)


def test_traced_source_is_the_compiled_one() -> None:
    """CasADi's rates are those of the compiled equation, with and without the hand-over in the trace."""
    body = body_of(WITH_TYRES)
    points = np.random.default_rng(3).uniform(-0.1, 0.1, (6, 7))
    points[:, 5] = [0.4, 1.5, 2.5, 3.2, 11.0, 30.0]
    for tyres, known in ((1, body), (0, body_of(WITHOUT))):
        for quick in (False, True):
            found = np.asarray(rates_of(tyres, known, 6, quick)(points.T)[0].full()).T
            for k in range(3 if quick and tyres else 0, 6):
                expected = path_rates(tyres, known, *points[k])
                np.testing.assert_allclose(found[k], expected, rtol=1e-11, atol=1e-13)


@pytest.mark.parametrize(
    ("speed", "real", "imaginary"),
    [(10.0, -20.4923, 3.6957), (20.0, -10.2461, 4.8439), (30.0, -6.8308, 5.0278), (40.0, -5.1231, 5.0906)],
)
def test_stiffness_is_that_of_the_poles(speed: float, real: float, imaginary: float) -> None:
    """The size of the lateral-yaw poles of the published car (derived from Rajamani's parameters with python-control)."""
    assert most_stiff(1, body_of(WITH_TYRES), speed) == pytest.approx(abs(complex(real, imaginary)), rel=1e-5)


def test_substeps_keep_the_method_stable() -> None:
    """Anywhere within and beyond the hand-over h λ stays below 1.7, far from the 2.78 that Runge-Kutta bears."""
    body = body_of(WITH_TYRES)
    for slowest in (0.5, 1.2, 2.0, 2.6, 3.0, 5.0, 10.0, 25.0):
        count = substeps(1, body, 0.1, slowest, 30.0, 0.1)
        worst = max(most_stiff(1, body, v) for v in np.linspace(slowest, 30.0, 300))
        assert 0.1 * worst / count < 1.7
    assert substeps(0, body_of(WITHOUT), 0.0, 1.0, 30.0, 0.1) == 1
    assert substeps(0, body_of(WITHOUT), 0.02, 1.0, 30.0, 0.1) == 2


@pytest.mark.parametrize("vehicle", VEHICLES)
def test_cost_beyond_the_horizon_solves_the_riccati_equation(vehicle: str) -> None:
    """P is that of scipy's discrete algebraic Riccati solver for a step differentiated numerically, at a table's speed."""
    response = VEHICLES[vehicle]
    runner = runner_of(TRACK, response)
    values, h = runner._values, runner._values.step
    speeds = np.geomspace(values.creep, 30.0, TABLE_SPEEDS)
    for i in (6, 15, 23):
        speed, f, g = float(speeds[i]), np.zeros((6, 6)), np.zeros(6)
        state = np.zeros(9)
        state[7] = speed
        for column in range(6):
            ends = []
            for size in (1e-5, -1e-5):
                other = state.copy()
                other[1 + column] = size
                asked = other[6]
                end = _straight(response, other, asked, h)
                left = 0.0 if response.lag == 0.0 else np.exp(-h / response.lag)
                ends.append([*end[1:], asked + (other[5] - asked) * left, asked])
            f[:, column] = (np.array(ends[0]) - ends[1]) / 2e-5
        g[:] = f[:, 5]
        body, across = values.body, np.zeros(6)
        across[1] = speed
        if response.mass is not None:
            share = min(max((speed - 1.0) / 2.0, 0.0), 1.0)
            share = share**2 * (3.0 - 2.0 * share)
            across[2], across[3] = share, -share * body.rear_axle_distance
        q = h * crossing_weight(values, speed) * np.outer(across, across)
        q[0, 0] += h * values.lateral_weight
        q[5, 5] += h * input_weight(values, speed)
        r = rate_weight(values, speed) / h
        # Without tyres two states stand still, which the solver takes for a problem without a solution.
        kept = np.ix_(*[list(range(6)) if response.mass is not None else [0, 1, 4, 5]] * 2)
        ours, expected = np.zeros((6, 6)), np.zeros((6, 6))
        expected[kept] = (
            solve_discrete_are(f[kept], g[kept[0].ravel(), None], q[kept], np.array([[r]])) - q[kept]
        )
        look_up(runner._work.table, values, speed, ours)
        scale = np.sqrt(np.maximum(np.diag(expected), 1.0))
        np.testing.assert_allclose(
            ours / np.outer(scale, scale), expected / np.outer(scale, scale), atol=2e-6
        )


def _straight(response: tracker.Response, state: np.ndarray, asked: float, span: float) -> np.ndarray:
    """Integrate one step on a straight, in as many substeps as the table's slowest speed asks for: the states after it."""
    values, stages = values_of(response), new_stages(2)
    slow = np.zeros(9)
    slow[7] = values.creep
    Integrator(values, int(response.mass is not None), stages)(
        np.zeros((3, 10)), np.array([state, slow, state]), np.array([asked, 0.0]), np.zeros(2), np.zeros((2, 3)),
        np.full(2, span),
    )  # fmt: skip
    return stages.moved[0].copy()


def test_cost_of_the_speed_beyond_the_horizon() -> None:
    """The double integrator's, by scipy's Riccati solver."""
    values = values_of(WITHOUT)
    h = values.step
    f, g = np.array([[1.0, h], [0.0, 1.0]]), np.array([[0.5 * h * h], [h]])
    q = h * np.diag([values.speed_weight, values.thrust_weight])
    x = solve_discrete_are(f, g, q, np.array([[h * values.push_weight]]))
    np.testing.assert_allclose(speed_cost(values), x - q, rtol=1e-9)


def test_casadi_is_not_imported_before_it_is_needed() -> None:
    """`import tracker` loads neither CasADi nor the law's equations, so that its start does not wait for it."""
    code = "import sys, tracker; sys.exit(any(n in sys.modules for n in ('casadi', 'tracker.laws.nonlinear_mpc_qp')))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
