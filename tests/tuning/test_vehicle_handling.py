"""Handling of every vehicle model, driven in simulation as a test engineer would, against hand-derived values."""

from __future__ import annotations

import numpy as np
import pytest
from vehicle_drives import EXAMPLE, GRAVITY, STEP, coasting, drive, moves, steepening, straight, with_model

from tuning.vehicle import MODELS, Surroundings, rk4
from tuning.vehicle.steady import steady_turn

AIR = 1.225  # kg/m³, ISO 2533 standard atmosphere at sea level


@pytest.fixture(params=sorted(MODELS))
def car(request):
    """The example car under one model."""
    return with_model(EXAMPLE, request.param)


def steered_to_radius(vehicle, speed: float, radius: float) -> tuple[float, float]:
    """Drive at a held speed, steering until the rear axle runs on a radius: give steering angle and a_y."""
    state, target = straight(speed), vehicle.body.wheelbase / radius
    for _ in range(round(8.0 / STEP)):
        state = rk4(vehicle.model_code, vehicle.plant, state, coasting(state, target), Surroundings(), STEP)
        state = state._replace(speed=speed)
        target += (
            STEP * 2.0 * vehicle.body.wheelbase * (1.0 / radius - moves(vehicle, state).yaw_rate / speed)
        )
    moving = moves(vehicle, state)
    assert moving.yaw_rate / speed == pytest.approx(1.0 / radius, rel=1e-4)
    return state.steering_angle, speed * moving.yaw_rate + moving.lateral_dot


@pytest.mark.parametrize("compliance", [0.0, 2e-6])
def test_constant_radius_test_gives_back_the_understeer_gradient(car, compliance):
    """ISO 4138 (from memory): radius 100 m, speed raised in steps; K is the slope of steering angle over a_y.

    On a constant radius the Ackermann angle L/R is constant, so its slope is 0. With brush tyres the part of the tyres
    in K grows with a_y by their own law, see `steepening`, and that of the compliance does not: the slope is over what
    K a_y then is. Within 1 %, the error of tangents for angles and of settling.
    """
    vehicle = car.replace(**{"steering.compliance": compliance})
    if car.model_name == "kinematic":
        vehicle = vehicle.replace(**{"tyres.understeer_gradient": 0.003})
    found = [steered_to_radius(vehicle, speed, 100.0) for speed in (3.5, 5.0, 7.0, 9.0, 11.0)]
    angles, accelerations = np.array(found).T
    gradient, by_compliance = vehicle.plant.understeer_gradient, compliance * 1573.0 * 1.58 / 2.68
    steeper = np.array([steepening(vehicle, a) for a in accelerations.tolist()])
    stretched = accelerations * ((1.0 - by_compliance / gradient) * steeper + by_compliance / gradient)
    assert np.polyfit(stretched, angles, 1)[0] == pytest.approx(gradient, rel=0.01)
    # 0.00176082 rad/(m/s²) is the example car's, worked out by hand outside this project.
    expected = 0.003 if car.model_name == "kinematic" else 0.00176082 + by_compliance
    assert gradient == pytest.approx(expected, rel=1e-5)


def test_steering_ahead_and_in_reverse(car):
    """In reverse the sign of K turns round: δ = L κ − K v² κ for small angles, derived by hand from the axle forces."""
    speed, curvature = 6.0, 1e-4
    k = car.plant.understeer_gradient
    for sign in (1.0, -1.0):
        turn = steady_turn(car.model_code, car.plant, sign * speed, curvature)
        expected = curvature * (2.68 + sign * k * steepening(car, speed**2 * curvature) * speed**2)
        assert turn.steering_angle == pytest.approx(expected, rel=1e-6)
        end = drive(car, turn, turn.steering_angle, 4.0, hold=True)
        assert moves(car, end).yaw_rate == pytest.approx(sign * speed * curvature, rel=1e-6)


