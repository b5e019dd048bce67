"""The predictive law's model of one step, and its cost beyond the horizon, against independent numerics."""

from __future__ import annotations

import numpy as np
import pytest
from mpc_cases import PERIOD, RESPONSE, bends, on_path, runner_of, track_of
from scipy.integrate import solve_ivp
from scipy.linalg import expm, solve_discrete_are

import tracks
from tracker.laws.mpc import MPC
from tracker.laws.mpc_model import lag_terms, step_model
from tracker.laws.mpc_preview import heading_at
from tracker.laws.mpc_terminal import cost_to_go, look_up
from tracker.laws.mpc_values import angle_weight, input_weight, rate_weight
from tracks.geometry import evaluate
from tracks.one_source import plain


def by_expm(v: float, bend: float, h: float, lag: float):
    """Give (A, b, c) of a step by the matrix exponential of the continuous model with its inputs held."""
    m = np.zeros((5, 5))
    m[0, 1] = v
    m[1, 0], m[1, 2], m[1, 4] = -v * bend * bend, v, -v
    m[2, 2], m[2, 3] = -1.0 / lag, 1.0 / lag
    full = expm(m * h)
    return full[:3, :3], full[:3, 3], full[:3, 4]


def by_closed_form(v: float, bend: float, h: float, lag: float):
    """Give (A, b, c) of a step as the law computes it."""
    m = step_model(v, bend, h, lag, lag_terms(lag, h))
    a = np.array([[m.a_ee, m.a_ep, m.a_ek], [m.a_pe, m.a_pp, m.a_pk], [0.0, 0.0, m.a_kk]])
    return a, np.array([m.b_e, m.b_p, m.b_k]), np.array([m.c_e, m.c_p, 0.0])


@pytest.mark.parametrize("speed", [0.03, 1.0, 8.0, 40.0])
@pytest.mark.parametrize("bend", [0.0, 1e-6, -0.004, 0.1, 2.0])
@pytest.mark.parametrize("lag", [1e-3, 0.05, 0.3, 3.0])
@pytest.mark.parametrize("step", [0.005, 0.02, 0.1, 0.5])
def test_step_is_exact(speed: float, bend: float, lag: float, step: float) -> None:
    """The closed form is the matrix exponential."""
    for ours, reference in zip(
        by_closed_form(speed, bend, step, lag), by_expm(speed, bend, step, lag), strict=True
    ):
        # Rounding of the reference: its entries grow with the norm of the matrix that is raised.
        size = max(1.0, np.abs(reference).max(), (speed * step) ** 2)
        # At Ω h = 40 rad the reference itself squares eight times; a thousand roundings are allowed there.
        loose = 1e-12 if speed * bend * step < 7.0 else 1e-11
        np.testing.assert_allclose(ours, reference, rtol=0.0, atol=loose * size)


def test_without_lag_the_curvature_follows_at_once() -> None:
    """A lag of 0 s is the limit of a vanishing one: κ is the input from the start of the step."""
    a, b, _ = by_closed_form(5.0, 0.05, 0.1, 0.0)
    np.testing.assert_array_equal(a[2], 0.0)
    assert b[2] == 1.0
    m = np.array([[0.0, 5.0, 0.0], [-5.0 * 0.05**2, 0.0, 5.0], [0.0, 0.0, 0.0]])
    np.testing.assert_allclose(b[:2], expm(0.1 * m)[:2, 2], atol=1e-14)
    np.testing.assert_array_equal(a[:2, 2], 0.0)


def test_two_steps_are_one_of_twice_the_length() -> None:
    """The exact model is a semigroup, which no approximation of it is."""
    a, b, c = by_closed_form(7.0, 0.08, 0.1, 0.2)
    a2, b2, c2 = by_closed_form(7.0, 0.08, 0.2, 0.2)
    np.testing.assert_allclose(a @ a, a2, atol=1e-14)
    np.testing.assert_allclose(a @ b + b, b2, atol=1e-14)
    np.testing.assert_allclose(a @ c + c, c2, atol=1e-14)


def test_linearisation_has_the_signs_of_the_kinematic_model() -> None:
    """The step differs from the nonlinear error dynamics only in second order of the errors."""
    v, bend, lag, h = 6.0, -0.06, 0.2, 0.3

    def errors(_t, z, u):
        """Rear axle along a path: ė = v sin ψ, ψ̇ = v κ − v κ_r cos ψ / (1 − κ_r e)."""
        e, psi, kappa = z
        return v * np.sin(psi), v * kappa - v * bend * np.cos(psi) / (1.0 - bend * e), (u - kappa) / lag

    a, b, c = by_closed_form(v, bend, h, lag)
    gaps = []
    for size in (1e-2, 1e-3):
        x, u = size * np.array([1.0, -0.4, 0.5]) + [0.0, 0.0, bend], bend + 0.7 * size
        true = solve_ivp(errors, (0.0, h), x, args=(u,), rtol=1e-12, atol=1e-14).y[:, -1]
        gaps.append(np.abs(a @ x + b * u + c * bend - true).max())
    # Ten times smaller errors: a hundred times smaller gap.
    assert gaps[0] / gaps[1] == pytest.approx(100.0, rel=0.05)


