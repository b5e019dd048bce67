"""The error states that the preview law is designed on, against a textbook's car and general libraries.

Labels A5 to A10 in the names and comments are one car throughout: m 1573 kg, I 2873 kg m², a 1.1 m, b 1.58 m and
160 000 N/rad an axle (R. Rajamani, Vehicle Dynamics and Control, ch. 2 and 3, by secondary sources). Its numbers were derived
from the cited formulas with python-control and numpy, apart from this code; the poles of A8 are from memory.
"""

from __future__ import annotations

import control
import numpy as np
import pytest
from preview_lqr_cases import CAR
from scipy.integrate import solve_ivp

from tracker.laws.preview_lqr_model import (
    ASKED,
    HEADING,
    INTEGRAL,
    LATERAL,
    SIDEWAYS,
    STEERED,
    YAW_RATE,
    at_rear_axle,
    error_plant,
    error_state_model,
    understeer_of,
)
from tracker.response import Response

FAST = 30.0  # m/s


def model_at(speed: float):
    """Give A, B₁, B₂ of the textbook's model at one speed."""
    return tuple(part[0] for part in error_state_model(CAR, [speed]))


def test_understeer_gradient():
    """A6: K = 0.00176082 rad/(m/s²) (derived from Rajamani's formula)."""
    assert understeer_of(CAR) == pytest.approx(0.00176082, rel=1e-5)


@pytest.mark.parametrize(
    ("speed", "pole"),
    [(10.0, -20.4923 + 3.6957j), (20.0, -10.2461 + 4.8439j), (30.0, -6.8308 + 5.0278j), (40.0, -5.1231 + 5.0906j)],
)  # fmt: skip
def test_poles(speed, pole):
    """A7: the lateral-yaw poles (derived), beside two at 0, at the centre of gravity and at the rear axle."""
    for matrix in (model_at(speed)[0], at_rear_axle(CAR, [speed])[0][0]):
        poles = sorted(np.linalg.eigvals(matrix), key=abs)
        assert np.abs(poles[:2]).max() < 1e-5
        assert sorted(poles[2:], key=lambda p: p.imag)[1] == pytest.approx(pole, abs=1e-4)


def test_pole_placement():
    """A8: −5±3j, −7, −10 at 30 m/s need K = [0.156771, 0.033859, 1.261985, 0.161515] (derived; poles from memory)."""
    a, b, _ = model_at(FAST)
    gains = np.asarray(control.place(a, b[:, None], [-5 + 3j, -5 - 3j, -7, -10]))[0]
    assert gains == pytest.approx([0.156771, 0.033859, 1.261985, 0.161515], abs=2e-6)


def test_quadratic_regulators():
    """A9: Q = diag(1, 0, 1, 0), R = 1 at 30 m/s, continuous and with zero-order holds (derived)."""
    a, b, _ = model_at(FAST)
    q, r = np.diag([1.0, 0.0, 1.0, 0.0]), np.eye(1)
    continuous = np.asarray(control.lqr(a, b[:, None], q, r)[0])[0]
    assert continuous == pytest.approx([1.0, 0.095952, 2.105251, 0.111170], abs=2e-6)
    held = {0.02: [0.8474, 0.0852, 1.9330, 0.1078], 0.05: [0.6620, 0.0713, 1.7108, 0.1029]}
    for period, published in held.items():
        plant = control.c2d(control.ss(a, b[:, None], np.eye(4), np.zeros((4, 1))), period)
        assert np.asarray(control.dlqr(plant.A, plant.B, q, r)[0])[0] == pytest.approx(published, abs=6e-5)


def test_steady_curve():
    """A10: R = 1000 m at 30 m/s with the gains of A8: e₂ = 0.0020517 rad, e₁ = 0 with feed-forward, −0.0437 m without.

    The feed-forward is δ = L/R + K V²/R + k₃ e₂ (Rajamani ch. 3; numbers derived).
    """
    a, b, path = model_at(FAST)
    gains = np.array([0.156771, 0.033859, 1.261985, 0.161515])
    radius, length, k = 1000.0, CAR.wheelbase, understeer_of(CAR)

    def steady(feed_forward: float) -> np.ndarray:
        return -np.linalg.solve(a - np.outer(b, gains), b * feed_forward + path * FAST / radius)

    # Deviation of the rear axle's heading from the path: into the curve by the slip, less what lies behind it.
    slip = CAR.mass * 1.1 * FAST**2 / (length * 160e3) / radius
    assert slip - 1.58 / radius == pytest.approx(0.0020517, rel=2e-5)
    with_it = steady(length / radius + k * FAST**2 / radius + gains[2] * 0.0020517)
    assert with_it[2] == pytest.approx(0.0020517, rel=2e-5)
    assert abs(with_it[0]) < 1e-5
    assert steady(0.0)[0] == pytest.approx(-0.0437, abs=5e-5)


