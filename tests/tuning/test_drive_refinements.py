"""Drive and brake in their finer points: gains, jerk, integral part, hand-over, gears and standing on a grade."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tuning.vehicle import MODELS, Inputs, State, Surroundings, Vehicle, derivative, rk4
from tuning.vehicle.drive import demands, gear

STEP = 0.005  # s, the step of the bench
GRAVITY = 9.80665  # m/s², standard gravity (ISO 80000-3)
TEN_PER_CENT = float(np.arctan(0.1))
CAR = Vehicle.model_validate({"body": {"wheelbase": 2.8, "mass": 1500.0}})


def command(speed: float, feed_forward: float = 0.0) -> Inputs:
    """Drive and brake both have this speed (m/s) and acceleration (m/s²); the loop is closed."""
    return Inputs(0.0, speed, feed_forward, speed, feed_forward)


def pedals(drive: float, brake: float, direction: float = 1.0) -> Inputs:
    """The demands themselves, m/s², with the loop open."""
    return Inputs(0.0, direction, drive, direction, brake, 0.0)


def go(car: Vehicle, inputs, seconds: float, speed: float = 0.0, grade: float = 0.0, **start: float):
    """Drive by held inputs, or those of a function of time and state; every state by name, and the time."""
    state = State(0.0, 0.0, 0.0, float(speed), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)._replace(**start)
    states, around, plant = [state], Surroundings(1.0, float(grade)), car.plant
    for i in range(round(seconds / STEP)):
        given = inputs(i * STEP, states[-1]) if callable(inputs) else inputs
        states.append(rk4(car.model_code, plant, states[-1], given, around, STEP))
    columns = dict(zip(State._fields, np.array(states).T, strict=True))
    return {"time": STEP * np.arange(len(states)), **columns}


def test_what_is_achieved_is_gain_times_demand_within_the_grip():
    """Drive and brake settle at their gain times what is asked; the road gives no more than its grip."""
    car = CAR.replace(**{"drive.drive_gain": 1.2, "drive.brake_gain": 0.8, "tyres.friction": 0.5})
    pushed = go(car, pedals(1.5, 0.0), 10.0, 20.0)
    assert pushed["drive_acceleration"][-1] == pytest.approx(1.2 * 1.5, rel=1e-8)
    assert np.diff(pushed["speed"])[-1] / STEP == pytest.approx(1.8, rel=1e-6)
    for asked, achieved in ((-3.0, -2.4), (-9.0, -0.5 * GRAVITY)):
        braked = go(car, pedals(0.0, asked), 3.0, 30.0)
        assert np.diff(braked["speed"])[-1] / STEP == pytest.approx(achieved, rel=1e-5)


def test_with_the_loop_open_the_feed_forwards_are_the_demands():
    """They pass the limits and the hand-over band of the loop, push in the gear's direction and stop the integral."""
    car = CAR.replace(**{"drive.hand_over": 0.5, "drive.speed_integral": 0.3})
    state = State(0.0, 0.0, 0.0, 8.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, speed_integral=0.7, pedal=1.0)
    assert demands(car.plant, state, pedals(0.0, -9.0)) == (0.0, -9.0)
    assert demands(car.plant, state, pedals(0.0, -0.2)) == (0.0, -0.2)
    assert demands(car.plant, state._replace(pedal=-1.0), pedals(0.3, 0.0)) == (0.3, 0.0)
    run = go(car, pedals(0.5, 0.0, -1.0), 4.0, speed_integral=0.7)
    assert run["speed"][-1] < -1.0
    assert np.all(run["speed_integral"] == 0.7)