@pytest.mark.parametrize("speed", [0.6, 2.0, 8.0, 30.0])
@pytest.mark.parametrize("lag", [0.0, 0.2])
def test_cost_beyond_the_horizon_solves_the_riccati_equation(speed: float, lag: float) -> None:
    """The doubling's limit is the solution of the discrete algebraic Riccati equation."""
    response = RESPONSE.model_copy(update={"lag": lag})
    values = runner_of(track_of(tracks.Straight(50.0)), response=response)._values
    h = values.step
    a, b, _ = by_closed_form(speed, 0.0, h, lag)
    change = rate_weight(values, speed) / h
    # In terms of Δu: z⁺ = F z + g Δu with the last input as the fourth state; the stage cost is on z⁺ and u.
    f, g = np.zeros((4, 4)), np.append(b, 1.0)
    f[:3, :3], f[:, 3] = a, g
    q = h * np.diag([values.lateral_weight, angle_weight(values, speed), 0.0, input_weight(values, speed)])
    p = solve_discrete_are(f, g[:, None], f.T @ q @ f, g @ q @ g + change, s=(f.T @ q @ g)[:, None])
    ours = cost_to_go(values, np.array([speed]))[0]
    # Entries differ by four decades (m against 1/m), so each is held to its own scale √(P_ii P_jj). Without lag
    # the curvature is no state and its entries are 0.
    scale = np.sqrt(np.maximum(np.diag(p), 1.0))
    np.testing.assert_allclose(ours / np.outer(scale, scale), p / np.outer(scale, scale), atol=1e-7)


def test_table_gives_the_cost_at_its_own_speeds() -> None:
    """Looked up at the ends of the table, P is that of the equation, and outside it the end's."""
    values = runner_of(track_of(tracks.Straight(50.0), speed=8.0))._values
    table = runner_of(track_of(tracks.Straight(50.0), speed=8.0))._work.table
    upper = np.triu_indices(4)
    out = np.zeros(10)
    for speed, at in ((values.creep, values.creep), (12.0, 12.0), (100.0, 12.0)):
        look_up(table, values, speed, out)
        exact = cost_to_go(values, np.array([at]))[0][upper]
        np.testing.assert_allclose(out, exact, atol=1e-8 * np.abs(exact).max())


def test_heading_between_nodes_is_that_of_the_path() -> None:
    """The preview's heading agrees with the path's own, before its start, inside, and past its end."""
    path = bends().path.arrays
    for s in np.linspace(-5.0, path.length + 5.0, 97):
        assert heading_at(path, s) == pytest.approx(evaluate(path, s).heading, abs=1e-12)


def test_heading_grows_lap_after_lap() -> None:
    """On a closed path the heading of the preview does not jump at the seam."""
    radius = 20.0
    track = track_of(tracks.Arc(2.0 * np.pi * radius, 1.0 / radius), closed=True)
    for s in (-1.0, 3.0, 124.0, 127.0, 300.0):
        assert heading_at(track.path.arrays, s) == pytest.approx(s / radius, abs=1e-9)


def test_preview_takes_the_mean_curvature_of_each_step() -> None:
    """The turn over all steps is the path's turn, also where the curvature jumps, and stations are distances."""
    track = bends(speed=10.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 150.0, 10.0))
    work, path = runner._work, track.path.arrays
    assert work.stations[0] == 150.0
    np.testing.assert_allclose(np.diff(work.stations), work.means * work.spans, atol=1e-12)
    turn = heading_at(path, work.stations[-1]) - heading_at(path, 150.0)
    assert np.sum(work.bends * work.means * work.spans) == pytest.approx(turn, abs=1e-12)
    assert work.spans[0] == PERIOD
    assert np.all(work.spans[1:] == MPC().step)


def test_preview_approaches_the_plan_from_the_measured_speed() -> None:
    """A vehicle slower than planned is predicted to close the gap with a time constant of 1 s."""
    track = track_of(tracks.Straight(300.0), speed=10.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 50.0, 6.0))
    times = np.append(0.0, np.cumsum(runner._work.spans))
    np.testing.assert_allclose(runner._work.nodes, 10.0 - 4.0 * np.exp(-times), atol=1e-12)


def test_preview_never_stands_still() -> None:
    """At rest the law plans as if the vehicle crept, for at rest no input moves the model."""
    track = track_of(tracks.Straight(300.0), speed=2.0)
    runner = runner_of(track)
    runner.curvature(on_path(track, 50.0, 0.0))
    assert runner._work.nodes[0] == pytest.approx(0.2 * RESPONSE.wheelbase)
    assert np.isfinite(runner._plan).all()


def test_plain_source_and_compiled_agree() -> None:
    """The step gives the same in plain Python to rounding."""
    terms = lag_terms(0.2, 0.1)
    assert plain(lag_terms)(0.2, 0.1) == pytest.approx(terms, abs=1e-15)
    np.testing.assert_allclose(
        plain(step_model)(9.0, 0.03, 0.1, 0.2, terms), step_model(9.0, 0.03, 0.1, 0.2, terms), atol=1e-14
    )
