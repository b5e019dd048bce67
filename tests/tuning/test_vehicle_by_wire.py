"""The by-wire layer: steering and drive against their exact answers."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.step import asked_curvature
from tuning.vehicle import Inputs, State, Surroundings, Vehicle, rk4
from tuning.vehicle.drive import acceleration_demand
from tuning.vehicle.steering import steering_target

STEP = 0.005


def vehicle(**values: float) -> Vehicle:
    """A kinematic vehicle with fields replaced by dotted name."""
    return Vehicle.model_validate({"body": {"wheelbase": 2.8}}).replace(**values)


def history(car: Vehicle, state: State, seconds: float, target=0.0, drive=0.0, brake=0.0, step=STEP) -> dict:
    """Integrate with held inputs (or a target as a function of time) and give every state by name."""
    states = [state]
    plant = car.plant._replace(speed_gain=0.0, acceleration_limit=50.0, deceleration_limit=50.0)
    for i in range(round(seconds / step)):
        aim = float(target(i * step)) if callable(target) else float(target)
        speed = states[-1].speed
        # Without a speed loop each feed-forward is the demand of its actuator.
        inputs = Inputs(aim, speed, float(drive), speed, float(brake))
        states.append(rk4(car.model_code, plant, states[-1], inputs, Surroundings(), step))
    columns = dict(zip(State._fields, np.array(states).T, strict=True))
    return {"time": step * np.arange(len(states)), **columns}


def at_speed(speed: float) -> State:
    """Driving straight."""
    return State(0.0, 0.0, 0.0, float(speed), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(("frequency", "damping"), [(12.0, 0.7), (8.0, 0.3), (20.0, 1.4)])
def test_small_step_of_the_steering_is_second_order(frequency, damping):
    """Free of limits, a step is answered as ω²/(s² + 2ζωs + ω²) says in closed form."""
    car = vehicle(
        **{
            "steering.natural_frequency": frequency,
            "steering.damping": damping,
            "steering.rate_limit": 50.0,
        }
    )
    step = 0.05
    run = history(car, at_speed(5.0), 1.5, target=step)
    root = np.sqrt(complex(damping**2 - 1.0))
    slow, fast = frequency * (-damping + root), frequency * (-damping - root)
    t = run["time"]
    exact = step * (1.0 + (fast * np.exp(slow * t) - slow * np.exp(fast * t)) / (slow - fast)).real
    # RK4: (λh)⁵/120 a step for the faster pole, λh ≤ 0.24, over the 1/(λh) steps in which it lives: 3e-5 of a step.
    assert np.max(np.abs(run["steering_angle"] - exact)) < 3e-5 * step


def test_rate_limit_holds_and_nothing_winds_up():
    """A large step runs at the rate limit, leaves it where the linear law says, and does not overshoot."""
    limit, frequency, angle = 0.4, 10.0, 0.5
    car = vehicle(
        **{
            "steering.natural_frequency": frequency,
            "steering.damping": 1.0,
            "steering.rate_limit": limit,
        }
    )
    run = history(car, at_speed(5.0), 4.0, target=angle, step=0.001)
    rate, error = run["steering_rate"], angle - run["steering_angle"]
    assert np.max(rate) <= limit * (1.0 + 1e-12)
    assert np.max(np.diff(run["steering_angle"])) <= 0.001 * limit * (1.0 + 1e-9)
    held = rate > limit * (1.0 - 1e-6)
    # The derivative of the rate changes sign where ω² e = 2 ζ ω δ̇; one step of 1 ms is 0.4 mrad.
    assert error[np.flatnonzero(held)[-1]] == pytest.approx(2.0 * limit / frequency, abs=5e-4)
    assert np.max(run["steering_angle"]) <= angle + 1e-12
    # From there on the critically damped answer, which starts without acceleration: e = (2 r/ω + r t) exp(−ω t).
    last = int(np.flatnonzero(held)[-1])
    t = run["time"][last:] - run["time"][last]
    exact = (error[last] + (frequency * error[last] - limit) * t) * np.exp(-frequency * t)
    assert np.max(np.abs(error[last:] - exact)) < 1e-3 * angle


def test_time_at_the_rate_limit_is_seen():
    """While the limit holds, the rate reads as the limit, so that time saturated can be counted."""
    car = vehicle(**{"steering.rate_limit": 0.3})
    run = history(car, at_speed(5.0), 2.0, target=0.5)
    share = np.mean(run["steering_rate"] > 0.99 * 0.3)
    # 0.5 rad less the run-in of 2 ζ r/ω at 0.3 rad/s, of 2 s; start and guard take about 0.05 s.
    expected = (0.5 - 2.0 * 0.8 * 0.3 / 12.0) / 0.3 / 2.0
    assert share == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_stops_hold(side):
    """An underdamped steering that would swing past its stop stands at it and keeps no rate."""
    car = vehicle(**{"steering.damping": 0.2, "steering.rate_limit": 5.0, "steering.angle_limit": 0.45})
    run = history(car, at_speed(5.0), 3.0, target=side * 0.44)
    assert np.max(np.abs(run["steering_angle"])) <= 0.45
    assert np.max(side * run["steering_angle"]) > 0.4499
    first = int(np.argmax(side * run["steering_angle"] > 0.4499))
    # 50 ms, ten time constants of the guard, after contact; only the linear law's pull of 1.4 rad/s² is left.
    assert abs(run["steering_rate"][first + 10]) < 0.05
    assert run["steering_angle"][-1] == pytest.approx(side * 0.44, abs=1e-3)


def test_target_is_the_static_map_within_the_stops():
    """Curvature becomes gain · atan(L κ) + offset, and never more than the stop."""
    car = vehicle(**{"steering.gain": 0.95, "steering.offset": 0.01})
    assert steering_target(car.plant, 0.05) == pytest.approx(0.95 * np.arctan(2.8 * 0.05) + 0.01, rel=1e-15)
    assert steering_target(car.plant, 9.0) == 0.6
    assert steering_target(car.plant, -9.0) == -0.6


def test_what_the_tracker_asks_for_is_undone_by_the_static_map():
    """The command for a wanted curvature gives its steering angle; where the gain is too small, all there is."""
    car = vehicle(**{"steering.gain": 0.4, "steering.offset": 0.01})
    response = car.response.values
    for wanted in (-0.15, 0.0, 0.05, 0.15):
        angle = steering_target(car.plant, asked_curvature(response, wanted, 0.0))
        assert angle == pytest.approx(np.arctan(2.8 * wanted), rel=1e-12, abs=1e-15)
    # At a gain of 0.3 the wheels cannot be asked for the 0.59 rad of this curvature: 0.59/0.3 is beyond π/2.
    weak = vehicle(**{"steering.gain": 0.3})
    for side in (1.0, -1.0):
        angle = steering_target(weak.plant, asked_curvature(weak.response.values, side * 0.24, 0.0))
        assert 0.4 < side * angle < 0.3 * np.pi / 2.0


def test_equivalent_lag_is_the_delay_to_a_ramp():
    """`response.lag` is the time by which the steering trails a slow ramp."""
    car = vehicle(**{"steering.natural_frequency": 9.0, "steering.damping": 0.6})
    slope = 0.05
    # The target is held over a step, which is half a step late on average.
    run = history(car, at_speed(5.0), 4.0, target=lambda t: slope * (t + STEP / 2))
    trail = run["time"][-1] - run["steering_angle"][-1] / slope
    assert trail == pytest.approx(car.response.lag, abs=1e-5)
    assert car.response.lag == pytest.approx(2.0 * 0.6 / 9.0, rel=1e-15)


def test_drive_and_brake_are_first_order():
    """Demands are followed with the lag of drive and brake, and the speed is their integral."""
    car = vehicle(**{"drive.lag": 0.4, "drive.brake_lag": 0.15})
    run = history(car, at_speed(10.0), 1.0, drive=1.2, brake=-0.7)
    t = run["time"]
    np.testing.assert_allclose(run["drive_acceleration"], 1.2 * (1 - np.exp(-t / 0.4)), atol=1e-8)
    np.testing.assert_allclose(run["brake_acceleration"], -0.7 * (1 - np.exp(-t / 0.15)), atol=1e-8)
    gained = 1.2 * (t - 0.4 * (1 - np.exp(-t / 0.4))) - 0.7 * (t - 0.15 * (1 - np.exp(-t / 0.15)))
    np.testing.assert_allclose(run["speed"], 10.0 + gained, atol=1e-8)


def test_demand_of_the_speed_loop():
    """Feed-forward and speed error add up within the limits."""
    p = vehicle(**{"drive.speed_gain": 0.5}).plant
    assert acceleration_demand(p, 8.0, 0.3, 6.0) == pytest.approx(1.3, rel=1e-15)
    assert acceleration_demand(p, 90.0, 0.0, 6.0) == p.acceleration_limit
    assert acceleration_demand(p, 0.0, -1.0, 30.0) == -p.deceleration_limit


@pytest.mark.parametrize("braking", [0.5, 4.0, 8.0])
def test_braking_ends_at_rest_and_never_backwards(braking):
    """Full braking kept on leaves the vehicle standing, near the stopping distance of constant deceleration."""
    car = vehicle(**{"drive.brake_lag": 0.05})
    run = history(car, at_speed(3.0), 3.0 / braking + 3.0, brake=-braking)
    assert np.min(run["speed"]) >= 0.0
    assert np.all(np.diff(run["x"]) >= 0.0)
    assert run["speed"][-1] < 1e-5
    # A lag adds v·T less the little that the run-up saves; the last 0.1 m/s take v²/(2a) longer, at most 0.01 m.
    assert run["x"][-1] == pytest.approx(9.0 / (2.0 * braking) + 3.0 * 0.05, abs=0.02)


def test_first_order_steering_is_its_exact_answer():
    """With a lag instead of frequency and damping a step answers as 1 − exp(−t/T)."""
    car = vehicle(**{"steering.lag": 0.15, "steering.rate_limit": 50.0})
    state = State(0.0, 0.0, 0.0, 5.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    inputs = Inputs(0.05, 5.0, 0.0, 5.0, 0.0)
    for _ in range(40):
        state = rk4(car.model_code, car.plant, state, inputs, Surroundings(), 0.005)
    # RK4 on h/T = 1/30: the error per step is (h/T)⁵/120, 40 steps.
    assert state.steering_angle == pytest.approx(0.05 * (1.0 - np.exp(-0.2 / 0.15)), rel=1e-7)
    assert car.response.lag == 0.15