@pytest.mark.parametrize(("jerk", "lag"), [(4.0, 0.2), (20.0, 0.2), (2.0, 0.05)])
def test_a_jerk_limited_lag_is_its_differential_equation(jerk, lag):
    """Onset and release against an adaptive integration of ȧ = clip((a* − a)/T, ±jerk)."""
    car = CAR.replace(**{"drive.brake_lag": lag, "drive.brake_jerk_limit": jerk, "drive.jerk_limit": jerk})
    run = go(car, lambda t, _: pedals(0.0, -3.0 if t < 2.0 else 0.0), 4.0, 30.0)

    def slope(_, a, asked):
        return np.clip((asked - a) / lag, -jerk, jerk)

    t, held = run["time"], run["time"] <= 2.0
    on = solve_ivp(slope, (0.0, 2.0), [0.0], t_eval=t[held], args=(-3.0,), rtol=1e-9, atol=1e-11)
    off = solve_ivp(slope, (2.0, 4.0), on.y[:, -1], t_eval=t[~held], args=(0.0,), rtol=1e-9, atol=1e-11)
    exact = np.hstack([on.y[0], off.y[0]])
    # Where the limit is left within a step, RK4 is off by h²/8 of the jump of ä, jerk/T.
    assert np.max(np.abs(run["brake_acceleration"] - exact)) < 1.5 * STEP**2 / 8.0 * jerk / lag
    assert np.max(np.abs(np.diff(run["brake_acceleration"]))) <= jerk * STEP * (1.0 + 1e-9)


@pytest.mark.parametrize(("speed", "braking", "jerk"), [(8.0, 4.0, 10.0), (12.0, 6.0, 15.0)])
def test_stopping_distance_with_a_jerk_limit(speed, braking, jerk):
    """Kinematics of a ramp and a constant deceleration: x = v t₁ − j t₁³/6 + (v − j t₁²/2)²/(2a), t₁ = a/j."""
    lag = 0.02
    car = CAR.replace(**{"drive.brake_lag": lag, "drive.brake_jerk_limit": jerk})
    run = go(car, pedals(0.0, -braking), 6.0, speed)
    ramp = braking / jerk
    exact = speed * ramp - jerk * ramp**3 / 6.0 + (speed - 0.5 * jerk * ramp**2) ** 2 / (2.0 * braking)
    # The limit is left one lag before the full braking, so that the rest comes later by T/2 of a/j at most. The end
    # below 0.1 m/s takes v²/(2a) = 1 mm more.
    assert run["speed"][-1] < 1e-6
    assert run["x"][-1] == pytest.approx(exact, abs=0.002 + speed * lag**2 * jerk / braking)
    plain = go(CAR.replace(**{"drive.brake_lag": lag}), pedals(0.0, -braking), 6.0, speed)
    assert run["x"][-1] - plain["x"][-1] > 0.9 * speed * (0.5 * ramp - lag)


DRAGGING = CAR.replace(
    **{"body.drag_area": 3.0, "tyres.rolling_resistance": 0.012, "drive.acceleration_limit": 3.0}
)


@pytest.mark.parametrize("grade", [0.05, -0.05])
def test_integral_part_takes_away_what_grade_and_drag_leave(grade):
    """With the gain alone the error is (g sin γ + c_r g cos γ + ½ ρ c_w A v²/m)/k; with the integral part it is none."""
    wanted = 12.0
    gain_only = go(DRAGGING, command(wanted), 60.0, wanted, grade)
    v = gain_only["speed"][-1]
    # Density of air at sea level: ISO 2533.
    pull = GRAVITY * (np.sin(grade) + 0.012 * np.cos(grade)) + 0.5 * 1.225 * 3.0 * v**2 / 1500.0
    assert wanted - v == pytest.approx(pull / 0.8, rel=1e-6)
    integrating = DRAGGING.replace(**{"drive.speed_integral": 0.2})
    assert go(integrating, command(wanted), 120.0, wanted, grade)["speed"][-1] == pytest.approx(
        wanted, abs=1e-8
    )


def overshoot_of(car: Vehicle, wanted: float) -> float:
    """Largest speed above the one wanted, m/s, from rest on a level road."""
    return float(np.max(go(car, command(wanted), 60.0)["speed"])) - wanted


