"""Linearised lateral dynamics against values from outside the project."""

from __future__ import annotations

import numpy as np
import pytest
from vehicle_drives import EXAMPLE, drive, moves, straight, with_model

from tracks.errors import InputError
from tuning.vehicle import MODELS, State, Surroundings, Vehicle, understeer_gradient
from tuning.vehicle.linear import characteristic_speed, linearise
from tuning.vehicle.steady import steady_turn

# Math. Probl. Eng. 2019/6087450, Tab. 1, read as axle values.
OVERSTEERING = Vehicle.model_validate(
    {
        "body": {"wheelbase": 2.8, "mass": 2000.0, "yaw_inertia": 3500.0, "front_axle_distance": 1.4},
        "tyres": {"cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 95e3},
        "drive": {"speed_gain": 0.0},
    }
)


@pytest.fixture
def car():
    """The example car, whose source is named in `vehicle_drives`."""
    return EXAMPLE


def test_understeer_of_the_example_car(car):
    """Understeer gradient and characteristic speed follow from the stiffnesses.

    Derived from K = m b/(C_f L) − m a/(C_r L) and √(L/K), worked out by hand outside this project.
    """
    gradient = car.plant.understeer_gradient
    assert gradient == pytest.approx(0.00176082, abs=5e-9)
    assert np.degrees(gradient) * 9.81 == pytest.approx(0.98971, abs=5e-6)
    assert characteristic_speed(2.68, gradient) * 3.6 == pytest.approx(140.447, abs=5e-4)
    assert understeer_gradient(1573.0, 1.1, 1.58, 160e3, 160e3) == gradient
    assert car.response.understeer_gradient == gradient


@pytest.mark.parametrize(
    ("speed", "pole"),
    [
        (10.0, complex(-20.4923, 3.6957)),
        (20.0, complex(-10.2461, 4.8439)),
        (30.0, complex(-6.8308, 5.0278)),
        (40.0, complex(-5.1231, 5.0906)),
    ],
)
def test_poles_of_the_example_car(car, speed, pole):
    """The lateral poles are those of the textbook's state matrix.

    Derived from the cited formula with python-control and numpy outside this project; four decimals given.
    """
    poles = linearise(car, speed).poles()
    for expected in (pole, pole.conjugate()):
        assert np.min(np.abs(poles - expected)) < 1e-4


def test_poles_to_rounding_against_the_textbook_matrix(car):
    """Tracing the simulated equations gives the textbook's matrix entry by entry."""
    m, inertia, a, b, c = 1573.0, 2873.0, 1.1, 1.58, 160e3
    for speed in (5.0, 20.0, 35.0):
        matrix = np.array(
            [
                [-2 * c / (m * speed), -speed - c * (a - b) / (m * speed)],
                [-c * (a - b) / (inertia * speed), -c * (a * a + b * b) / (inertia * speed)],
            ]
        )
        system = linearise(car, speed)
        np.testing.assert_allclose(system.A, matrix, rtol=1e-12)
        np.testing.assert_allclose(system.B, [[c / m], [a * c / inertia]], rtol=1e-12)


@pytest.mark.parametrize("model", sorted(MODELS))
def test_steady_gain_is_that_of_the_understeer_gradient(car, model):
    """Every model answers a held angle with v/(L + K v²) and the lateral acceleration that goes with it."""
    gradient = car.plant.understeer_gradient
    vehicle = with_model(car, model)
    # Half-way through the hand-over, at 2 m/s, the kinematic part knows no side-slip of the rear axle, and draws the slip
    # of brush tyres to 0.
    for speed, tolerance in ((0.5, 1e-12), (2.0, 1e-3), (3.0, 1e-12), (10.0, 1e-12), (25.0, 1e-12)):
        gain = np.asarray(linearise(vehicle, speed).dcgain()).ravel()
        assert gain[0] == pytest.approx(speed / (2.68 + gradient * speed**2), rel=tolerance)
        assert gain[2] == pytest.approx(speed * gain[0], rel=1e-9)


def test_steering_adds_its_two_poles(car):
    """With the steering in, its second-order poles join those of the body, by named states."""
    system = linearise(car, 20.0, steering=True)
    assert system.state_labels == ["steering_angle", "steering_rate", "lateral_velocity", "yaw_rate"]
    assert system.input_labels == ["steering_target"]
    poles = system.poles()
    frequency, damping = car.steering.natural_frequency, car.steering.damping
    pair = frequency * complex(-damping, np.sqrt(1.0 - damping**2))
    for expected in (pair, *linearise(car, 20.0).poles()):
        assert np.min(np.abs(poles - expected)) < 1e-9


def test_steady_curve_of_the_example_car(car):
    """On a radius of 1000 m at 30 m/s the car needs L/R + K V²/R and points 0.0020517 rad into the curve.

    e2ss = −l_r/R + l_f m V²/(C_r R L), the steady heading error at the centre of gravity, and the feed-forward:
    Rajamani, ch. 3 (from memory), worked out with numpy outside this project.
    """
    radius, speed = 1000.0, 30.0
    yaw_rate, rear_velocity, _ = np.asarray(linearise(car, speed).dcgain()).ravel()
    angle = speed / radius / yaw_rate
    assert angle == pytest.approx(2.68 / radius + 0.00176082 * speed**2 / radius, rel=1e-6)
    at_centre = rear_velocity * angle + 1.58 * speed / radius
    assert -at_centre / speed == pytest.approx(0.0020517, abs=5e-8)
    # The steady turn itself has tangents in place of angles: their squares are 4e-6 and 2e-5.
    turn = steady_turn(car.model_code, car.plant, speed, 1.0 / radius)
    assert -turn.lateral_velocity / speed == pytest.approx(0.0020517, abs=1e-7)
    assert turn.steering_angle == pytest.approx(angle, rel=2e-5)


@pytest.mark.parametrize("model", sorted(MODELS))
def test_matrices_are_the_slopes_of_the_simulated_equations(car, model):
    """In a turn on a banked hill in side wind, A and D are differences of what the body does, to their error."""
    around = Surroundings(0.9, 0.03, -0.02, 5.0)
    vehicle = with_model(car, model).replace(
        **{
            "body.centre_height": 0.5,
            "body.side_area": 2.0,
            "body.drag_area": 0.8,
            "steering.compliance": 1e-6,
        }
    )
    for speed, curvature in ((10.0, 0.03), (25.0, -0.005), (2.0, 0.1), (-6.0, 0.02)):
        system = linearise(vehicle, speed, curvature, around, longitudinal=True)
        point = steady_turn(vehicle.model_code, vehicle.plant, speed, curvature, around)
        fields = {"lateral_velocity": "lateral_dot", "yaw_rate": "yaw_dot", "speed": "speed_dot"}
        fields |= {"slip_front": "slip_front_dot", "slip_rear": "slip_rear_dot"}
        rows = [fields[name] for name in system.state_labels]

        def difference(name, vehicle=vehicle, point=point, around=around, rows=rows):
            ends = []
            for step in (1e-6, -1e-6):
                there = moves(vehicle, point._replace(**{name: getattr(point, name) + step}), around)
                ends.append(np.array([getattr(there, row) for row in rows] + [there.yaw_rate]))
            return (ends[0] - ends[1]) / 2e-6

        found = np.vstack([system.A, system.C[:1]])
        expected = np.column_stack([difference(name) for name in system.state_labels])
        # Rounding of 100 m/s² over steps of 1e-6: 1e-8.
        np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)
        found = np.append(system.B[:, 0], system.D[0, 0])
        np.testing.assert_allclose(found, difference("steering_angle"), rtol=1e-6, atol=1e-6)