def test_rear_axle_sees_the_path_in_its_heading_alone():
    """Carried from the centre of gravity to the rear axle, E is (0, −V, 0, 0): B₂ of the textbook holds all else."""
    for speed in (2.0, 11.0, 30.0):
        matrix, steering, path = (part[0] for part in at_rear_axle(CAR, [speed]))
        assert path == pytest.approx([0.0, -speed, 0.0, 0.0], abs=1e-9 * speed)
        assert matrix[0] == pytest.approx([0.0, speed, 1.0, 0.0], abs=1e-9)
        assert matrix[1] == pytest.approx([0.0, 0.0, 0.0, 1.0], abs=1e-12)
        assert steering[:2] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_rear_axle_moves_as_newton_and_euler_say():
    """The rows of v_r and r are the single-track body written out from m (v̇ + V r) = ΣF, I ṙ = ΣM (Rajamani ch. 2)."""
    speed, a, b = 17.0, 1.1, 1.58
    matrix, steering, _ = (part[0] for part in at_rear_axle(CAR, [speed]))
    generator = np.random.default_rng(3)
    for _ in range(5):
        e, psi, v_r, r, angle = generator.normal(size=5) * (1.0, 0.1, 0.3, 0.2, 0.05)
        front = 160e3 * (angle - (v_r + (a + b) * r) / speed)
        rear = -160e3 * v_r / speed
        turn = (a * front - b * rear) / 2873.0
        sideways = (front + rear) / 1573.0 - speed * r - b * turn
        assert (matrix @ (e, psi, v_r, r) + steering * angle)[2:] == pytest.approx([sideways, turn], rel=1e-9)


@pytest.mark.parametrize("response", [CAR, Response(wheelbase=2.8, lag=0.2).values], ids=["tyres", "rolling"])
@pytest.mark.parametrize("period", [0.005, 0.05])
def test_step_is_exact(response, period):
    """One step equals the differential equation, integrated by scipy, with steering lag and a curved path."""
    speed, asked, change, bend = 14.0, 0.004, 0.006, 0.01
    plant = error_plant(response, [speed], period)
    known = SIDEWAYS in plant.places
    start = np.array([0.3, 0.02, *([-0.1, 0.15] if known else []), 0.002, asked])
    length = response.wheelbase + (understeer_of(response) * speed**2 if known else 0.0)

    def flow(_, x):
        steered = x[-1]
        rate = (asked + change - steered) / response.lag
        if not known:
            return [speed * x[1], speed * (steered - bend), rate]
        matrix, steering, path = (part[0] for part in at_rear_axle(response, [speed]))
        return [*(matrix @ x[:-1] + steering * length * steered + path * bend), rate]

    exact = solve_ivp(flow, (0.0, period), start[:-1], rtol=1e-11, atol=1e-13, method="DOP853").y[:, -1]
    ours = plant.a[0] @ start + plant.b[0] * change + plant.e[0] * bend
    assert ours[:-1] == pytest.approx(exact, rel=1e-8, abs=1e-11)
    assert ours[-1] == pytest.approx(asked + change, rel=1e-14)


@pytest.mark.parametrize("response", [CAR, Response(wheelbase=2.8, lag=0.2).values], ids=["tyres", "rolling"])
def test_steady_turn_is_steady(response):
    """On a constant curvature the state of the steady turn stays, with no lateral error and no change of the command."""
    speeds = np.geomspace(0.5, 40.0, 9)
    plant = error_plant(response, speeds, 0.02, integral=True)
    steady = plant.steady
    left = (plant.a @ steady[:, :, None])[:, :, 0] + plant.e - steady
    assert np.abs(left).max() < 1e-9 * np.abs(steady).max()
    assert np.abs(steady[:, LATERAL]).max() == 0.0
    # The rear axle moves along the path.
    assert np.abs(np.sum(plant.motion * steady, axis=1)).max() < 1e-12


def test_places_name_the_states():
    """Where tyres are known all states are there, in order; else the body has none of its own."""
    assert error_plant(CAR, [5.0], 0.02, True).places == [
        LATERAL,
        HEADING,
        SIDEWAYS,
        YAW_RATE,
        STEERED,
        ASKED,
        INTEGRAL,
    ]
    rolling = error_plant(Response().values, [5.0], 0.02)
    assert rolling.places == [LATERAL, HEADING, STEERED, ASKED]
    # Without lag the steering follows within the period.
    assert rolling.a[0, 2] == pytest.approx([0.0, 0.0, 0.0, 1.0], abs=1e-8)