def test_the_integral_part_does_not_wind_up():
    """Held at the limit for long, the loop overshoots as if it were released there without an integral part.

    v̇ = a, T ȧ = k (w − v) + I − a, İ = k_i (w − v) from w − v = limit/k, a = limit, I = 0: linear from there on, and the
    same for every start. Integrating all the time instead overshoots many times as much.
    """
    k, integral, limit, lag, wanted = 0.8, 0.2, 2.0, 0.5, 20.0
    car = CAR.replace(
        **{
            "drive.speed_gain": k,
            "drive.speed_integral": integral,
            "drive.acceleration_limit": limit,
            "drive.deceleration_limit": limit,
            "drive.brake_lag": lag,
        }
    )

    def linear(_, q):
        return [q[1], (k * (wanted - q[0]) + q[2] - q[1]) / lag, integral * (wanted - q[0])]

    def winding(_, q):
        asked = np.clip(k * (wanted - q[0]) + q[2], -limit, limit)
        return [q[1], (asked - q[1]) / lag, integral * (wanted - q[0])]

    start = [wanted - limit / k, limit, 0.0]
    released = solve_ivp(linear, (0.0, 60.0), start, rtol=1e-9, atol=1e-9, max_step=0.01)
    wound = solve_ivp(winding, (0.0, 60.0), [0.0, 0.0, 0.0], rtol=1e-9, atol=1e-9, max_step=0.01)
    expected = np.max(released.y[0]) - wanted
    found = overshoot_of(car, wanted)
    # 0.47 m/s, a fifth of the 2.5 m/s at which the limit is left, whatever the speed wanted.
    assert found == pytest.approx(expected, rel=0.01)
    assert found < 0.5
    assert overshoot_of(car, 40.0) == pytest.approx(found, rel=0.01)
    assert np.max(wound.y[0]) - wanted > 5.0 * found


@pytest.mark.parametrize("grade", [0.0, TEN_PER_CENT])
def test_a_vehicle_that_stood_starts_as_the_first_time(grade):
    """The integral part is let go while it stands by command, so a restart has the speeds of the first start.

    On a level road the loop's gain creeps to rest, v̇ = −k v²/0.1, which leaves 1/(8 · 10) m/s after 10 s.
    """
    car = CAR.replace(**{"drive.speed_integral": 0.2})
    run = go(car, lambda t, _: command(2.0 if t < 12.0 or t >= 24.0 else 0.0), 36.0, 0.0, grade)
    first, again = (np.flatnonzero(run["time"] >= t)[0] for t in (0.0, 24.0))
    count = round(12.0 / STEP)
    assert abs(run["speed_integral"][again]) < 1e-12
    again, left = slice(again, again + count), 1e-9 if grade > 0.0 else 0.0125
    np.testing.assert_allclose(run["speed"][again], run["speed"][first : first + count], atol=left)


def with_noise(car: Vehicle, demand: np.ndarray) -> np.ndarray:
    """Which pedal is in charge after each demand (m/s², 20 ms each), given as the feed-forward of both."""
    bare = car.replace(**{"drive.speed_gain": 0.0})
    run = go(bare, lambda t, s: command(20.0, float(demand[int(t / 0.02 + 1e-6)])), 0.02 * demand.size, 20.0)
    return run["pedal"][4::4]


@pytest.mark.parametrize("band", [0.0, 0.1, 0.3])
def test_hand_over_is_a_relay_with_hysteresis(band):
    """The pedal in charge against a relay written out once more, and how often it changes in noise."""
    demand = np.random.default_rng(5).normal(0.0, 0.12, 600)
    found = with_noise(CAR.replace(**{"drive.hand_over": band}), demand)
    expected, charge = [], 0.0
    for value in demand:
        if value > (band if charge < 0.0 else 0.0):
            charge = 1.0
        elif value < (-band if charge > 0.0 else 0.0):
            charge = -1.0
        expected.append(charge)
    np.testing.assert_array_equal(found, expected)
    changes = np.count_nonzero(np.diff(found))
    # White noise changes its sign every other time; beyond ±2.5 σ it is once in 160, on the other side.
    least, most = {0.0: (260, 340), 0.1: (60, 140), 0.3: (0, 5)}[band]
    assert least <= changes <= most