def test_brush_tyres_join_the_textbook_matrix_without_relaxation(car):
    """With a very short relaxation length at 10 m/s the slow poles are those of linear axles."""
    vehicle = with_model(car, "single-track-brush").replace(**{"tyres.relaxation_length": 0.001})
    poles = np.sort_complex(linearise(vehicle, 10.0).poles())
    assert poles.size == 4
    # The relaxation stays at 5 ms of travel, a pole at −200 1/s: a tenth of the others' speed, hence 15 %.
    slow = poles[np.argsort(np.abs(poles))[:2]]
    for expected in (complex(-20.4923, 3.6957), complex(-20.4923, -3.6957)):
        assert np.min(np.abs(slow - expected)) < 0.15 * abs(expected)


def test_speed_and_thrust(car):
    """Straight ahead the speed's pole is that of air drag, −ρ C A v/m, by hand; thrust drives it with gain 1."""
    vehicle = car.replace(**{"body.drag_area": 0.8})
    system = linearise(vehicle, 30.0, longitudinal=True)
    assert system.state_labels[-1] == system.output_labels[-1] == "speed"
    assert system.input_labels == ["steering_angle", "thrust"]
    # ρ = 1.225 kg/m³: ISO 2533, sea level.
    assert system.A[2, 2] == pytest.approx(-1.225 * 0.8 * 30.0 / 1573.0, rel=1e-12)
    assert system.B[2, 1] == 1.0


