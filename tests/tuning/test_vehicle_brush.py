"""Brush tyres and the body on them, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from vehicle_drives import EXAMPLE, GRAVITY, LEVEL, STEP, coasting, drive, moves, straight, with_model

from tracks.one_source import plain, traced
from tuning.vehicle import Inputs, Surroundings, rk4
from tuning.vehicle.brush import brush_force, relaxation, side_capacity
from tuning.vehicle.single_track_brush import axle_loads, brush_forces

CAR = with_model(EXAMPLE, "single-track-brush").replace(**{"body.centre_height": 0.55})
WEIGHT = 1573.0 * GRAVITY
FRONT_SHARE = 1.58 / 2.68  # of the weight on the front axle, by the lever


def test_brush_force_is_fialas_law():
    """F = μ F_z (1 − (1 − z)³) up to z = 1 and μ F_z beyond, z = C |s|/(3 μ F_z) (E. Fiala 1954, from memory)."""
    stiffness, grip = 80e3, 4000.0
    for slip in np.linspace(-0.4, 0.4, 81).tolist():
        z = min(stiffness * abs(slip) / (3.0 * grip), 1.0)
        expected = -np.sign(slip) * grip * (1.0 - (1.0 - z) ** 3)
        assert brush_force(stiffness, grip, slip) == pytest.approx(expected, rel=1e-12, abs=1e-9)
        assert plain(brush_force)(stiffness, grip, slip) == pytest.approx(expected, rel=1e-12, abs=1e-9)


def test_brush_force_starts_as_the_linear_axle_and_never_falls():
    """The slope at 0 is −C, the law differs from −C s by z of it, and more slip gives no less force."""
    stiffness, grip = 80e3, 4000.0
    for slip in (1e-8, -1e-8, 1e-4, -1e-4):
        z = stiffness * abs(slip) / (3.0 * grip)
        assert brush_force(stiffness, grip, slip) == pytest.approx(
            -stiffness * slip * (1 - z), rel=z * z + 1e-12
        )
    forces = [brush_force(stiffness, grip, s) for s in np.linspace(0.0, 3.0, 1001).tolist()]
    assert np.all(np.diff(forces) <= 0.0)
    assert forces[-1] == pytest.approx(-grip, rel=1e-12)


@pytest.mark.parametrize(("stiffness", "grip"), [(80e3, 0.0), (0.0, 0.0), (0.0, 4000.0)])
def test_brush_force_without_grip_or_load_is_zero(stiffness, grip):
    """No road friction and no load give no force and no division by zero."""
    for slip in (0.0, 0.1, -3.0):
        assert brush_force(stiffness, grip, slip) == 0.0
        assert plain(brush_force)(stiffness, grip, slip) == 0.0


def test_slopes_are_finite_where_roots_and_quotients_end():
    """CasADi finds finite slopes at the limit of the grip, without grip, at no slip and at standstill."""
    casadi = pytest.importorskip("casadi")
    x = casadi.SX.sym("x", 3)
    laws = (traced(side_capacity)(x[0], x[1]), traced(brush_force)(80e3, x[0], x[2]))
    relaxed = traced(relaxation)(0.3, x[0], x[1], x[2], 1.0)
    slopes = casadi.Function("slopes", [x], [casadi.jacobian(casadi.vertcat(*laws, relaxed), x)])
    for point in ([4000.0, 4000.0, 0.0], [0.0, 0.0, 0.0], [4000.0, -5000.0, 0.15], [0.0, 3.0, 1.0]):
        assert np.all(np.isfinite(slopes(point).full()))
    assert slopes([4000.0, 0.0, 0.0]).full()[1, 2] == -80e3


def test_side_and_longitudinal_force_share_the_grip():
    """F_x² + F_y² = (μ F_z)² on a sliding axle: with 0.6 of the grip for the brake, 0.8 are left for the side."""
    for used, left in ((0.0, 1.0), (0.6, 0.8), (-0.6, 0.8), (-0.8, 0.6)):
        assert side_capacity(4000.0, 4000.0 * used) == pytest.approx(4000.0 * left, rel=1e-12)
    # All of it used: a hundredth stays, 0.005 % above the circle.
    assert side_capacity(4000.0, 4000.0) == pytest.approx(40.0, rel=1e-12)
    brake = -0.6 * GRAVITY
    car = CAR.replace(**{"body.centre_height": 0.0, "drive.brake_front_share": FRONT_SHARE})
    along_front, along_rear, side_front, side_rear = brush_forces(car.plant, LEVEL, 0.0, brake, 0.5, -0.5)
    assert np.hypot(along_front, side_front) == pytest.approx(WEIGHT * FRONT_SHARE, rel=1e-9)
    assert np.hypot(along_rear, side_rear) == pytest.approx(WEIGHT * (1.0 - FRONT_SHARE), rel=1e-9)
    assert side_front < 0.0 < side_rear


def test_load_moves_to_the_front_under_braking():
    """The moment about the contact points: m a h/L, with the load of both axles the weight; none below zero."""
    p = CAR.plant
    for a in (0.0, -4.0, 3.0):
        front, rear = axle_loads(p, LEVEL, a)
        assert front == pytest.approx(WEIGHT * FRONT_SHARE - 1573.0 * a * 0.55 / 2.68, rel=1e-12)
        assert front + rear == pytest.approx(WEIGHT, rel=1e-12)
    # What is asked beyond the grip moves no load, and on a bank the weight on the road is less.
    assert axle_loads(p, LEVEL, -30.0)[0] == pytest.approx(axle_loads(p, LEVEL, -GRAVITY)[0], rel=1e-12)
    assert sum(axle_loads(p, Surroundings(bank=0.2, grade=0.1), 1.0)) == pytest.approx(
        WEIGHT * np.cos(0.2) * np.cos(0.1), rel=1e-12
    )
    tall = CAR.replace(**{"body.centre_height": 3.0}).plant
    assert axle_loads(tall, LEVEL, -30.0)[1] == 0.0
    assert np.all(np.isfinite(brush_forces(tall, LEVEL, 0.0, -30.0, 0.1, 0.1)))


@pytest.mark.parametrize("friction", [1.0, 0.3])
def test_emergency_stop_takes_the_whole_grip(friction):
    """Braked harder than the road bears, both axles give μ F_z: the stopping distance is v²/(2 μ g)."""
    car = CAR.replace(**{"drive.deceleration_limit": 40.0, "drive.brake_front_share": 0.6})
    state = straight(20.0)._replace(brake_acceleration=-40.0)
    around = Surroundings(friction=friction)
    for _ in range(4000):
        state = rk4(car.model_code, car.plant, state, Inputs(0.0, 0.0, -40.0, 0.0, -40.0), around, STEP)
        if state.speed < 1e-3:
            break
    # Below 0.1 m/s the brake fades out: some centimetres of creeping at most.
    assert state.x == pytest.approx(20.0**2 / (2.0 * friction * GRAVITY), abs=0.03)
    assert (state.y, state.heading) == (0.0, 0.0)


def test_one_axle_braked_alone_gives_only_its_own_grip():
    """With the brake on the rear axle alone the deceleration is μ times its load, less what moves to the front.

    Solving a = μ (g a_f/L − a h/L) is not what the model does: it moves the load of what is asked for, bounded by
    the whole grip, so the rear axle here carries the load at μ g.
    """
    car = CAR.replace(**{"drive.brake_front_share": 0.0})
    state = straight(20.0)._replace(brake_acceleration=-30.0)
    load = WEIGHT * (1.0 - FRONT_SHARE) - 1573.0 * GRAVITY * 0.55 / 2.68
    assert moves(car, state).speed_dot == pytest.approx(-load / 1573.0, rel=1e-12)


@pytest.mark.parametrize(("friction", "speed"), [(1.0, 25.0), (0.3, 20.0)])
def test_largest_lateral_acceleration_is_the_grip(friction, speed):
    """Steered ever more at a held speed, the car reaches μ g but for the cosine of its front slip, and no more."""
    car = CAR.replace(**{"steering.rate_limit": 0.05, "steering.angle_limit": 0.3})
    around = Surroundings(friction=friction)
    state, largest = straight(speed), 0.0
    for _ in range(1600):
        state = rk4(car.model_code, car.plant, state, coasting(state, 0.3), around, STEP)._replace(
            speed=speed
        )
        moving = moves(car, state, around)
        largest = max(largest, moving.lateral_dot + speed * moving.yaw_rate)
    assert 0.97 * friction * GRAVITY < largest < friction * GRAVITY * (1.0 + 1e-9)


def test_side_force_builds_up_over_the_relaxation_length():
    """From a step of slip the tyre has 1 − 1/e of it after one relaxation length, at any speed (string model)."""
    length, across = 0.4, 0.02
    for speed in (5.0, 20.0, -20.0):
        slip, step = 0.0, 1e-4
        for _ in range(round(length / abs(speed) / step)):
            k1 = relaxation(length, speed, across * abs(speed), slip, 1.0)
            k2 = relaxation(length, speed, across * abs(speed), slip + 0.5 * step * k1, 1.0)
            slip += step * k2
        assert slip == pytest.approx(across * (1.0 - np.exp(-1.0)), rel=1e-4)


def test_relaxation_is_never_faster_than_the_step_bears():
    """The slip follows at 200 1/s at most, whatever length, speed and slide."""
    for along, across in ((60.0, 0.0), (-60.0, 10.0), (1.0, 60.0), (0.0, 100.0), (0.05, 0.0)):
        rate = relaxation(1e-3, along, across, 0.0, 1.0) - relaxation(1e-3, along, across, 1.0, 1.0)
        assert 0.0 <= rate <= 200.0 * (1.0 + 1e-12)


def test_compliance_of_the_steering_turns_the_wheels_back():
    """In a slow left turn the wheels stand c F_f less to the left than the actuator, and K grows.

    Compliance c makes the front axle C/(1 + C c) soft: derived by hand from δ = δ_a − c F. The linear single-track
    body has that softened stiffness and reports the same angle.
    """
    for model in ("single-track", "single-track-brush"):
        car = with_model(EXAMPLE, model).replace(**{"steering.compliance": 2e-6})
        speed, angle = 10.0, 1e-4
        state = drive(car, straight(speed, angle), angle, 8.0, hold=True)
        moving = moves(car, state)
        force = 1573.0 * FRONT_SHARE * speed * moving.yaw_rate
        assert angle - moving.road_wheel_angle == pytest.approx(2e-6 * force, rel=1e-6)
        soft = 160e3 / (1.0 + 160e3 * 2e-6)
        gradient = 1573.0 / 2.68 * (1.58 / soft - 1.1 / 160e3)
        found = (angle - 2.68 * moving.yaw_rate / speed) / (speed * moving.yaw_rate)
        assert found == pytest.approx(gradient, rel=1e-3)
