"""The equations of motion that laws and vehicles share: the steady turn in closed form, and the constants of a body."""

from __future__ import annotations

import math

import numpy as np
import pytest
from nonlinear_mpc_cases import CAR, WITH_TYRES, WITHOUT

import tracker
from tracker.motion.body import body_of
from tracker.motion.steady import steady_lateral
from tracks.one_source import plain, traced
from tuning.vehicle.steady import steady_turn

BODY = body_of(WITH_TYRES)


@pytest.mark.parametrize("speed", [0.5, 3.0, 8.0, 20.0, 35.0])
@pytest.mark.parametrize("acceleration", [-4.0, 0.5, 6.0])
def test_steady_turn_is_that_of_the_vehicle(speed: float, acceleration: float) -> None:
    """Angle, slip and velocities are those that Newton's method finds for the bench's vehicle, outside the hand-over."""
    curvature = float(np.clip(acceleration / speed**2, -0.12, 0.12))
    ours = steady_lateral(BODY, speed, curvature)
    theirs = steady_turn(CAR.model_code, CAR.plant, speed, curvature)
    # Three refinements of the angle's cosine: each leaves the square of the angle, 0.3 rad, times the slip.
    assert ours.angle == pytest.approx(theirs.steering_angle, abs=2e-6)
    assert ours.slip == pytest.approx(theirs.heading, abs=1e-12)
    assert ours.yaw_rate == pytest.approx(theirs.yaw_rate, abs=1e-12)
    assert ours.lateral_velocity == pytest.approx(theirs.lateral_velocity, abs=1e-9)


@pytest.mark.parametrize("speed", [1.4, 2.0, 2.7])
def test_steady_turn_within_the_hand_over_is_close(speed: float) -> None:
    """Between the forms the mixture of both angles is within 0.3 % of the vehicle's own, which no closed form gives."""
    ours = steady_lateral(BODY, speed, 0.1)
    theirs = steady_turn(CAR.model_code, CAR.plant, speed, 0.1)
    assert ours.angle == pytest.approx(theirs.steering_angle, rel=3e-3)


def test_understeer_of_the_published_car() -> None:
    """δ − L κ = K a_y with K = 0.00176082 rad/(m/s²), from m l_r/(C_f L) − m l_f/(C_r L) by Rajamani (ch. 3)."""
    speed, curvature = 20.0, 1e-5
    angle = steady_lateral(BODY, speed, curvature).angle
    assert angle - 2.68 * curvature == pytest.approx(0.00176082 * speed**2 * curvature, rel=1e-5)


def test_without_tyres_the_turn_is_kinematic() -> None:
    """No slip, and tan δ = κ (L + K v²)."""
    body = body_of(WITHOUT.model_copy(update={"understeer_gradient": 0.003}))
    turn = steady_lateral(body, 10.0, 0.02)
    assert turn.slip == 0.0
    assert math.tan(turn.angle) == pytest.approx(0.02 * (2.8 + 0.3), rel=1e-12)


def test_compiled_plain_and_traced_agree() -> None:
    """One source, three ways."""
    import casadi

    v, k = casadi.SX.sym("v"), casadi.SX.sym("k")
    symbolic = casadi.Function("f", [v, k], list(traced(steady_lateral)(BODY, v, k)))
    for speed in (0.5, 2.2, 15.0):
        ours = steady_lateral(BODY, speed, 0.03)
        np.testing.assert_allclose(ours, plain(steady_lateral)(BODY, speed, 0.03), rtol=1e-12)
        np.testing.assert_allclose(ours, [float(a) for a in symbolic(speed, 0.03)], rtol=1e-12)


def test_a_body_knows_its_tyres_or_not() -> None:
    """All of mass, axle distance and both stiffnesses make tyres; the yaw inertia may be missing and is then m a b."""
    assert body_of(WITHOUT).stiffness_front == body_of(WITHOUT).mass == 0.0
    assert body_of(WITHOUT).rear_axle_distance == 1.4
    assert BODY.yaw_inertia == 2873.0
    assert body_of(WITH_TYRES.model_copy(update={"yaw_inertia": None})).yaw_inertia == pytest.approx(
        1573.0 * 1.1 * 1.58
    )
    partly = WITH_TYRES.model_copy(update={"cornering_stiffness_rear": None})
    assert body_of(partly).stiffness_front == body_of(partly).stiffness_rear == 0.0
    assert isinstance(partly, tracker.Response)
