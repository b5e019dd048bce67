"""Values put into a drive are got back from it, within the intervals that are stated for them.

Whether a truth lies in a 95 % interval is a matter of chance; the seeds are fixed and three standard errors are allowed,
which one value in 370 exceeds.
"""

from __future__ import annotations

import numpy as np
import pytest
from identification_drives import (
    body_by_ivp,
    changing_speed,
    coloured,
    kinematic_yaw_rate,
    log_of,
    speed_finely,
    steering_exactly,
    steering_finely,
    weaving,
)

from tuning.identification import identify
from tuning.vehicle import Vehicle

TIME = np.arange(0.0, 120.0, 0.02)
SPEED = changing_speed(TIME, 3.0, 11.0)
TRUE = {
    "steering.dead_time": 0.137,  # not a multiple of the 0.02 s of the log, nor of the 5 ms of the simulation
    "steering.natural_frequency": 11.0,
    "steering.damping": 0.65,
    "steering.gain": 0.93,
    "steering.offset": 0.011,
    "tyres.understeer_gradient": 0.0035,
}
WHEELBASE = 2.9


def drive(seed: int, noise: float = 0.01, rho: float = 0.9, **changes):
    """A curvature-steered shuttle: (curvature command, road-wheel angle, yaw rate, noise of the yaw rate)."""
    true = {**TRUE, **changes}
    command = weaving(TIME, 0.06, seed)
    target = true["steering.gain"] * np.arctan(WHEELBASE * command) + true["steering.offset"]
    angle = steering_exactly(
        TIME, target, true["steering.dead_time"], true["steering.natural_frequency"], true["steering.damping"]
    )
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, true["tyres.understeer_gradient"])
    return command, angle, yaw, coloured(np.random.default_rng(seed), TIME.size, noise, rho)


def check(found, true, errors: float = 3.0):
    """Every true value lies within so many standard errors of the found one, and within the bounds of sense."""
    for name, value in true.items():
        row = found.parameters.loc[name]
        assert row["status"] == "found", name
        assert abs(row["value"] - value) < errors * row["standard_error"], (name, row["value"], value)
        assert row["low"] < row["value"] < row["high"]


@pytest.fixture(scope="module")
def curvature_steered():
    """Identified from a curvature command and a yaw rate with coloured noise, wheelbase known."""
    command, _, yaw, noise = drive(1)
    log = log_of("shuttle", time=TIME, curvature_command=command, speed=SPEED, yaw_rate=yaw + noise)
    return identify(log, known={"wheelbase": WHEELBASE}, name="shuttle")


def test_values_come_back_within_their_intervals_under_coloured_noise(curvature_steered):
    """Dead time, frequency, damping, gain, offset and understeer of a second-order steering."""
    check(curvature_steered, TRUE)
    assert curvature_steered.parameters.loc["steering.dead_time", "standard_error"] < 0.005
    lag = curvature_steered.parameters.loc["steering.lag"]
    assert lag["status"] == "derived"
    assert lag["low"] < 2.0 * 0.65 / 11.0 < lag["high"]


def test_what_was_held_out_is_predicted_to_the_noise(curvature_steered):
    """RMSE on held-out driving is the noise, 0.01 rad/s, to the 10 % that its colour allows; the words say which part."""
    yaw = curvature_steered.validation["yaw_rate"]
    assert yaw["rmse"] == pytest.approx(0.01, rel=0.1)
    assert yaw["fit_percent"] > 90.0
    assert "s of shuttle" in curvature_steered.held_out


def test_the_vehicle_carries_values_intervals_fit_and_assumptions(curvature_steered, tmp_path):
    """What is found stands in the vehicle, survives its file, and what is not found is listed as assumed."""
    vehicle, table = curvature_steered.vehicle, curvature_steered.parameters
    assert vehicle.steering.dead_time == table.loc["steering.dead_time", "value"]
    assert vehicle.body.wheelbase == WHEELBASE
    assert vehicle.provenance.source == "shuttle"
    assert vehicle.provenance.name == "shuttle"
    low, high = vehicle.provenance.intervals["steering.dead_time"]
    assert low < 0.137 < high
    assert vehicle.provenance.fit["yaw_rate_fit_percent"] > 90.0
    assert "steering.rate_limit" in vehicle.provenance.assumed
    assert "drive.lag" in vehicle.provenance.assumed
    assert "steering.damping" not in vehicle.provenance.assumed
    vehicle.save(tmp_path / "vehicle.toml")
    assert Vehicle.load(tmp_path / "vehicle.toml") == vehicle


