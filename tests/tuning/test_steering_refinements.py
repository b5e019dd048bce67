"""Steering in its finer points, resolution, dead band, acceleration limit and play, against independent answers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import solve_ivp

from tuning.vehicle import Inputs, State, Surroundings, Vehicle, rk4
from tuning.vehicle.linear import linearise
from tuning.vehicle.steering import steering_derivative, steering_target, wheel_angle

STEP = 0.005  # s, the step of the bench
CAR = Vehicle.model_validate(
    {"body": {"wheelbase": 2.8}, "steering": {"rate_limit": 50.0, "angle_limit": 1.4, "damping": 1.0}}
)


def steer(
    car: Vehicle, target: Callable[[float], float] | float, seconds: float, step: float = STEP, **start: float
) -> dict[str, np.ndarray]:
    """Steer to a target (rad, or a function of time) at 5 m/s and give every state by name, and the time."""
    state = State(0.0, 0.0, 0.0, 5.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)._replace(**start)
    states, plant = [state], car.plant
    for i in range(round(seconds / step)):
        aim = float(target(i * step)) if callable(target) else float(target)
        inputs = Inputs(aim, 5.0, 0.0, 5.0, 0.0)
        states.append(rk4(car.model_code, plant, states[-1], inputs, Surroundings(), step))
    columns = dict(zip(State._fields, np.array(states).T, strict=True))
    return {"time": step * np.arange(len(states)), **columns}


def test_a_command_is_taken_in_steps():
    """The angle asked for becomes a whole number of steps at most half a step off, alike to both sides."""
    step = 0.01
    plant = CAR.replace(**{"steering.resolution": step, "steering.gain": 0.9, "steering.offset": 0.02}).plant
    curvatures = np.linspace(-0.3, 0.3, 4001)
    asked = np.arctan(2.8 * curvatures)
    taken = (np.array([steering_target(plant, float(k)) for k in curvatures]) - 0.02) / 0.9
    np.testing.assert_allclose(taken / step, np.round(taken / step), atol=1e-11)
    assert 0.49 * step < np.max(np.abs(taken - asked)) < 0.5 * step * (1.0 + 1e-9)
    np.testing.assert_allclose(taken, -taken[::-1], atol=1e-15)
    # The error of a quantiser whose input crosses many steps is uniform: RMS step/√12 (Widrow, from memory).
    assert np.sqrt(np.mean((taken - asked) ** 2)) == pytest.approx(step / np.sqrt(12.0), rel=0.02)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_the_middle_between_two_steps_goes_away_from_zero(side):
    """Half a step asked for is a whole step given, left and right."""
    asked = float(np.arctan(2.8 * 0.05))
    plant = CAR.plant._replace(resolution=2.0 * asked)
    assert steering_target(plant, side * 0.05) == pytest.approx(side * 2.0 * asked, rel=1e-15)


@pytest.mark.parametrize(("damping", "target"), [(1.0, 0.3), (0.7, -0.2), (0.2, 0.25)])
def test_dead_band_is_a_servo_that_sees_the_error_less_the_band(damping, target):
    """Against an adaptive integration cut where the error enters and leaves the band; then it rests for good."""
    band, frequency = 0.02, 12.0
    car = CAR.replace(**{"steering.dead_band": band, "steering.damping": damping})
    run = steer(car, target, 6.0)

    def slope(_, q):
        error = target - q[0]
        seen = np.sign(error) * max(abs(error) - band, 0.0)
        return [q[1], frequency**2 * seen - 2.0 * damping * frequency * q[1]]

    exact = solve_ivp(
        slope, (0.0, 6.0), [0.0, 0.0], t_eval=run["time"], rtol=1e-9, atol=1e-12, max_step=0.002
    )
    # A step across the kink at the band's edge costs RK4 h²/8 of the jump in jerk, ω² δ̇: 144 × 1 × 3e-6 / 8 a time.
    assert np.max(np.abs(run["steering_angle"] - exact.y[0])) < 3e-5
    end = run["time"] > 5.0
    assert np.ptp(run["steering_angle"][end]) < 1e-5
    assert abs(target - run["steering_angle"][-1]) <= band + 1e-6
    if damping >= 1.0:
        # It creeps up to the edge, and no further.
        assert abs(target - run["steering_angle"][-1]) == pytest.approx(band, abs=1e-9)


def test_within_the_dead_band_nothing_moves():
    """A command that swings within the band leaves the steering at rest to the last bit."""
    car = CAR.replace(**{"steering.dead_band": 0.02})
    run = steer(car, lambda t: 0.0199 * np.sin(9.0 * t), 3.0)
    assert np.all(run["steering_angle"] == 0.0)


@pytest.mark.parametrize(("damping", "limit"), [(0.3, 5.0), (0.8, 0.5), (1.0, 20.0), (1.6, 5.0)])
def test_a_step_that_stays_within_the_acceleration_limit_is_plain(damping, limit):
    """A step from rest up to a/ω² is that of the transfer function, and that without a limit to the last bit."""
    frequency = 12.0
    step = 0.999 * limit / frequency**2
    bare = CAR.replace(**{"steering.damping": damping})
    limited = bare.replace(**{"steering.angular_acceleration_limit": limit})
    run = steer(limited, step, 2.0)
    system = signal.TransferFunction([frequency**2], [1.0, 2.0 * damping * frequency, frequency**2])
    exact = step * signal.step(system, T=run["time"])[1]
    # RK4: (λh)⁵/120 a step for the faster pole, λh ≤ 0.17 over 1/(λh) steps.
    assert np.max(np.abs(run["steering_angle"] - exact)) < 2e-5 * step
    assert np.array_equal(run["steering_angle"], steer(bare, step, 2.0)["steering_angle"])


@pytest.mark.parametrize("damping", [1.0, 1.4])
@pytest.mark.parametrize("rate", [0.4, 50.0])
@pytest.mark.parametrize("limit", [0.5, 2.0, 5.0])
def test_a_big_step_keeps_the_acceleration_and_can_always_stop(damping, rate, limit):
    """Never more than the limit, always slow enough to stop at the target, and no overshoot."""
    target = 0.4
    car = CAR.replace(
        **{
            "steering.damping": damping,
            "steering.rate_limit": rate,
            "steering.angular_acceleration_limit": limit,
        }
    )
    run = steer(car, target, 5.0)
    acceleration = np.diff(run["steering_rate"]) / STEP
    assert np.max(np.abs(acceleration)) <= limit * (1.0 + 1e-6)
    assert np.max(acceleration) > 0.99 * limit
    error = target - run["steering_angle"]
    # Stopping from a rate v with a takes v²/(2a).
    assert np.all(run["steering_rate"] ** 2 <= 2.0 * limit * error + 1e-9)
    assert np.min(error) > -1e-6
    assert error[-1] < 1e-3 * target


@pytest.mark.parametrize(("limit", "rate"), [(0.5, 50.0), (2.0, 50.0), (2.0, 0.4), (5.0, 0.4)])
def test_a_big_step_takes_little_longer_than_the_shortest_time_there_is(limit, rate):
    """Bang-bang control, full acceleration then full braking, is the shortest; the linear end costs 1.5/ω at most."""
    target, frequency = 0.4, 12.0
    car = CAR.replace(**{"steering.rate_limit": rate, "steering.angular_acceleration_limit": limit})
    run = steer(car, target, 5.0)
    late = np.flatnonzero(np.abs(target - run["steering_angle"]) > 0.02 * target)[-1]
    taken = run["time"][late + 1]
    top = min(np.sqrt(limit * target), rate)
    # Trapezoid of the rate, θ/v + v/a, less the last 2 %, which it goes through braking: √(2 · 0.02 θ/a).
    shortest = target / top + top / limit - np.sqrt(2.0 * 0.02 * target / limit)
    assert shortest <= taken + STEP
    assert taken < shortest + 1.5 / frequency


@pytest.mark.parametrize("damping", [0.3, 0.5, 0.7, 0.8])
def test_an_acceleration_limit_does_not_add_to_the_overshoot_of_the_damping(damping):
    """Underdamped, a limited big step overshoots by no larger share than the linear law: exp(−πζ/√(1 − ζ²))."""
    target = 0.4
    for limit in (0.5, 2.0, 5.0, 20.0):
        car = CAR.replace(**{"steering.damping": damping, "steering.angular_acceleration_limit": limit})
        run = steer(car, target, 5.0)
        linear = np.exp(-np.pi * damping / np.sqrt(1.0 - damping**2))
        assert np.max(run["steering_angle"]) / target - 1.0 < linear + 1e-4


@pytest.mark.parametrize(("lag", "limit"), [(0.05, 2.0), (0.15, 5.0), (0.5, 20.0)])
def test_first_order_steering_keeps_limits_too(lag, limit):
    """A big step keeps acceleration and rate, does not overshoot, and a ramp is still followed T late."""
    car = CAR.replace(
        **{
            "steering.lag": lag,
            "steering.angular_acceleration_limit": limit,
            "steering.rate_limit": 0.5,
            "steering.dead_band": 0.0,
        }
    )
    run = steer(car, 0.4, 8.0)
    assert np.max(np.abs(np.diff(run["steering_rate"]))) <= limit * STEP * (1.0 + 1e-6)
    assert np.max(np.diff(run["steering_angle"])) <= 0.5 * STEP * (1.0 + 1e-9)
    assert run["steering_angle"][-1] > 0.4 - 1e-6
    assert np.max(run["steering_angle"]) < 0.4 + 1e-6
    slope = 0.02
    ramp = steer(car, lambda t: slope * (t + STEP / 2), 12.0 * lag + 1.0)
    trail = ramp["time"][-1] - ramp["steering_angle"][-1] / slope
    assert trail == pytest.approx(lag, abs=1e-4)


def test_first_order_steering_has_a_dead_band():
    """T δ̇ = δ* − δ less the band ends a band short, as 1 − exp(−t/T) of the rest."""
    car = CAR.replace(**{"steering.lag": 0.15, "steering.dead_band": 0.03})
    run = steer(car, 0.2, 2.0)
    exact = 0.17 * (1.0 - np.exp(-run["time"] / 0.15))
    np.testing.assert_allclose(run["steering_angle"], exact, atol=2e-8)


def swing(car: Vehicle, amplitude: float, frequency: float) -> tuple[np.ndarray, np.ndarray]:
    """Actuator and wheels (rad) over the last of five cycles, 1 ms apart, led by a fast steering."""
    cycle = 2.0 * np.pi / frequency
    step = cycle / round(cycle / 0.001)
    run = steer(car, lambda t: amplitude * np.sin(frequency * t), 5.0 * cycle, step=step)
    last = round(cycle / step)
    return run["steering_angle"][-last:], run["play_angle"][-last:]


@pytest.mark.parametrize("backlash", [0.01, 0.04])
def test_play_is_a_loop_as_wide_as_the_backlash(backlash):
    """Wheels over actuator is a loop whose flanks are the backlash apart, all along."""
    car = CAR.replace(**{"steering.backlash": backlash, "steering.natural_frequency": 60.0})
    actuator, wheels = swing(car, 0.2, 3.0)
    # A sample is on a flank if the wheels moved on the way to it.
    moved = np.diff(wheels, prepend=wheels[-1])
    rise, fall = moved > 1e-9, moved < -1e-9
    np.testing.assert_allclose(actuator[rise] - wheels[rise], 0.5 * backlash, atol=1e-12)
    np.testing.assert_allclose(actuator[fall] - wheels[fall], -0.5 * backlash, atol=1e-12)
    assert np.sum(rise) > 500
    assert np.sum(fall) > 500
    assert np.ptp(wheels) == pytest.approx(np.ptp(actuator) - backlash, abs=1e-12)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.8])
def test_a_sine_through_play_is_its_describing_function(share):
    """Amplitude and phase of the first harmonic, against the describing function of backlash.

    With a gap of 2b and an input of amplitude A, from memory (Gelb and Vander Velde; Slotine and Li):
    Re N = (π/2 − asin c − c √(1 − c²))/π with c = 2b/A − 1, Im N = −4 (b/A) (1 − b/A)/π.
    """
    amplitude = 0.12
    car = CAR.replace(**{"steering.natural_frequency": 60.0})
    actuator, _ = swing(car, amplitude, 3.0)
    turns = np.exp(-2j * np.pi * np.arange(actuator.size) / actuator.size)
    seen = 2.0 * np.abs(np.mean(actuator * turns))
    half = share * seen
    actuator, wheels = swing(car.replace(**{"steering.backlash": 2.0 * half}), amplitude, 3.0)
    found = np.sum(wheels * turns) / np.sum(actuator * turns)
    c = 2.0 * share - 1.0
    real = (np.pi / 2.0 - np.arcsin(c) - c * np.sqrt(1.0 - c * c)) / np.pi
    imaginary = -4.0 * share * (1.0 - share) / np.pi
    # The turning point falls between two samples: A (ω h)²/8 of 2e-6, and the sum over 2094 samples.
    assert found.real == pytest.approx(real, abs=2e-4)
    assert found.imag == pytest.approx(imaginary, abs=2e-4)


def test_play_holds_between_its_flanks():
    """The play operator by its definition: the wheels stay as long as the actuator is within the gap about them."""
    plant = CAR.plant._replace(play=0.01)
    assert wheel_angle(plant, 0.105, 0.1) == pytest.approx(0.1, rel=1e-15)
    assert wheel_angle(plant, 0.13, 0.1) == pytest.approx(0.12, rel=1e-15)
    assert wheel_angle(plant, 0.05, 0.1) == pytest.approx(0.06, rel=1e-15)
    assert wheel_angle(CAR.plant, 0.13, 0.1) == 0.13


def test_without_power_the_wheels_stay_or_return():
    """They keep their angle and lose their rate, or go back as exp(−2 t) while the vehicle moves."""
    lost = Inputs(0.5, 5.0, 0.0, 5.0, 0.0, 1.0, 0.0)
    start = State(0.0, 0.0, 0.0, 5.0, 0.0, 0.0, 0.3, 0.4, 0.0, 0.0)
    for unpowered, speed, rate in (("stays", 5.0, 0.0), ("returns", 5.0, 2.0), ("returns", 0.0, 0.0)):
        car = CAR.replace(**{"steering.unpowered": unpowered})
        state, inputs = start._replace(speed=speed), lost._replace(drive_speed=speed, brake_speed=speed)
        for _ in range(200):
            state = rk4(car.model_code, car.plant, state, inputs, Surroundings(), STEP)
        assert state.steering_angle == pytest.approx(0.3 * np.exp(-rate), rel=1e-9)
        # The rate follows its record with 5 ms.
        assert state.steering_rate == pytest.approx(-rate * state.steering_angle, rel=0.02, abs=1e-12)


@pytest.mark.parametrize("lag", [None, 0.15])
def test_a_linearisation_leaves_limits_and_dead_band_out(lag):
    """The linear steering is the same with and without them, of second and of first order."""
    full = {
        "steering.dead_band": 0.01,
        "steering.angular_acceleration_limit": 5.0,
        "steering.backlash": 0.02,
        "steering.resolution": 0.001,
    }
    bare = CAR.replace(**{"steering.lag": lag})
    plain, refined = (linearise(car, 8.0, steering=True) for car in (bare, bare.replace(**full)))
    np.testing.assert_array_equal(refined.A, plain.A)
    np.testing.assert_array_equal(refined.B, plain.B)
    poles = [-12.0, -12.0] if lag is None else [-1.0 / lag]
    np.testing.assert_allclose(np.sort(refined.poles()), poles, rtol=1e-6)


def test_without_refinements_the_law_is_as_it_stands():
    """The second-order law with limits far away, term by term."""
    plant = CAR.plant
    for angle, rate in ((0.1, 0.3), (-0.2, 0.0), (0.0, -1.0)):
        angle_dot, rate_dot = steering_derivative(plant, 0.25, angle, rate)
        assert angle_dot == rate
        assert rate_dot == pytest.approx(144.0 * (0.25 - angle) - 24.0 * rate, rel=1e-14)


DEMANDED = CAR.replace(
    **{"steering.rate_limited": "demand", "steering.rate_limit": 0.4, "steering.damping": 0.7}
)


def test_a_bounded_demand_is_a_position_loop_over_a_rate_loop():
    """A big step against scipy's adaptive integration of the cascade, cut where the demand leaves its limit."""
    target, w, z = 0.6, 12.0, 0.7

    def cascade(_, y):
        wanted = np.clip(0.5 * w / z * (target - y[0]), -0.4, 0.4)
        return [y[1], 2.0 * z * w * (wanted - y[1])]

    def leaves(_, y):
        return 0.5 * w / z * (target - y[0]) - 0.4

    leaves.terminal = True
    first = solve_ivp(
        cascade, (0.0, 3.0), [0.0, 0.0], events=leaves, rtol=1e-11, atol=1e-12, dense_output=True
    )
    then = solve_ivp(cascade, (first.t[-1], 3.0), first.y[:, -1], rtol=1e-11, atol=1e-12, dense_output=True)
    found = steer(DEMANDED, target, 3.0)
    time = found["time"]
    exact = np.where(time < first.t[-1], first.sol(time)[0], then.sol(time)[0])
    # RK4 loses its order over the one step in which the demand leaves its limit: half a step's change of slope.
    np.testing.assert_allclose(found["steering_angle"], exact, atol=2e-5)


def test_the_rate_nears_a_bounded_demand_as_a_first_order():
    """While the demand is at its limit, rate = limit · (1 − exp(−2ζωt)), the answer of the rate loop alone."""
    found = steer(DEMANDED, 1.0, 0.5)
    expected = 0.4 * (1.0 - np.exp(-2.0 * 0.7 * 12.0 * found["time"]))
    np.testing.assert_allclose(found["steering_rate"], expected, rtol=0, atol=2e-6)


def test_below_the_limit_both_forms_are_one():
    """A small step: what the limit acts on makes no difference to the last digit but rounding."""
    small = 0.02
    plain = steer(DEMANDED.replace(**{"steering.rate_limited": "motion"}), small, 1.0)
    bounded = steer(DEMANDED, small, 1.0)
    np.testing.assert_allclose(bounded["steering_angle"], plain["steering_angle"], rtol=0, atol=1e-15)