@pytest.mark.parametrize("bank", [0.04, -0.04])
def test_bank_needs_steering_uphill_and_a_drift(car, bank):
    """Straight across a bank θ, δ = K g sin θ, and the vehicle points uphill by its rear slip m a g sin θ/(L C_r).

    By hand from the balance of side forces. Brush tyres bear on the road with m g cos θ, their stiffness with it.
    """
    speed, around = 20.0, Surroundings(bank=bank)
    vehicle, pull = car, GRAVITY * np.sin(bank)
    turn = steady_turn(vehicle.model_code, vehicle.plant, speed, 0.0, around)
    more = 1.0
    if car.model_name == "single-track-brush":
        more = steepening(car, pull, GRAVITY * np.cos(bank)) / np.cos(bank)
    assert turn.steering_angle == pytest.approx(car.plant.understeer_gradient * pull * more, rel=1e-4)
    drift = 0.0
    if car.model_name != "kinematic":
        drift = 1573.0 * 1.1 * pull / (2.68 * 160e3) * more
    assert np.tan(turn.heading) == pytest.approx(drift, rel=1e-4, abs=1e-15)
    # Left to itself at that angle the vehicle goes on straight along the x axis.
    end = drive(vehicle, turn, turn.steering_angle, 5.0, around=around, hold=True)
    assert end.y == pytest.approx(0.0, abs=1e-6)
    assert end.x == pytest.approx(100.0, rel=1e-3)


def test_side_wind_needs_steering_against_it(car):
    """Straight in a side wind from the right the wheels turn right, by the axle forces of m p and I q, by hand.

    F = ½ ρ A V w, at x_p ahead of the centre of gravity: F_f = −F (b + x_p)/L, F_r = −F (a − x_p)/L, and
    δ = F_f/C_f − F_r/C_r. The kinematic body knows the side force but not its lever.
    """
    wind, speed, lever = 12.0, 25.0, 0.4
    vehicle = car.replace(**{"body.side_area": 3.0, "body.pressure_centre": lever})
    turn = steady_turn(vehicle.model_code, vehicle.plant, speed, 0.0, Surroundings(side_wind=wind))
    across = wind - turn.lateral_velocity
    force = 0.5 * AIR * 3.0 * np.hypot(speed, across) * across
    front, rear = -force * (1.58 + lever) / 2.68, -force * (1.1 - lever) / 2.68
    expected = front / 160e3 - rear / 160e3
    if car.model_name == "kinematic":
        expected = -car.plant.understeer_gradient * force / 1573.0
    # Brush tyres at a tenth of their grip are some 3 % softer.
    rel = 0.05 if car.model_name == "single-track-brush" else 1e-3
    assert turn.steering_angle == pytest.approx(expected, rel=rel)
    assert turn.steering_angle < 0.0
    if car.model_name == "single-track":
        assert turn.lateral_velocity == pytest.approx(-speed * rear / 160e3, rel=1e-6)


def test_coasting_downhill_follows_the_closed_form(car):
    """On a grade with air drag v = v_t tanh(g sin θ t/v_t + c) goes to v_t = √(2 m g sin θ/(ρ C A)): by separation."""
    slope = 0.06
    vehicle = car.replace(**{"body.drag_area": 0.8, "body.centre_height": 0.55})
    around = Surroundings(grade=-slope)
    pull = GRAVITY * np.sin(slope)
    terminal = np.sqrt(2.0 * 1573.0 * pull / (AIR * 0.8))
    state = straight(20.0)
    for seconds in (10.0, 20.0):
        state = drive(vehicle, state, 0.0, 10.0, around=around)
        closed = terminal * np.tanh(pull * seconds / terminal + np.arctanh(20.0 / terminal))
        assert state.speed == pytest.approx(closed, rel=1e-9)
    turn = steady_turn(vehicle.model_code, vehicle.plant, float(terminal), 0.0, around)
    assert turn.drive_acceleration + turn.brake_acceleration == pytest.approx(0.0, abs=1e-12)


def test_rolling_resistance_stops_and_does_not_push_back(car):
    """Rolling out from 10 m/s takes v²/(2 c_r g), and the vehicle then stands."""
    vehicle = car.replace(**{"tyres.rolling_resistance": 0.05})
    end = drive(vehicle, straight(10.0), 0.0, 30.0)
    # Below 0.1 m/s rolling resistance fades out: the last centimetre.
    assert end.x == pytest.approx(100.0 / (2.0 * 0.05 * GRAVITY), abs=0.02)
    assert 0.0 <= end.speed < 1e-3


def test_grip_bounds_drive_and_brake(car):
    """On a road with a fifth of the grip no more than 0.2 μ g is driven or braked, whatever is asked."""
    around = Surroundings(friction=0.2)
    for thrust in (8.0, -8.0):
        state = straight(15.0)._replace(
            drive_acceleration=max(thrust, 0.0), brake_acceleration=min(thrust, 0.0)
        )
        # Brush tyres bound each axle, so all of it needs both axles at their limit.
        vehicle = car.replace(**{"drive.front_share": 0.5, "drive.brake_front_share": 0.5})
        given = moves(vehicle, state, around).speed_dot
        assert given == pytest.approx(np.sign(thrust) * 0.2 * GRAVITY, rel=1e-12)