def test_table_and_covariance_agree(curvature_steered):
    """Standard errors are the roots of the covariance's diagonal, and the printed table holds every value."""
    covariance, table = curvature_steered.covariance, curvature_steered.parameters
    np.testing.assert_allclose(covariance.to_numpy(), covariance.to_numpy().T, rtol=1e-9, atol=1e-15)
    for name in TRUE:
        assert np.sqrt(covariance.loc[name, name]) == pytest.approx(
            table.loc[name, "standard_error"], rel=1e-6
        )
    text = curvature_steered.table()
    for name in (*table.index, "95 % interval", "fit", "rate limit was not reached"):
        assert name in text


def test_the_same_seed_gives_the_same_vehicle(curvature_steered):
    """Identification is deterministic to the last bit."""
    command, _, yaw, noise = drive(1)
    log = log_of("shuttle", time=TIME, curvature_command=command, speed=SPEED, yaw_rate=yaw + noise)
    again = identify(log, known={"wheelbase": WHEELBASE}, name="shuttle")
    assert again.vehicle == curvature_steered.vehicle


def test_wheelbase_and_gain_come_from_a_measured_steering_angle():
    """With the road-wheel angle in the log, neither wheelbase nor gain need be known."""
    command, angle, yaw, noise = drive(2)
    rng = np.random.default_rng(3)
    log = log_of(
        "shuttle",
        time=TIME,
        curvature_command=command,
        speed=SPEED,
        yaw_rate=yaw + noise,
        steering_angle=angle + rng.normal(0.0, 0.002, TIME.size),
    )
    found = identify(log)
    check(found, {**TRUE, "body.wheelbase": WHEELBASE})
    assert found.vehicle.body.wheelbase == pytest.approx(WHEELBASE, rel=0.02)
    assert set(found.validation) == {"steering_angle", "yaw_rate"}


def test_heading_serves_as_yaw_rate():
    """A measured heading, wrapped as receivers give it, gives the same values as a gyro."""
    command, _, yaw, _ = drive(4)
    step = np.diff(TIME) * 0.5 * (yaw[1:] + yaw[:-1])
    heading = np.concatenate(([0.0], np.cumsum(step)))
    heading = np.angle(np.exp(1j * (heading + np.random.default_rng(4).normal(0.0, 5e-4, TIME.size))))
    log = log_of("shuttle", time=TIME, curvature_command=command, speed=SPEED, heading=heading)
    found = identify(log, known={"wheelbase": WHEELBASE})
    check(found, TRUE)
    assert any("from the measured heading" in text for text in found.findings)


def test_a_number_command_gets_a_static_map():
    """A saturating map from number to angle is found to the error that nine straight pieces leave."""
    number = weaving(TIME, 0.9, 5)
    true_map = lambda u: 0.4 * np.tanh(1.2 * u) + 0.01  # noqa: E731
    angle = steering_exactly(TIME, true_map(number), 0.137, 11.0, 0.65)
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, 0.0035)
    noise = coloured(np.random.default_rng(5), TIME.size, 0.01, 0.9)
    log = log_of("cart", time=TIME, steering_command=number, speed=SPEED, yaw_rate=yaw + noise)
    found = identify(log, known={"wheelbase": WHEELBASE})
    commands = np.array(found.vehicle.steering.map_command)
    angles = np.array(found.vehicle.steering.map_angle)
    assert found.vehicle.steering.interface == "number"
    # A chord over a knot spacing h misses a curve by up to h² |f″|/8; |f″| ≤ 0.4 × 1.44 × 0.77.
    chord = np.max(np.diff(commands)) ** 2 * 0.4 * 1.44 * 0.77 / 8.0
    np.testing.assert_allclose(angles, true_map(commands), atol=chord + 0.005)
    assert found.vehicle.steering_number(0.2) == pytest.approx(np.arctanh(0.19 / 0.4) / 1.2, abs=0.05)
    check(found, {"steering.dead_time": 0.137, "tyres.understeer_gradient": 0.0035})
    assert found.parameters.loc["steering.map_angle[4]", "unit"] == "rad"