def test_the_pedal_in_charge_gives_nothing_within_the_band():
    """A demand of the other's sign within the band is answered by neither, beyond it by the other."""
    plant = CAR.replace(**{"drive.hand_over": 0.3}).plant
    state = State(0.0, 0.0, 0.0, 9.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, pedal=1.0)
    assert demands(plant, state, command(9.0, -0.2)) == (0.0, 0.0)
    assert demands(plant, state, command(9.0, -0.4)) == (0.0, -0.4)
    assert demands(plant, state, command(9.0, 0.01)) == (0.01, 0.0)
    braking = state._replace(pedal=-1.0)
    assert demands(plant, braking, command(9.0, 0.2)) == (0.0, 0.0)
    assert demands(plant, braking, command(9.0, -0.01)) == (0.0, -0.01)
    assert demands(plant, state._replace(pedal=0.0), command(9.0, -0.01)) == (0.0, -0.01)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("grade", [TEN_PER_CENT, -TEN_PER_CENT])
@pytest.mark.parametrize("inputs", [command(0.0), pedals(0.0, -1.0)], ids=["loop", "brake"])
def test_a_vehicle_told_to_stand_stands_on_a_grade(inputs, grade, model):
    """Half a minute on 10 %, by its own loop or by a brake of 1.0 against a pull of 0.98 m/s²: not a micrometre."""
    tyres = {"cornering_stiffness_front": 80e3, "cornering_stiffness_rear": 90e3}
    body = {"wheelbase": 2.8, "mass": 1500.0, "front_axle_distance": 1.3, "model": model}
    car = Vehicle.model_validate({"body": body, "tyres": tyres})
    run = go(car, inputs, 30.0, 0.0, grade, brake_acceleration=inputs.brake_feed_forward)
    assert np.max(np.abs(run["x"])) < 1e-6
    assert np.max(np.abs(run["speed"])) < 1e-9


def test_a_brake_too_weak_lets_the_vehicle_roll():
    """Dry friction: what the pull is more than the brake accelerates it, g sin γ − B."""
    weak = CAR.replace(**{"drive.deceleration_limit": 0.5})
    for inputs in (command(0.0), pedals(0.0, -0.5)):
        run = go(weak, inputs, 4.0, 0.0, TEN_PER_CENT, brake_acceleration=-0.5)
        late = run["time"] > 3.0
        slope = np.diff(run["speed"][late]) / STEP
        np.testing.assert_allclose(slope, 0.5 - GRAVITY * np.sin(TEN_PER_CENT), rtol=1e-6)


@pytest.mark.parametrize("grade", [TEN_PER_CENT, -TEN_PER_CENT])
def test_a_moving_vehicle_told_to_stand_comes_to_rest_on_a_grade(grade):
    """The loop's gain alone would roll on downhill at pull/k = 1.2 m/s; it stops and stays."""
    run = go(CAR, command(0.0), 20.0, 3.0, grade)
    assert np.min(run["speed"]) > -1e-15
    assert run["speed"][-1] < 1e-9
    assert run["x"][-1] < 3.0


def test_a_start_uphill_begins_when_the_drive_exceeds_the_grade():
    """The hold gives way at −T ln(1 − pull/demand) after the command, without rolling back."""
    run = go(CAR, command(2.0), 4.0, 0.0, TEN_PER_CENT)
    begin = -0.5 * np.log(1.0 - GRAVITY * np.sin(TEN_PER_CENT) / (0.8 * 2.0))
    moving = run["speed"] > 1e-9
    assert np.min(run["x"]) > -1e-9
    assert np.min(run["speed"]) > -1e-9
    # The rate of leaving is (d − pull)/0.1 m/s at first, so it is seen a step or two later.
    assert begin - STEP <= run["time"][np.argmax(moving)] <= begin + 2.0 * STEP
    assert run["speed"][-1] > 0.5


def test_rolling_back_is_braked_before_the_drive_acts():
    """Found rolling back at 0.5 m/s in forward gear on a grade, it is stopped, held and then driven off."""
    run = go(CAR, command(2.0), 8.0, -0.5, TEN_PER_CENT)
    backwards = run["speed"] < -0.1
    assert np.max(run["drive_acceleration"][backwards]) == 0.0
    assert run["speed"][-1] > 0.7
    assert np.min(run["x"]) > -(0.5**2) / (2.0 * 0.97) - 0.05


