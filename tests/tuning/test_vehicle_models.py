"""What every vehicle model keeps to, whatever its equations."""

from __future__ import annotations

import numpy as np
import pytest
from vehicle_drives import EXAMPLE, LEVEL, STEP, drive, moves, steepening, straight, with_model

from tracks.one_source import plain, traced
from tuning.vehicle import MODELS, Inputs, State, Surroundings, derivative, rk4
from tuning.vehicle.steady import steady_turn

# Compiled code may reorder sums and fuse products: some ten roundings of 1.1e-16 on terms that cancel to a tenth.
ROUNDING = 1e-13

CAR = EXAMPLE.replace(**{"drive.speed_gain": 0.8})


@pytest.fixture(params=sorted(MODELS))
def car(request):
    """One car a model, with the same understeer gradient."""
    return with_model(CAR, request.param)


def random_states(count: int) -> list[State]:
    """States from 20 m/s backwards to 40 m/s, in and beyond the limits of the steering."""
    rng = np.random.default_rng(7)
    spread = np.array([50.0, 50.0, 3.0, 20.0, 1.0, 0.5, 0.7, 1.0, 1.0, 1.0, 0.1, 0.1, 0.5, 0.7, 1.0])
    states = spread * rng.uniform(-1.0, 1.0, (count, spread.size))
    states[:, 3] = np.abs(states[:, 3]) * 2.0
    states[: count // 4, 3] = rng.uniform(0.0, 4.0, count // 4)
    states[:2, 3] = (0.0, 1e-9)
    states[count // 8 : 3 * count // 8, 3] *= -0.5
    states[:, 8], states[:, 9] = np.abs(states[:, 8]), -np.abs(states[:, 9])
    return [State(*(float(value) for value in row)) for row in states]


def test_compiled_plain_and_traced_agree(car):
    """One source gives one answer, compiled by numba, as plain Python and through CasADi."""
    casadi = pytest.importorskip("casadi")
    model, p = car.model_code, car.plant
    symbols = casadi.SX.sym("state", len(State._fields))
    inputs = Inputs(0.2, 9.0, 0.5, 7.0, -0.5)
    slope = traced(derivative)(
        model, p, State(*(symbols[i] for i in range(len(State._fields)))), inputs, LEVEL
    )
    function = casadi.Function("slope", [symbols], [casadi.vertcat(*slope)])
    for state in random_states(200):
        compiled = np.array(derivative(model, p, state, inputs, LEVEL))
        scale = ROUNDING * (1.0 + np.abs(compiled) + np.abs(np.array(state)))
        # A rate guard multiplies the rounding of angle and rate by 200 1/s.
        scale[6:8] *= 200.0
        by_python = np.array(plain(derivative)(model, p, state, inputs, LEVEL))
        by_casadi = function(np.array(state)).full().ravel()
        assert np.all(np.abs(by_python - compiled) <= 10.0 * scale)
        assert np.all(np.abs(by_casadi - compiled) <= 10.0 * scale)


def test_step_compiled_and_plain_agree(car):
    """A whole Runge-Kutta step is the same compiled and plain."""
    for state in random_states(50):
        inputs = Inputs(0.1, 9.0, 1.0, 9.0, -0.2)
        compiled = rk4(car.model_code, car.plant, state, inputs, LEVEL, STEP)
        by_python = plain(rk4)(car.model_code, car.plant, state, inputs, LEVEL, STEP)
        np.testing.assert_allclose(by_python, compiled, rtol=1e-12, atol=1e-12)


def test_left_and_right_are_alike(car):
    """The mirror image of a state has the mirror image of its derivative, to the last bit."""
    flip = np.array([1, -1, -1, 1, -1, -1, -1, -1, 1, 1, -1, -1, 1, -1, 1])
    for state in random_states(100):
        mirrored = State(*(float(v) for v in flip * np.array(state)))
        here = derivative(car.model_code, car.plant, state, Inputs(0.3, 9.0, 0.5, 9.0, -0.1), LEVEL)
        there = derivative(car.model_code, car.plant, mirrored, Inputs(-0.3, 9.0, 0.5, 9.0, -0.1), LEVEL)
        np.testing.assert_allclose(flip * np.array(there), here, rtol=1e-14, atol=1e-14)


def test_steady_circle_shows_the_understeer_gradient_put_in(car):
    """Driven round until nothing changes, δ = L r/v + K v r holds with the K put in (brush tyres: as they steepen)."""
    # δ = 1e-4 rad: tan, atan and cos differ from their linear forms by δ², about 1e-8 of the whole; the term in K
    # is 3 to 40 % of it, hence 1e-6 of K.
    angle = 1e-4
    for speed in (5.0, 10.0, 20.0, 30.0):
        end = drive(car, straight(speed, angle), angle, 8.0, hold=True)
        rate = moves(car, end).yaw_rate
        gradient = (angle - car.body.wheelbase * rate / speed) / (speed * rate)
        expected = CAR.plant.understeer_gradient * steepening(car, speed * rate)
        assert gradient == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("speed", [0.9, -0.9])
def test_slow_circle_is_that_of_the_wheelbase(car, speed):
    """At walking pace, ahead and in reverse, the rear-axle middle runs on a circle of L/tan δ, exactly."""
    vehicle = car.replace(**{"tyres.understeer_gradient": 0.0, "body.model": "kinematic"})
    if car.model_name != "kinematic":
        # Equal axle moments make the single-track neutral, so that its kinematic form has no K either.
        vehicle = car.replace(**{"body.front_axle_distance": 1.34})
    angle = 0.3
    radius = vehicle.body.wheelbase / np.tan(angle)
    state = straight(speed, angle)
    for _ in range(20):
        state = drive(vehicle, state, angle, 0.5)
        # RK4 on a circle of 2 mrad a step errs by 1e-14 a step.
        assert np.hypot(state.x, state.y - radius) == pytest.approx(radius, rel=1e-10)
    assert state.heading == pytest.approx(speed * 10.0 / radius, rel=1e-10)


@pytest.mark.parametrize("curvature", [0.02, -0.1])
@pytest.mark.parametrize("speed", [0.5, 1.2, 2.0, 3.0, 8.0, -0.5, -2.0, -8.0])
def test_steady_turn_stays_and_moves_along_its_path(car, speed, curvature):
    """The state that a run starts from drives the curvature, its rear axle along the path, and does not change."""
    curvature /= max(abs(speed) / 2.0, 1.0)
    state = steady_turn(car.model_code, car.plant, speed, curvature)
    moving = moves(car, state)
    rate, slide = moving.yaw_rate, moving.rear_velocity
    # To rounding of terms of some 100 m/s², which cancel.
    np.testing.assert_allclose(moving[2:7], 0.0, atol=1e-12)
    assert rate == pytest.approx(speed * curvature, rel=1e-12)
    assert state.heading + np.arctan(slide / speed) == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize("grade", [0.03, -0.03])
def test_steady_turn_is_still_in_every_state(car, grade):
    """Steering, drive, brake, tyres and speed loop rest too, where the loop has an integral part to hold the speed."""
    vehicle = car.replace(
        **{
            "drive.speed_integral": 0.5,
            "drive.drive_gain": 0.9,
            "drive.brake_gain": 1.2,
            "drive.hand_over": 0.1,
        }
        | {"body.drag_area": 0.8, "steering.backlash": 0.01, "steering.compliance": 1e-6}
    )
    around = Surroundings(grade=grade)
    for speed, curvature in ((0.8, 0.1), (2.0, 0.1), (12.0, -0.02), (-2.0, 0.1), (-8.0, 0.02)):
        state = steady_turn(vehicle.model_code, vehicle.plant, speed, curvature, around)
        inputs = Inputs(state.steering_angle, speed, 0.0, speed, 0.0)
        slope = derivative(vehicle.model_code, vehicle.plant, state, inputs, around)
        # To rounding of terms of some 100 m/s², and of a lag of 0.05 s.
        np.testing.assert_allclose(slope[3:13], 0.0, atol=1e-10)


def test_standstill_is_finite_and_still(car):
    """A vehicle at rest neither moves nor turns, whatever its steering does, and no value is lost."""
    state = drive(car, straight(0.0), 0.5, 2.0)
    assert np.all(np.isfinite(state))
    assert (state.x, state.y, state.heading, state.speed) == (0.0, 0.0, 0.0, 0.0)
    assert state.steering_angle == pytest.approx(0.5, abs=1e-6)
    # Yaw states left over from before the stop die out without turning the vehicle.
    state = drive(car, straight(0.0)._replace(yaw_rate=1.0, lateral_velocity=1.0), 0.0, 2.0)
    assert (state.x, state.y, state.heading) == (0.0, 0.0, 0.0)
    assert abs(state.yaw_rate) < 1e-12


def test_no_jump_in_speed(car):
    """No threshold in speed makes the derivative jump."""
    state = straight(1.0, 0.2)._replace(lateral_velocity=0.3, yaw_rate=0.4)
    speeds = np.linspace(-5.0, 5.0, 40001)
    slopes = np.array([moves(car, state._replace(speed=v))[:5] for v in speeds.tolist()])
    # The steepest stretch has a slope of some 60 (m/s²)/(m/s); a jump would exceed 0.25 mm/s times that.
    assert np.max(np.abs(np.diff(slopes, axis=0))) < 0.1


def test_order_of_convergence_is_four(car):
    """Halving the step divides the error by sixteen where the motion is smooth."""
    vehicle = car.replace(**{"steering.rate_limit": 50.0, "steering.angle_limit": 1.2})
    # In a left turn throughout: a brush tyre's force has a jump in its second derivative where the slip is 0.
    start = straight(15.0, 0.015)._replace(yaw_rate=0.1, slip_front=-0.008, slip_rear=-0.008)

    # Asked for one speed throughout: an input that changed with the step would be of first order.
    inputs = Inputs(0.03, 15.0, 0.0, 15.0, 0.0)

    def end(step: float) -> np.ndarray:
        state = start
        for _ in range(round(1.28 / step)):
            state = rk4(vehicle.model_code, vehicle.plant, state, inputs, LEVEL, step)
        return np.array(state)

    exact = end(0.000625)
    coarse, fine = end(0.01) - exact, end(0.005) - exact
    slips = (10, 11) if car.model_name == "single-track-brush" else ()
    for i in (0, 1, 2, 4, 5, 6, *slips):
        assert np.log2(abs(coarse[i] / fine[i])) == pytest.approx(4.0, abs=0.5)


@pytest.mark.parametrize("relaxation", [0.3, 1e-3])
@pytest.mark.parametrize("compliance", [0.0, 1e-5, 1e-4])
def test_stiffest_values_allowed_stay_stable(car, relaxation, compliance):
    """The fastest steering and the stiffest body that a vehicle file may hold do not break the step of 5 ms."""
    vehicle = car.replace(
        **{
            "steering.natural_frequency": 100.0,
            "steering.damping": 2.0,
            "tyres.cornering_stiffness_front": 780e3,
            "tyres.cornering_stiffness_rear": 780e3,
            "body.yaw_inertia": 3000.0,
            "tyres.relaxation_length": relaxation,
            "steering.compliance": compliance,
            "drive.lag": 0.01,
            "drive.brake_lag": 0.01,
        }
    )
    for speed in (0.5, 1.5, 2.0, 3.0, 10.0):
        end = drive(vehicle, straight(speed), 0.05, 3.0, hold=True)
        later = drive(vehicle, end, 0.05, 0.5, hold=True)
        # The softest steering makes a body of its own slow: 1e-5 is left after three seconds.
        assert later.yaw_rate == pytest.approx(end.yaw_rate, rel=1e-4 if compliance else 1e-6)
        assert later.steering_angle == pytest.approx(0.05, rel=1e-9)
