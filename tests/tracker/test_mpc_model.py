"""The predictive law's model of one step against independent numerics."""

from __future__ import annotations

import casadi
import control
import numpy as np
import pytest
from mpc_cases import RESPONSE, tyred
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from tracker.laws.mpc_model import StepModel, exponential, rates, squarings, step_model
from tracker.laws.mpc_terminal import transition
from tracker.prediction import rear_slip
from tracker.response import Response
from tracks.one_source import plain, traced

TYRED = tyred()
SOFT = tyred(
    cornering_stiffness_front=90e3, cornering_stiffness_rear=60e3
)  # oversteers: critical speed 38 m/s
VEHICLES = {
    "no tyres": RESPONSE,
    "no lag": RESPONSE.model_copy(update={"lag": 0.0}),
    "tyres": TYRED,
    "over": SOFT,
}


def written_out(response: Response, v: float, bend: float) -> np.ndarray:
    """Give the rates of (e, ψ, w, r, c) with inputs u and κ_r as a matrix (7, 7), from the body's force balance.

    Mass matrix form at the centre of gravity, solved by numpy: m (ẇ + b ṙ + v r) = F_f + F_r, I ṙ = a F_f − b F_r
    (Rajamani, Vehicle Dynamics and Control, ch. 2: from memory).
    """
    r, full = response, np.zeros((7, 7))
    lag = max(r.lag, 1e-3)
    full[0, 1], full[0, 2] = v, 1.0
    full[1, 0], full[1, 6] = -v * bend * bend, -v
    full[4, 4], full[4, 5] = -1.0 / lag, 1.0 / lag
    if not r.mass:
        full[1, 4], full[2, 2], full[3, 3] = v, -1.0, -1.0
        return full
    full[1, 3] = 1.0
    a, length = r.front_axle_distance, r.wheelbase
    b = length - a
    gradient = r.mass * (b * r.cornering_stiffness_rear - a * r.cornering_stiffness_front) / (
        length * r.cornering_stiffness_front * r.cornering_stiffness_rear
    )  # fmt: skip
    geared = max(length + gradient * v * v, 0.1 * length)
    # Side forces by (w, r, c), then mass matrix · (ẇ, ṙ) = right.
    front = r.cornering_stiffness_front * np.array([-1.0 / v, -length / v, geared])
    rear = r.cornering_stiffness_rear * np.array([-1.0 / v, 0.0, 0.0])
    right = np.array([front + rear - r.mass * np.array([0.0, v, 0.0]), a * front - b * rear])
    full[2:4, 2:5] = np.linalg.solve(np.array([[r.mass, r.mass * b], [0.0, r.yaw_inertia]]), right)
    return full


def as_matrix(m: StepModel) -> np.ndarray:
    """Give (A, b, d) of a step or of rates, (5, 7)."""
    a, b, d = transition(m)
    return np.column_stack([a, b, d])


@pytest.mark.parametrize("vehicle", VEHICLES)
@pytest.mark.parametrize("speed", [0.3, 1.0, 8.0, 40.0])
@pytest.mark.parametrize("bend", [0.0, 1e-6, -0.004, 0.1, 2.0])
def test_step_is_exact(vehicle: str, speed: float, bend: float) -> None:
    """A step is scipy's matrix exponential (`scipy.linalg.expm`) of the balance of forces, to 1e-12 of its size."""
    response = VEHICLES[vehicle]
    full = written_out(response, speed, bend)
    np.testing.assert_allclose(
        as_matrix(rates(response.values, speed, bend)), full[:5], rtol=1e-12, atol=1e-12 * np.abs(full).max()
    )
    for span in (0.005, 0.02, 0.1, 0.5):
        reference = expm(full * span)[:5]
        # Rounding of the reference: its entries grow with the norm of the matrix that is raised.
        size = max(1.0, np.abs(reference).max(), (speed * span) ** 2)
        # At Ω h = 40 rad the reference itself squares eight times; some roundings are allowed there.
        loose = 1e-12 if speed * bend * span < 7.0 else 1e-11
        ours = as_matrix(step_model(response.values, speed, bend, span))
        np.testing.assert_allclose(ours, reference, rtol=0.0, atol=loose * size)


@pytest.mark.parametrize("vehicle", ["no tyres", "tyres"])
def test_step_is_the_zero_order_hold(vehicle: str) -> None:
    """python-control's `c2d` (zero-order hold) of the same state space gives the same step, to 1e-12."""
    full = written_out(VEHICLES[vehicle], 15.0, 0.01)
    continuous = control.ss(full[:5, :5], full[:5, 5:], np.eye(5), np.zeros((5, 2)))
    discrete = control.c2d(continuous, 0.1, method="zoh")
    ours = as_matrix(step_model(VEHICLES[vehicle].values, 15.0, 0.01, 0.1))
    np.testing.assert_allclose(ours, np.column_stack([discrete.A, discrete.B]), atol=1e-12)


