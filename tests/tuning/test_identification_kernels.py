"""The compiled simulation along a drive and the descent, each against an exact answer."""

from __future__ import annotations

import numpy as np
import pytest
from identification_drives import changing_speed, kinematic_yaw_rate, steering_exactly, weaving
from scipy.optimize import least_squares

from tuning.identification.descent import descend
from tuning.identification.kernels import CODES, Drives, commanded_angles, steering_answer
from tuning.identification.quality import agreement
from tuning.vehicle import MODELS, Vehicle


def drives_of(time, speed) -> Drives:
    """One recording for the kernels."""
    return Drives(time, np.zeros(time.size, dtype=np.int64), speed)


def plant(frequency: float, damping: float):
    """A linear kinematic vehicle without limits."""
    return Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.8},
            "tyres": {"understeer_gradient": 0.003},
            "steering": {
                "natural_frequency": frequency,
                "damping": damping,
                "rate_limit": 100.0,
                "angle_limit": 1.4,
            },
        }
    ).plant


def answer_of(p, dead_time, drives, target, body=False):
    """The compiled answer to a held target."""
    return steering_answer(MODELS["kinematic"], p, dead_time, drives, target, np.zeros(target.size), body)


@pytest.mark.parametrize("dead_time", [0.0, 0.02, 0.0137, 0.137, 0.4999])
def test_the_answer_to_a_held_command_is_exact_for_any_dead_time(dead_time):
    """Against the matrix exponential with the command switched to the exact moment, to the error of RK4.

    After a jump of 0.13 rad, over a time of 1/(ζω) or 20 steps, the local errors (ωh)⁵/120 with ωh = 0.07 add up to
    20 × 1.4e-8 × 0.13 = 3.6e-8 rad.
    """
    time = np.arange(0.0, 30.0, 0.02)
    speed = changing_speed(time, 2.0, 12.0)
    target = weaving(time, 0.2, 3)
    exact = steering_exactly(time, target, dead_time, 14.0, 0.7)
    p = plant(14.0, 0.7)
    found = answer_of(p, dead_time, drives_of(time, speed), target)
    np.testing.assert_allclose(found[0], exact, rtol=0.0, atol=4e-8)
    np.testing.assert_allclose(found[2], kinematic_yaw_rate(speed, found[0], 2.8, 0.003), rtol=1e-12)


def test_the_answer_is_smooth_in_the_dead_time():
    """Differences over a dead time that crosses a sample and a step agree from both sides, so it can be fitted."""
    time = np.arange(0.0, 20.0, 0.02)
    drives, target, p = drives_of(time, np.full(time.size, 8.0)), weaving(time, 0.2, 3), plant(14.0, 0.7)
    for dead_time in (0.1, 0.105, 0.1137):
        before, at, after = (answer_of(p, dead_time + d, drives, target)[0] for d in (-1e-5, 0.0, 1e-5))
        left, right = (at - before) / 1e-5, (after - at) / 1e-5
        # A step more or less changes the error of RK4, 4e-8 rad at most, which the difference divides by 1e-5 s; a
        # staircase would jump by whole slopes.
        assert np.max(np.abs(left - right)) < 2.0 * 4e-8 / 1e-5
        assert np.max(np.abs(left)) > 0.3


def test_heading_is_the_integral_of_the_yaw_rate():
    """Along a straight command, heading grows with the exact yaw rate; with the body integrated it is the same."""
    time = np.arange(0.0, 5.0, 0.05)
    target = np.full(time.size, 0.1)
    drives, p = drives_of(time, np.full(time.size, 5.0)), plant(14.0, 0.7)
    for body in (False, True):
        found = answer_of(p, 0.1, drives, target, body)
        yaw = 5.0 * np.tan(0.1) / (2.8 + 0.003 * 25.0)
        np.testing.assert_allclose(found[3], yaw * time, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(found[4], 5.0 * yaw, rtol=1e-12)


def test_recordings_do_not_touch_each_other():
    """Two recordings in one call give what each gives alone."""
    time = np.arange(0.0, 4.0, 0.02)
    p = plant(14.0, 0.7)
    speed = changing_speed(time, 2.0, 8.0)
    targets = [weaving(time, 0.2, seed) for seed in (1, 2)]
    alone = [answer_of(p, 0.13, drives_of(time, speed), target) for target in targets]
    first = np.repeat(np.array([0, time.size]), time.size)
    both = Drives(
        np.concatenate([time, time]),
        first,
        np.concatenate([speed, speed]),
    )
    together = answer_of(p, 0.13, both, np.concatenate(targets))
    np.testing.assert_array_equal(together, np.concatenate(alone, axis=1))


def test_every_interface_asks_for_the_same_angle():
    """A curvature, its angle and the number that maps to that angle give one target, rad."""
    p = plant(14.0, 0.7)._replace(gain=0.9, offset=0.01)
    curvature = np.linspace(-0.1, 0.1, 21)
    angle = np.arctan(2.8 * curvature)
    commands, angles = np.array([-2.0, 2.0]), np.array([-0.5, 0.5])
    expected = 0.9 * angle + 0.01
    for interface, command in (("curvature", curvature), ("angle", angle), ("number", 4.0 * angle)):
        found = commanded_angles(p, CODES[interface], command, commands, angles)
        np.testing.assert_allclose(found, expected, rtol=1e-13, atol=1e-16)


def test_the_descent_ends_where_scipy_ends():
    """On Rosenbrock's valley, free and with a bound across it, against scipy.optimize.least_squares."""

    def valley(z):
        return np.array([10.0 * (z[1] - z[0] ** 2), 1.0 - z[0]])

    def slope(z):
        return np.array([[-20.0 * z[0], 10.0], [-1.0, 0.0]])

    start = np.array([-1.2, 0.2])
    for high in ([2.0, 2.0], [0.5, 2.0], [2.0, 0.3]):
        low = np.array([-2.0, -1.0])
        cost, z = descend(valley, slope, start, low, np.array(high), 100)
        theirs = least_squares(valley, start, slope, bounds=(low, high), xtol=1e-12, ftol=1e-12, gtol=1e-12)
        np.testing.assert_allclose(z, theirs.x, atol=1e-4)
        assert cost <= theirs.cost * (1.0 + 1e-4) + 1e-12


def test_agreement_is_as_defined():
    """Perfect, mean and doubled signals have fits of 100, 0 and below 0 %."""
    y = np.sin(np.linspace(0.0, 6.0, 50))
    assert agreement(y, y)["fit_percent"] == 100.0
    assert agreement(y, np.full(50, y.mean()))["fit_percent"] == pytest.approx(0.0, abs=1e-12)
    half = agreement(y, 0.5 * (y + y.mean()))
    assert half["fit_percent"] == pytest.approx(50.0)
    assert half["r_squared"] == pytest.approx(0.75)
    assert half["rmse"] == pytest.approx(0.5 * np.std(y))
    assert agreement(np.ones(5), np.ones(5))["fit_percent"] == 100.0
    assert agreement(np.ones(5), np.zeros(5))["fit_percent"] == 0.0