def test_a_known_map_gives_the_wheelbase():
    """Where the map is known from elsewhere, the yaw rate shows the wheelbase."""
    number = weaving(TIME, 0.9, 6)
    commands = np.linspace(-1.5, 1.5, 61)
    angle = steering_exactly(
        TIME, np.interp(number, commands, 0.4 * np.tanh(1.2 * commands)), 0.137, 11.0, 0.65
    )
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, 0.0035)
    log = log_of(
        "cart",
        time=TIME,
        steering_command=number,
        speed=SPEED,
        yaw_rate=yaw + coloured(np.random.default_rng(6), TIME.size, 0.01, 0.5),
    )
    known = {"map_command": commands.tolist(), "map_angle": (0.4 * np.tanh(1.2 * commands)).tolist()}
    found = identify(log, known=known)
    check(found, {"body.wheelbase": WHEELBASE, "tyres.understeer_gradient": 0.0035})
    assert found.vehicle.steering.map_command == tuple(commands)


def test_an_angle_command_with_known_gain_gives_the_wheelbase():
    """A commanded road-wheel angle of gain 1 and the yaw rate show the wheelbase."""
    asked = weaving(TIME, 0.25, 7)
    angle = steering_exactly(TIME, asked + 0.011, 0.137, 11.0, 0.65)
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, 0.0035)
    log = log_of(
        "shuttle",
        "rad",
        time=TIME,
        steering_command=asked,
        speed=SPEED,
        yaw_rate=yaw + coloured(np.random.default_rng(7), TIME.size, 0.01, 0.5),
    )
    found = identify(log, known={"gain": 1.0})
    check(found, {"body.wheelbase": WHEELBASE, "steering.offset": 0.011})
    assert found.vehicle.steering.interface == "angle"


def test_a_first_order_steering_is_recognised():
    """A first-order lag is reported as one, with a tighter interval than a second order would have."""
    command = weaving(TIME, 0.06, 8)
    target = np.arctan(WHEELBASE * command)
    angle = steering_exactly(TIME, target, 0.05, 200.0, 20.0)  # poles −5 and −7995 1/s: a lag of 0.2 s
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, 0.002)
    log = log_of(
        "cart",
        time=TIME,
        curvature_command=command,
        speed=SPEED,
        yaw_rate=yaw + np.random.default_rng(8).normal(0.0, 0.01, TIME.size),
    )
    found = identify(log, known={"wheelbase": WHEELBASE})
    check(found, {"steering.lag": 0.2, "steering.dead_time": 0.05})
    assert found.vehicle.response.lag == found.vehicle.steering.lag


def test_a_rate_limit_that_is_reached_is_found():
    """A steering that saturates shows its rate limit; the unlimited values are still right."""
    vehicle = Vehicle.model_validate(
        {
            "body": {"wheelbase": WHEELBASE},
            "steering": {
                "dead_time": 0.137,
                "natural_frequency": 11.0,
                "damping": 0.65,
                "rate_limit": 0.35,
                "angle_limit": 0.9,
            },
        }
    )
    command = weaving(TIME, 0.1, 9)
    angle = steering_finely(vehicle, TIME, np.arctan(WHEELBASE * command))
    yaw = kinematic_yaw_rate(SPEED, angle, WHEELBASE, 0.0)
    log = log_of(
        "shuttle",
        time=TIME,
        curvature_command=command,
        speed=SPEED,
        yaw_rate=yaw + np.random.default_rng(9).normal(0.0, 0.01, TIME.size),
    )
    found = identify(log, known={"wheelbase": WHEELBASE, "understeer_gradient": 0.0})
    check(
        found, {"steering.rate_limit": 0.35, "steering.dead_time": 0.137, "steering.natural_frequency": 11.0}
    )
    assert "steering.rate_limit" not in found.vehicle.provenance.assumed


