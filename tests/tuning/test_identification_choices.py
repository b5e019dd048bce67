"""What the logs decide of the steering: how its rate limit acts, what is loose in it, and understeer without a mass."""

from __future__ import annotations

import numpy as np
import pytest
from identification_drives import (
    body_by_ivp,
    changing_speed,
    coloured,
    kinematic_yaw_rate,
    log_of,
    pieces,
    weaving,
)

from tuning.identification import identify
from tuning.vehicle import Vehicle

TIME = np.arange(0.0, 120.0, 0.02)
SPEED = changing_speed(TIME, 3.0, 11.0)
WHEELBASE, DEAD_TIME, FREQUENCY, DAMPING = 2.9, 0.137, 11.0, 0.75
FINE = 0.001  # s


def servo(target, limit=np.inf, hard=False, band=0.0, play=0.0):
    """Angles (rad) before and after the play, by small steps: a cascaded servo, its limit on the demand or, hard, on the rate."""
    angle, rate, wheel = float(target[0]), 0.0, float(target[0])
    angles, wheels = np.full(TIME.size, angle), np.full(TIME.size, wheel)
    for k, start, end, value in pieces(TIME, target, DEAD_TIME):
        count = max(int(np.ceil((end - start) / FINE)), 1)
        h = (end - start) / count
        for _ in range(count):
            error = value - angle
            error = np.sign(error) * max(abs(error) - band, 0.0)
            wanted = 0.5 * FREQUENCY / DAMPING * error
            wanted = wanted if hard else min(max(wanted, -limit), limit)
            rate += h * 2.0 * DAMPING * FREQUENCY * (wanted - rate)
            rate = min(max(rate, -limit), limit) if hard else rate
            angle += h * rate
            wheel = min(max(wheel, angle - play), angle + play)
        angles[k + 1], wheels[k + 1] = angle, wheel
    return angles, wheels


def log_by(angles, wheels, command, seed):
    """A log of a kinematic shuttle with that steering, its steering angle measured before the play."""
    rng = np.random.default_rng(seed)
    yaw = kinematic_yaw_rate(SPEED, wheels, WHEELBASE, 0.002)
    return log_of(
        "shuttle",
        time=TIME,
        curvature_command=command,
        speed=SPEED,
        steering_angle=angles + rng.normal(0.0, 3e-4, TIME.size),
        yaw_rate=yaw + coloured(rng, TIME.size, 0.002, 0.5),
    )


def within(found, true, errors=4.0):
    """Every true value lies within so many standard errors, the step of the reference's integration allowed for."""
    for name, (value, room) in true.items():
        row = found.parameters.loc[name]
        assert abs(row["value"] - value) < errors * row["standard_error"] + room, (name, row["value"], value)


@pytest.mark.parametrize("hard", [False, True], ids=["demand", "motion"])
def test_how_the_rate_limit_acts_is_told(hard):
    """Both forms are recognised where they are, with the dead time that the wrong one would miss by tens of milliseconds."""
    command = weaving(TIME, 0.1, 3)
    angles, wheels = servo(np.arctan(WHEELBASE * command), limit=0.4, hard=hard)
    found = identify(log_by(angles, wheels, command, 3), known={"wheelbase": WHEELBASE})
    assert found.vehicle.steering.rate_limited == ("motion" if hard else "demand")
    # Euler's steps of 1 ms advance the servo by half a step.
    within(found, {"steering.dead_time": (DEAD_TIME, 1.5e-3), "steering.rate_limit": (0.4, 2e-3)})
    assert any("bounds what its servo asks for" in text for text in found.findings) != hard


def test_what_is_loose_is_found_and_kept_out_of_the_dead_time():
    """A dead band of 2 mrad and a gap of 8 mrad under weaving of all sizes come back."""
    command = weaving(TIME, 0.03, 4) * (0.15 + 0.85 * (np.sin(0.1 * TIME) > 0.0))
    angles, wheels = servo(np.arctan(WHEELBASE * command), band=0.002, play=0.004)
    found = identify(log_by(angles, wheels, command, 4), known={"wheelbase": WHEELBASE})
    within(
        found,
        {
            "steering.dead_time": (DEAD_TIME, 1.5e-3),
            "steering.dead_band": (0.002, 1e-4),
            "steering.backlash": (0.008, 4e-4),
        },
    )
    assert found.vehicle.steering.backlash == found.parameters.loc["steering.backlash", "value"]


def test_a_tight_steering_has_nothing_loose():
    """Without dead band and play neither is found, and no rate limit that was not reached."""
    command = weaving(TIME, 0.03, 5)
    angles, wheels = servo(np.arctan(WHEELBASE * command))
    found = identify(log_by(angles, wheels, command, 5), known={"wheelbase": WHEELBASE})
    assert not {"steering.dead_band", "steering.backlash", "steering.rate_limit"} & set(
        found.covariance.index
    )


def test_understeer_of_a_body_of_unknown_mass():
    """A single-track car in quick driving, its mass not told: its gradient within 3 %, and with an interval that holds it, where a kinematic fit is off."""
    car = Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.7, "mass": 1500.0, "front_axle_distance": 1.2, "yaw_inertia": 2500.0},
            "tyres": {"cornering_stiffness_front": 45e3, "cornering_stiffness_rear": 52e3},
        }
    )
    time = np.arange(0.0, 80.0, 0.02)
    speed = changing_speed(time, 6.0, 20.0)
    command = weaving(time, 0.012, 6)
    delayed = np.interp(time - 0.1, time, np.arctan(2.7 * command))
    yaw, _ = body_by_ivp(car, time, speed, delayed)
    rng = np.random.default_rng(6)
    log = log_of(
        "car",
        time=time,
        curvature_command=command,
        speed=speed,
        yaw_rate=yaw + rng.normal(0.0, 0.001, time.size),
    )
    true = 1500.0 * (
        1.5 / (45e3 * 2.7) - 1.2 / (52e3 * 2.7)
    )  # m b/(C_f L) − m a/(C_r L), Rajamani, from memory
    found = identify(log, known={"wheelbase": 2.7})
    assert found.vehicle.model_name == "kinematic"
    assert found.vehicle.body.mass is None
    assert found.vehicle.tyres.understeer_gradient == pytest.approx(true, rel=0.03)
    assert any("single-track body of unknown mass" in text for text in found.findings)
    plain = identify(log, known={"wheelbase": 2.7}, model="kinematic")
    assert abs(plain.vehicle.tyres.understeer_gradient / true - 1.0) > 0.08


def test_a_prior_moves_what_the_logs_hardly_tell():
    """A wheelbase that is nearly known stays near; one that the logs contradict is said; draws follow the interval."""
    command = weaving(TIME, 0.06, 7)
    angles, wheels = servo(np.arctan(WHEELBASE * command))
    log = log_by(angles, wheels, command, 7)
    near = identify(log, prior={"wheelbase": (2.9, 0.01)})
    row = near.parameters.loc["body.wheelbase"]
    assert row["standard_error"] < 0.0105
    assert abs(row["value"] - 2.9) < 3.0 * row["standard_error"]
    lengths = [vehicle.body.wheelbase for vehicle in near.draws(200, seed=1)]
    assert np.std(lengths) == pytest.approx(row["standard_error"], rel=0.2)
    wrong = identify(log, prior={"wheelbase": (4.0, 0.01)})
    assert any("contradict what was known" in text and "wheelbase" in text for text in wrong.findings)
