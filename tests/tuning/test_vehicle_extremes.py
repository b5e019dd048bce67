"""The far ends of what a vehicle model may meet: finite and bounded, compiled and plain, without a warning."""

from __future__ import annotations

import numpy as np
import pytest
from vehicle_drives import EXAMPLE, GRAVITY, STEP, moves, straight, with_model

from tracks.one_source import plain
from tuning.vehicle import MODELS, Inputs, State, Surroundings, rk4
from tuning.vehicle.steady import steady_turn

ROADS = [Surroundings(), Surroundings(friction=0.0), Surroundings(0.1, 0.1, -0.1, 25.0)]
SPEEDS = [0.0, 0.05, 1.0, 2.5, 10.0, 60.0, -0.05, -2.0, -10.0]


@pytest.fixture(params=sorted(MODELS))
def car(request):
    """The example car under one model, with every effect of the body, and wheels that turn to 69 degrees."""
    return with_model(EXAMPLE, request.param).replace(
        **{
            "body.centre_height": 0.6,
            "body.drag_area": 0.8,
            "body.side_area": 3.0,
            "body.pressure_centre": 0.3,
            "tyres.rolling_resistance": 0.01,
            "steering.compliance": 2e-6,
            "steering.angle_limit": 1.2,
            "steering.rate_limit": 3.0,
            "drive.deceleration_limit": 50.0,
        }
    )


def within_bounds(state: State) -> bool:
    """Bounds far beyond any drive: 60 m/s and full lock turn a kinematic body at 58 rad/s."""
    speeds = max(abs(state.speed), abs(state.lateral_velocity), abs(state.yaw_rate))
    return bool(np.all(np.isfinite(state))) and speeds < 300.0 and max(map(abs, state[10:12])) <= 3.0


@pytest.mark.parametrize("around", ROADS, ids=["dry", "no friction", "storm on ice"])
@pytest.mark.parametrize("speed", SPEEDS)
def test_full_lock_stays_finite_and_bounded(car, speed, around):
    """Full lock to one side, then the other, coasting, for three seconds."""
    # A linear axle takes no speed from a vehicle that spins: backwards at full lock, where it oversteers, it spins ever
    # faster. Brush tyres are for that.
    spins = car.model_name == "single-track" and speed < -5.0
    state = straight(speed)
    for target in (1.2, -1.2):
        for _ in range(300):
            inputs = Inputs(target, state.speed, 0.0, state.speed, 0.0)
            state = rk4(car.model_code, car.plant, state, inputs, around, STEP)
            assert within_bounds(state) or (spins and np.all(np.isfinite(state)))


@pytest.mark.parametrize("around", ROADS, ids=["dry", "no friction", "storm on ice"])
def test_plain_python_warns_of_nothing(car, around):
    """The same in plain Python, where a division by zero or a root of a negative number would warn."""
    step = plain(rk4)
    for speed in SPEEDS:
        state = straight(speed)._replace(brake_acceleration=-20.0, slip_front=2.0, slip_rear=-2.0)
        for _ in range(12):
            state = step(car.model_code, car.plant, state, Inputs(1.2, 0.0, -20.0, 0.0, -20.0), around, STEP)
            assert within_bounds(state)


@pytest.mark.parametrize("speed", [6.0, 20.0, 60.0, -6.0, -20.0])
def test_brush_tyres_only_take_energy(speed):
    """Coasting on a level road, steered at will, the energy of the motion does not grow but for what tyres store.

    Above the hand-over, whose kinematic part holds the vehicle in its turn without asking for the energy.
    """
    car = with_model(EXAMPLE, "single-track-brush").replace(**{"steering.angle_limit": 1.0})
    state = straight(speed)
    least = highest = 0.5 * speed**2
    for i in range(1200):
        inputs = Inputs(0.8 * float(np.sin(0.02 * i)), state.speed, 0.0, state.speed, 0.0)
        state = rk4(car.model_code, car.plant, state, inputs, Surroundings(), STEP)
        if abs(state.speed) < 3.0:
            break
        turning = 0.5 * 2873.0 / 1573.0 * state.yaw_rate**2
        energy = 0.5 * (state.speed**2 + state.lateral_velocity**2) + turning
        least = min(least, energy)
        highest = max(highest, energy - least)
    # A tyre stores ½ F σ s: 5 kN over 0.3 m and a slip of 0.1, both axles, is 0.1 J/kg.
    assert energy < 0.5 * speed**2
    assert highest - 0.5 * speed**2 < 0.2


def test_no_friction_leaves_the_vehicle_on_its_way():
    """On a road without friction a vehicle with brush tyres neither turns nor slows down, whatever it steers or brakes."""
    car = with_model(EXAMPLE, "single-track-brush")
    state = straight(20.0)._replace(brake_acceleration=-8.0)
    for _ in range(400):
        state = rk4(
            car.model_code, car.plant, state, Inputs(0.5, 0.0, -8.0, 0.0, -8.0), Surroundings(0.0), STEP
        )
    # A millionth of a newton for the roots is all.
    assert state.x == pytest.approx(40.0, rel=1e-9)
    assert state.y == pytest.approx(0.0, abs=1e-8)
    assert state.speed == pytest.approx(20.0, rel=1e-9)


@pytest.mark.parametrize("around", ROADS, ids=["dry", "no friction", "storm on ice"])
def test_steady_turn_never_fails(car, around):
    """Whatever is asked, there is a finite state at the speed asked for, within the angle of any steering."""
    for speed in SPEEDS:
        for curvature in (0.0, 0.01, -0.2, 3.0):
            state = steady_turn(car.model_code, car.plant, speed, curvature, around)
            assert np.all(np.isfinite(state))
            assert state.speed == speed
            assert abs(state.steering_angle) < np.pi / 2.0


def test_steady_turn_beyond_the_grip_is_the_largest_there_is():
    """Asked for ten times what the grip allows, the state is steady and its lateral acceleration all that the grip leaves."""
    car = with_model(EXAMPLE, "single-track-brush")
    for friction in (1.0, 0.3):
        around = Surroundings(friction=friction)
        state = steady_turn(car.model_code, car.plant, 20.0, 0.25, around)
        moving = moves(car, state, around)
        np.testing.assert_allclose(moving[2:7], 0.0, atol=1e-9)
        # The driven rear axle bears a m a_y/L and T m, which holds the speed, within its grip μ m g a/L.
        largest = np.sqrt((friction * GRAVITY) ** 2 - (state.drive_acceleration * 2.68 / 1.1) ** 2)
        assert 20.0 * moving.yaw_rate == pytest.approx(largest, rel=0.005)