def test_body_has_the_poles_of_the_example_car() -> None:
    """Lateral-yaw poles of Rajamani's example car (A5, second-hand), recomputed apart from this project (A7)."""
    poles = {
        10.0: -20.4923 + 3.6957j,
        20.0: -10.2461 + 4.8439j,
        30.0: -6.8308 + 5.0278j,
        40.0: -5.1231 + 5.0906j,
    }
    for speed, pole in poles.items():
        a, _, _ = transition(rates(TYRED.values, speed, 0.0))
        found = np.linalg.eigvals(a[2:4, 2:4])
        assert found[np.argmax(found.imag)] == pytest.approx(pole, abs=1e-4)


@pytest.mark.parametrize("speed", [2.0, 15.0, 30.0])
def test_steady_turn_is_an_equilibrium(speed: float) -> None:
    """With the slip that is taken off the heading, a steady turn κ has no rates: nothing is left to correct."""
    for inertia in (2873.0, 1573.0 * 1.1 * 1.58, 2000.0):
        response, bend = tyred(yaw_inertia=inertia).values, 0.004
        slip = float(rear_slip(response, speed, bend))
        steady = np.array([0.0, slip, -speed * slip, speed * bend, bend, bend, bend])
        still = as_matrix(rates(response, speed, bend)) @ steady
        np.testing.assert_allclose(still, 0.0, atol=1e-12)


def test_tyres_become_rolling_wheels_at_walking_pace() -> None:
    """Towards v = 0 the exact step of the tyres ends in the kinematic one, without a hand-over and bounded."""
    no_tyres = Response(wheelbase=TYRED.wheelbase, lag=TYRED.lag)
    for speed in (1e-3, 0.03, 0.3):
        ours = as_matrix(step_model(TYRED.values, speed, 0.05, 0.1))[[0, 1, 4]][:, [0, 1, 4, 5, 6]]
        kinematic = as_matrix(step_model(no_tyres.values, speed, 0.05, 0.1))[[0, 1, 4]][:, [0, 1, 4, 5, 6]]
        # The tyres lag by m a v/(C L) and the like: 4 ms at 1 m/s; lengths count by v.
        np.testing.assert_allclose(ours[1:], kinematic[1:], atol=0.05 * speed * speed + 1e-12)
        np.testing.assert_allclose(ours[0], kinematic[0], atol=0.05 * speed**3 + 0.01 * speed * speed + 1e-12)


def test_two_steps_are_one_of_twice_the_length() -> None:
    """The exact model is a semigroup, which no approximation of it is."""
    for response in (RESPONSE, TYRED):
        a, b, d = transition(step_model(response.values, 7.0, 0.08, 0.1))
        a2, b2, d2 = transition(step_model(response.values, 7.0, 0.08, 0.2))
        np.testing.assert_allclose(a @ a, a2, atol=1e-13)
        np.testing.assert_allclose(a @ b + b, b2, atol=1e-13)
        np.testing.assert_allclose(a @ d + d, d2, atol=1e-13)


def test_linearisation_has_the_signs_of_the_kinematic_model() -> None:
    """The step differs from the nonlinear error dynamics only in second order of the errors."""
    v, bend, h = 6.0, -0.06, 0.3
    response = RESPONSE.model_copy(update={"lag": 0.2})

    def errors(_t, z, u):
        """Rear axle along a path: ė = v sin ψ, ψ̇ = v κ − v κ_r cos ψ / (1 − κ_r e)."""
        e, psi, kappa = z
        return v * np.sin(psi), v * kappa - v * bend * np.cos(psi) / (1.0 - bend * e), (u - kappa) / 0.2

    a, b, d = transition(step_model(response.values, v, bend, h))
    for size in (1e-2, 1e-3):
        start, u = size * np.array([3.0, -1.0, 0.0]) + [0.0, 0.0, bend], bend + size
        state = np.array([start[0], start[1], 0.0, 0.0, start[2]])
        linear = (a @ state + b * u + d * bend)[[0, 1, 4]]
        exact = solve_ivp(errors, (0.0, h), start, args=(u,), rtol=1e-11, atol=1e-12).y[:, -1]
        assert np.abs(linear - exact).max() < 20.0 * size * size


@pytest.mark.parametrize("vehicle", ["no tyres", "tyres"])
def test_compiled_plain_and_traced_agree(vehicle: str) -> None:
    """The step gives the same compiled, in plain Python, and over CasADi's symbols, to rounding."""
    values = VEHICLES[vehicle].values
    compiled = step_model(values, 9.0, 0.03, 0.1)
    np.testing.assert_allclose(plain(step_model)(values, 9.0, 0.03, 0.1), compiled, atol=1e-13)
    halvings = squarings(rates(values, 9.0, 0.03), 0.1)
    v, bend = casadi.SX.sym("v"), casadi.SX.sym("bend")
    step = traced(exponential)(traced(rates)(values, v, bend), 0.1, halvings)
    given = casadi.Function("step", [v, bend], [casadi.vertcat(*step)])(9.0, 0.03)
    np.testing.assert_allclose(np.array(given).ravel(), compiled, atol=1e-13)