@pytest.mark.parametrize("grade", [0.0, 0.06])
def test_reverse_is_the_mirror_of_forward(grade):
    """Backwards up the same slope, with an integral part, jerk limits and hand-over, every sign turned."""
    car = CAR.replace(
        **{
            "drive.speed_integral": 0.2,
            "drive.jerk_limit": 2.0,
            "drive.brake_jerk_limit": 5.0,
            "drive.hand_over": 0.1,
        }
    )

    def course(sign: float):
        return lambda t, _: command(sign * (3.0 if t < 8.0 else 0.0), sign * (0.5 if t < 2.0 else 0.0))

    forward, back = go(car, course(1.0), 14.0, 0.0, grade), go(car, course(-1.0), 14.0, 0.0, -grade)
    # At zero command and below 0.1 m/s what is left of the drive pushes forwards: the end differs, by 0.2 mm.
    end = round(8.0 / STEP) + int(np.argmax(forward["speed"][round(8.0 / STEP) :] < 0.1))
    for name, sign in (("x", -1.0), ("speed", -1.0), ("speed_integral", -1.0), ("drive_acceleration", 1.0),
                       ("brake_acceleration", 1.0), ("pedal", 1.0)):  # fmt: skip
        np.testing.assert_allclose(back[name][:end], sign * forward[name][:end], atol=1e-9)
    np.testing.assert_allclose(back["x"], -forward["x"], atol=2e-4)
    assert np.max(forward["speed"]) > 2.5
    assert end < forward["speed"].size - 100


@pytest.mark.parametrize("integral", [0.0, 0.2])
def test_a_change_of_direction_brakes_to_rest_first(integral):
    """Told to go backwards at 8 m/s, it brakes at the limit of the loop, and only then drives backwards."""
    car = CAR.replace(**{"drive.speed_integral": integral})
    run = go(car, command(-2.0), 20.0, 8.0)
    forwards = run["speed"] > 0.1
    assert np.max(run["drive_acceleration"][forwards]) == 0.0
    assert np.min(run["brake_acceleration"][forwards]) == pytest.approx(-4.0, abs=0.01)
    assert np.all(np.diff(run["speed"])[forwards[:-1]] < 0.0)
    # A lag, then 4 m/s² down to 3 m/s; below, the loop asks for k (v + 2), at least 1.6 m/s².
    stop = 8.0 * 0.2 + (8.0**2 - 3.0**2) / (2.0 * 4.0)
    assert stop - 0.2 < np.max(run["x"]) < stop + 3.0**2 / (2.0 * 1.6)
    assert run["speed"][-1] == pytest.approx(-2.0, abs=0.01)
    # Brake, drive, and the brake where the loop overshoots: by 2 % with the gain alone, ζ = 1/(2 √(0.8 · 0.5)).
    assert np.count_nonzero(np.diff(run["pedal"])) <= (3 if integral == 0.0 else 6)


def test_gear_is_the_sign_of_the_command_or_of_the_motion():
    """Both signs, and a zero command in and out of motion."""
    cases = {(2.0, -1.0): 1.0, (-2.0, 1.0): -1.0, (0.0, 3.0): 1.0, (0.0, -3.0): -1.0, (0.0, 0.0): 1.0}
    for (asked, speed), direction in cases.items():
        assert gear(asked, speed) == direction


@pytest.mark.parametrize("speed", [0.099, 0.02, -0.05])
@pytest.mark.parametrize("rolling", [0.0, 0.2])
def test_the_hardest_coming_to_rest_is_followed_without_a_change_of_sign(speed, rolling):
    """Beyond what any tyre holds, with the road pulling too, a step of 5 ms still comes to rest and stays."""
    hard = CAR.replace(
        **{
            "drive.deceleration_limit": 50.0,
            "drive.brake_gain": 5.0,
            "tyres.friction": 3.0,
            "tyres.rolling_resistance": rolling,
        }
    )
    for grade in (0.0, 0.5, -0.5):
        run = go(hard, pedals(0.0, -50.0), 1.0, speed, grade, brake_acceleration=-250.0)
        assert np.all(np.abs(run["speed"]) <= abs(speed))
        assert abs(run["speed"][-1]) < 1e-9


