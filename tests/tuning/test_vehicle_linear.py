"""Linearised lateral dynamics against values from outside the project."""

from __future__ import annotations

import numpy as np
import pytest

from tracks.errors import InputError
from tuning.vehicle import Vehicle, understeer_gradient
from tuning.vehicle.linear import characteristic_speed, lateral_system

# Example car of Rajamani, Vehicle Dynamics and Control, ch. 2 and 3, as quoted by others (secondary source):
# 80 000 N/rad a tyre, so 160 000 an axle.
EXAMPLE = {
    "body": {"wheelbase": 2.68, "mass": 1573.0, "yaw_inertia": 2873.0, "front_axle_distance": 1.1},
    "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
}


@pytest.fixture
def car():
    """The example car."""
    return Vehicle.model_validate(EXAMPLE)


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
    poles = lateral_system(car, speed).poles()
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
        system = lateral_system(car, speed)
        np.testing.assert_allclose(system.A, matrix, rtol=1e-12)
        np.testing.assert_allclose(system.B, [[c / m], [a * c / inertia]], rtol=1e-12)


@pytest.mark.parametrize("model", ["kinematic", "single-track"])
def test_steady_gain_is_that_of_the_understeer_gradient(car, model):
    """Every model answers a held angle with v/(L + K v²) and the lateral acceleration that goes with it."""
    gradient = car.plant.understeer_gradient
    vehicle = car.replace(**{"body.model": model, "tyres.understeer_gradient": gradient})
    # Half-way through the hand-over, at 2 m/s, the kinematic part knows no side-slip of the rear axle.
    for speed, tolerance in ((0.5, 1e-12), (2.0, 3e-4), (3.0, 1e-12), (10.0, 1e-12), (25.0, 1e-12)):
        gain = np.asarray(lateral_system(vehicle, speed).dcgain()).ravel()
        assert gain[0] == pytest.approx(speed / (2.68 + gradient * speed**2), rel=tolerance)
        assert gain[2] == pytest.approx(speed * gain[0], rel=1e-9)


def test_steering_adds_its_two_poles(car):
    """With the steering in, its second-order poles join those of the body, by named states."""
    system = lateral_system(car, 20.0, steering=True)
    assert system.state_labels == ["steering_angle", "steering_rate", "lateral_velocity", "yaw_rate"]
    assert system.input_labels == ["steering_target"]
    poles = system.poles()
    frequency, damping = car.steering.natural_frequency, car.steering.damping
    pair = frequency * complex(-damping, np.sqrt(1.0 - damping**2))
    for expected in (pair, *lateral_system(car, 20.0).poles()):
        assert np.min(np.abs(poles - expected)) < 1e-9


def test_oversteer_has_no_characteristic_speed():
    """A negative understeer gradient is refused in words.

    Parameter set published as Math. Probl. Eng. 2019/6087450, Tab. 1; read as axle values it oversteers, with a
    critical speed of 159 km/h (derived outside this project).
    """
    gradient = understeer_gradient(2000.0, 1.4, 1.4, 110e3, 95e3)
    assert np.sqrt(-2.8 / gradient) * 3.6 == pytest.approx(159.0, abs=0.5)
    with pytest.raises(InputError, match="only an understeering vehicle"):
        characteristic_speed(2.8, gradient)


def test_speed_below_zero_is_refused(car):
    """A linearisation asked for at a negative speed says so."""
    with pytest.raises(InputError, match="speed is -1 m/s"):
        lateral_system(car, -1.0)