def test_axle_stiffnesses_are_found_and_kept_where_they_predict_better():
    """A single-track car at up to 25 m/s: both stiffnesses come back, and the model is chosen by held-out driving."""
    car = Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.68, "mass": 1573.0, "front_axle_distance": 1.1},
            "tyres": {"cornering_stiffness_front": 120e3, "cornering_stiffness_rear": 130e3},
        }
    )
    time = np.arange(0.0, 80.0, 0.02)
    speed = changing_speed(time, 8.0, 25.0)
    command = weaving(time, 0.012, 10)
    angle = steering_exactly(time, np.arctan(2.68 * command), 0.08, 15.0, 0.8)
    yaw, sideways = body_by_ivp(car, time, speed, angle)
    rng = np.random.default_rng(10)
    log = log_of(
        "car",
        time=time,
        curvature_command=command,
        speed=speed,
        yaw_rate=yaw + rng.normal(0.0, 0.005, time.size),
        lateral_acceleration=sideways + 0.3 + rng.normal(0.0, 0.1, time.size),
        steering_angle=angle + rng.normal(0.0, 0.001, time.size),
    )
    known = {"wheelbase": 2.68, "mass": 1573.0, "front_axle_distance": 1.1}
    found = identify(log, known=known)
    assert found.vehicle.model_name == "single-track"
    # The body was driven along straight lines between the samples' angles, which delays it by no more than 0.2 ms.
    check(found, {"tyres.cornering_stiffness_front": 120e3, "tyres.cornering_stiffness_rear": 130e3}, 4.0)
    assert found.vehicle.tyres.cornering_stiffness_rear == pytest.approx(130e3, rel=0.03)
    # The body was driven with the usual inertia, m a b.
    check(found, {"body.yaw_inertia": 1573.0 * 1.1 * 1.58, "sensors.lateral_acceleration_offset": 0.3}, 4.0)
    assert "body.yaw_inertia" not in found.vehicle.provenance.assumed
    plain = identify(log, known=known, model="kinematic")
    assert plain.vehicle.model_name == "kinematic"
    assert plain.validation["yaw_rate"]["rmse"] > found.validation["yaw_rate"]["rmse"]


def test_the_speed_loop_is_found_with_its_limits():
    """Dead times and lags of drive and brake, the loop's gain and both limits come back."""
    vehicle = Vehicle.model_validate(
        {
            "body": {"wheelbase": WHEELBASE},
            "drive": {
                "dead_time": 0.31,
                "lag": 0.45,
                "brake_dead_time": 0.12,
                "brake_lag": 0.25,
                "speed_gain": 0.9,
                "acceleration_limit": 1.3,
                "deceleration_limit": 2.2,
            },
        }
    )
    rng = np.random.default_rng(11)
    asked = np.repeat(rng.uniform(3.0, 10.0, 24), int(5.0 / 0.02))
    feed_forward = 0.3 * np.sin(0.9 * TIME)
    speed = speed_finely(vehicle, TIME, asked, feed_forward, asked[0])
    command, _, _, noise = drive(11)
    angle = steering_exactly(TIME, np.arctan(WHEELBASE * command), 0.1, 11.0, 0.65)
    log = log_of(
        "shuttle",
        time=TIME,
        curvature_command=command,
        speed=speed + rng.normal(0.0, 0.02, TIME.size),
        speed_command=asked,
        acceleration_command=feed_forward,
        yaw_rate=kinematic_yaw_rate(speed, angle, WHEELBASE, 0.0) + noise,
    )
    found = identify(log, known={"wheelbase": WHEELBASE, "understeer_gradient": 0.0})
    check(
        found,
        {
            "drive.dead_time": 0.31,
            "drive.lag": 0.45,
            "drive.brake_dead_time": 0.12,
            "drive.brake_lag": 0.25,
            "drive.speed_gain": 0.9,
            "drive.acceleration_limit": 1.3,
            "drive.deceleration_limit": 2.2,
        },
    )
    assert found.validation["speed"]["rmse"] == pytest.approx(0.02, rel=0.1)
    assert not any(name.startswith("drive.") for name in found.vehicle.provenance.assumed)