def test_no_pole_of_the_by_wire_layer_is_too_fast_for_the_step():
    """Where the equations are smooth, every damped mode at the bounds of the tables is damped by RK4 at 5 ms too."""
    rng = np.random.default_rng(3)
    choices = {
        "steering.natural_frequency": (0.5, 100.0),
        "steering.damping": (0.1, 0.75, 2.0),
        "steering.rate_limit": (0.1, 100.0),
        "steering.angular_acceleration_limit": (0.1, 5.0, 1e4),
        "steering.dead_band": (0.0, 0.1),
        "drive.lag": (0.01, 20.0),
        "drive.brake_lag": (0.01, 20.0),
        "drive.speed_gain": (0.0, 50.0),
        "drive.speed_integral": (0.0, 20.0),
        "drive.acceleration_limit": (2.0, 50.0),
        "drive.deceleration_limit": (4.0, 50.0),
        "drive.drive_gain": (1.0, 5.0),
        "drive.brake_gain": (1.0, 5.0),
        "tyres.rolling_resistance": (0.0, 0.2),
    }
    fastest, seen = 0.0, 0
    for _ in range(400):
        values = {name: float(rng.choice(some)) for name, some in choices.items()}
        if rng.random() < 0.3:
            values["steering.lag"] = float(rng.choice([0.002, 0.02, 5.0]))
        car = CAR.replace(**{**values, "tyres.friction": 3.0})
        poles = smooth_poles(car, rng)
        damped = poles[np.real(poles) < 0.0] * STEP
        growth = np.abs(1.0 + damped + damped**2 / 2.0 + damped**3 / 6.0 + damped**4 / 24.0)
        assert np.all(growth < 1.0), values
        fastest = max(fastest, float(np.max(np.abs(damped), initial=0.0)) / STEP)
        seen += poles.size > 0
    assert seen > 100
    # A standing vehicle under 26 m/s² of brake: (26 to 52)/0.1 and rolling resistance.
    assert 260.0 < fastest < 545.0


def smooth_poles(car: Vehicle, rng: np.random.Generator) -> np.ndarray:
    """Eigenvalues (1/s) of the by-wire layer and speed in a random state; none where a kink is near."""
    names = (
        "speed", "steering_angle", "steering_rate", "drive_acceleration", "brake_acceleration",
        "speed_integral",
    )  # fmt: skip
    plant = car.plant
    speed = float(rng.choice([1e-3, 0.03, 0.08, 0.5, 5.0]) * rng.choice([-1.0, 1.0]))
    brake, drive = -rng.uniform(0.0, 50.0, 1)[0], rng.uniform(0.0, 10.0)
    at = np.array(
        [speed, rng.uniform(-0.59, 0.59), 0.9 * plant.rate_limit, drive, brake, rng.uniform(-1.0, 1.0)]
    )
    asked = float(rng.choice([-2.0, 0.0, 3.0, speed + 0.01]))
    inputs = Inputs(float(rng.uniform(-0.5, 0.5)), asked, 0.0, asked, 0.0, float(rng.integers(0, 2)))
    around = Surroundings(1.0, float(rng.choice([0.0, 0.5, -0.5])))

    def slope(values: np.ndarray) -> np.ndarray:
        state = State(*(0.0,) * 10)._replace(**dict(zip(names, map(float, values), strict=True)))
        return np.array([getattr(derivative(car.model_code, plant, state, inputs, around), n) for n in names])

    here, change = slope(at), 1e-7
    right = np.array([(slope(at + change * unit) - here) / change for unit in np.eye(len(names))]).T
    left = np.array([(here - slope(at - change * unit)) / change for unit in np.eye(len(names))]).T
    if np.any(np.abs(right - left) > 1e-3 * (1.0 + np.abs(right) + np.abs(left))):
        return np.array([])
    return np.asarray(np.linalg.eigvals(right), dtype=complex)