def test_first_order_steering_has_one_pole(car):
    """A steering of first order brings the pole −1/T, in the linear form of the equation that is simulated."""
    for model in MODELS:
        system = linearise(with_model(car.replace(**{"steering.lag": 0.2}), model), 20.0, steering=True)
        assert system.state_labels[0] == "steering_angle"
        assert "steering_rate" not in system.state_labels
        assert np.min(np.abs(system.poles() + 5.0)) < 1e-9


def test_what_is_not_linear_is_left_out(car):
    """Play, dead band, steps and stops would each take the steering's answer away at the point of operation."""
    rough = car.replace(
        **{"steering.backlash": 0.02, "steering.dead_band": 0.01, "steering.resolution": 0.01}
        | {"steering.angle_limit": 0.05, "steering.angular_acceleration_limit": 1.0}
    )
    smooth = linearise(car, 10.0, 0.05, steering=True)
    np.testing.assert_array_equal(linearise(rough, 10.0, 0.05, steering=True).A, smooth.A)


def test_critical_speed_of_an_oversteering_car():
    """A published parameter set, read as axle values, oversteers with a critical speed of 159 km/h.

    Math. Probl. Eng. 2019/6087450, Tab. 1; √(−L/K) worked out outside this project. A negative understeer gradient
    has no characteristic speed, which is said in words.
    """
    gradient = understeer_gradient(2000.0, 1.4, 1.4, 110e3, 95e3)
    assert np.sqrt(-2.8 / gradient) * 3.6 == pytest.approx(159.0, abs=0.5)
    with pytest.raises(InputError, match="only an understeering vehicle"):
        characteristic_speed(2.8, gradient)


@pytest.mark.parametrize("model", ["single-track", "single-track-brush"])
def test_simulation_is_stable_below_the_critical_speed_and_diverges_above(model):
    """A small disturbance dies out at 157 km/h and grows at 161 km/h, as fast as the linear model's slowest pole says.

    The critical speed of 159 km/h is that of `test_critical_speed_of_an_oversteering_car`.
    """
    vehicle = with_model(OVERSTEERING, model)
    for speed, grows in ((157.0 / 3.6, False), (161.0 / 3.6, True)):
        slowest = float(np.max(linearise(vehicle, speed).poles().real))
        assert (slowest > 0.0) is grows
        # After 4 s only the slowest part of a disturbance is left.
        first = drive(vehicle, straight(speed)._replace(yaw_rate=1e-6), 0.0, 4.0, hold=True)
        later = drive(vehicle, first, 0.0, 4.0, hold=True)
        assert (abs(later.yaw_rate) > abs(first.yaw_rate)) is grows
        assert np.log(later.yaw_rate / first.yaw_rate) / 4.0 == pytest.approx(slowest, rel=1e-3)


@pytest.mark.parametrize("model", sorted(MODELS))
def test_impossible_turns_are_refused(car, model):
    """A turn beyond the grip says so, and so does a speed that is no number; linear axles know no grip."""
    vehicle = with_model(car, model)
    with pytest.raises(InputError, match="speed is nan m/s"):
        linearise(vehicle, np.nan)
    if model != "single-track-brush":
        return
    with pytest.raises(InputError, match=r"up to 0\.02\d+ 1/m"):
        linearise(vehicle, 20.0, 0.05)
    with pytest.raises(InputError, match="a turn that the grip allows"):
        linearise(vehicle, 20.0, 0.0, Surroundings(friction=0.0, bank=0.05))


def test_steady_turn_has_no_more_than_it_needs(car):
    """A state of a steady turn is a plain `State` at the origin, with drive or brake but not both."""
    vehicle = with_model(car, "single-track-brush").replace(**{"body.drag_area": 0.8})
    for grade, drives in ((0.05, True), (-0.05, False)):
        turn = steady_turn(vehicle.model_code, vehicle.plant, 10.0, 0.02, Surroundings(grade=grade))
        assert isinstance(turn, State)
        assert (turn.x, turn.y, turn.steering_rate) == (0.0, 0.0, 0.0)
        assert (turn.drive_acceleration > 0.0, turn.brake_acceleration < 0.0) == (drives, not drives)
