"""The frequency response from readings, against scipy's spectra, known systems and the statistics of its scatter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import tuning
from tracks.errors import InputError
from tuning.identification.closed_form import curvature_response, steering_response
from tuning.identification.even import even_pieces
from tuning.identification.frequency_response import frequency_response
from tuning.identification.traces import held_mean
from tuning.vehicle.linear import linearise

STEP = 0.01  # s
NATURAL, DAMPING, DEAD_TIME = 9.0, 0.7, 0.15  # rad/s, -, s: of a by-wire steering
ROUNDING = 1e-9


def coloured(rng, n, pole=0.95):
    """Noise of unit variance through one pole."""
    noise = rng.standard_normal(n + 500)
    return signal.lfilter([np.sqrt(1.0 - pole**2)], [1.0, -pole], noise)[500:]


def steered(u):
    """A second-order steering with dead time, exact for a command held over each step."""
    system = ([NATURAL**2], [1.0, 2.0 * DAMPING * NATURAL, NATURAL**2])
    numerator, denominator, _ = signal.cont2discrete(system, STEP, "zoh")
    late = round(DEAD_TIME / STEP)
    return np.concatenate((np.zeros(late), signal.lfilter(numerator.ravel(), denominator, u)[:-late]))


def exact(frequency):
    """The same by scipy.signal.freqresp, times the dead time, times a hold of one step."""
    w = 2.0 * np.pi * frequency
    system = signal.TransferFunction([NATURAL**2], [1.0, 2.0 * DAMPING * NATURAL, NATURAL**2])
    hold = np.sinc(frequency * STEP) * np.exp(-0.5j * w * STEP)
    return signal.freqresp(system, w)[1] * np.exp(-1j * w * DEAD_TIME) * hold


def test_spectra_are_those_of_scipy():
    """Response and coherence of a single piece equal scipy.signal's csd, welch and coherence with the same windows."""
    rng = np.random.default_rng(1)
    u = coloured(rng, 6000)
    y = steered(u) + 0.3 * rng.standard_normal(u.size)
    frequency = np.array([0.5, 1.25, 4.0])  # windows of 10, 4 and 4 s: whole numbers of steps
    found = frequency_response(STEP * np.arange(u.size), u, y, frequency=frequency, delay=0.0)
    for i, (f, seconds) in enumerate(zip(frequency, (10.0, 4.0, 4.0), strict=True)):
        settings = {
            "fs": 1.0 / STEP,
            "window": "hann",
            "nperseg": round(seconds / STEP),
            "detrend": "constant",
        }
        at = round(f * seconds)
        expected = signal.csd(u, y, **settings)[1][at] / signal.welch(u, **settings)[1][at]
        assert found.response[i] == pytest.approx(expected, rel=ROUNDING)
        assert found.coherence[i] == pytest.approx(signal.coherence(u, y, **settings)[1][at], rel=ROUNDING)


def test_a_known_steering_is_found():
    """Second order with dead time, ten minutes without noise, against scipy.signal.freqresp.

    Within 1 % and 0.6 deg up to 1 Hz, where the answer is moved by about its delay, and within 4 % and 2.5 deg up to 10 Hz, where
    the delay differs from that by up to 0.16 s: a window of 4 s then loses up to 4 % (0.16/4).
    """
    rng = np.random.default_rng(0)
    u = coloured(rng, 60_000)
    found = frequency_response(STEP * np.arange(u.size), u, steered(u))
    off = found.response / exact(found.frequency)
    slow = found.frequency <= 1.0
    assert found.frequency[0] < 0.05
    assert found.frequency[-1] == pytest.approx(10.0)
    assert np.all(np.abs(np.abs(off[slow]) - 1.0) < 0.01)
    assert np.all(np.abs(np.degrees(np.angle(off[slow]))) < 0.6)
    assert np.all(np.abs(np.abs(off) - 1.0) < 0.04)
    assert np.all(np.abs(np.degrees(np.angle(off))) < 2.5)
    unwrapped = np.unwrap(np.angle(exact(found.frequency)))
    np.testing.assert_allclose(found.phase, unwrapped, atol=np.radians(2.5))


@pytest.mark.parametrize("ratio", [0.5, 3.0, 20.0])
def test_coherence_is_that_of_the_noise(ratio):
    """White command, white noise at a ratio of powers: γ² = ratio/(1 + ratio) (Bendat & Piersol, from memory).

    Within four standard errors of it, √2 (1 - γ²) γ/√n (the same source).
    """
    rng = np.random.default_rng(2)
    u = rng.standard_normal(100_000)
    y = np.sqrt(ratio) * u + rng.standard_normal(u.size)
    found = frequency_response(STEP * np.arange(u.size), u, y)
    expected = ratio / (1.0 + ratio)
    spread = np.sqrt(2.0 * expected / found.averages) * (1.0 - expected)
    many = found.averages > 100.0
    assert np.count_nonzero(many) > 10
    assert np.all(np.abs(found.coherence - expected)[many] < 4.0 * spread[many])


def test_stated_errors_are_those_of_repetition():
    """Over 200 seeds gain and phase scatter by the stated relative error, at coherences from 0.6 to 0.9, within 20 %.

    And 95 % intervals (1.96 of them) hold the truth in 92 to 98 % of cases; the response is 1.
    """
    ratio, frequency = 4.0, np.array([0.5, 1.0, 2.0, 4.0])
    gains, phases, errors = [], [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        u = rng.standard_normal(6000)
        y = u + rng.standard_normal(u.size) / np.sqrt(ratio)
        found = frequency_response(STEP * np.arange(u.size), u, y, frequency=frequency, delay=0.0)
        gains.append(found.gain)
        phases.append(found.phase)
        errors.append(found.error)
    error = np.array(errors)
    for scatter in (np.array(gains) - 1.0, np.array(phases)):
        np.testing.assert_allclose(scatter.std(axis=0), np.sqrt(np.mean(error**2, axis=0)), rtol=0.2)
        held = np.mean(np.abs(scatter) < 1.96 * error)
        assert 0.92 < held < 0.98


def test_too_few_averages_say_nothing():
    """One window has coherence 1 with anything (Bendat & Piersol); five reach 0.6 by chance in fewer than 5 % of cases."""
    high = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        u, y = rng.standard_normal((2, 1400))
        time = STEP * np.arange(u.size)
        found = frequency_response(time, u, y, frequency=np.array([0.4, 1.25]), delay=0.0)
        assert found.averages[0] < 2.0
        assert not found.usable[0]
        high += found.coherence[1] >= 0.6
    assert 5.0 <= found.averages[1] < 6.0
    assert high < 0.05 * 200
    u, y = np.random.default_rng(3).standard_normal((2, 450))
    alone = frequency_response(STEP * np.arange(450), u, y, frequency=np.array([1.25]), delay=0.0)
    assert alone.coherence[0] == pytest.approx(1.0)
    assert not alone.usable[0]
    assert alone.band is None
    assert frequency_response(STEP * np.arange(450), u, y).frequency.size == 0


def test_recordings_are_never_joined():
    """Two recordings give the same as their spectra added up, whichever way they are told apart: by group or by a gap."""
    rng = np.random.default_rng(4)
    u = np.concatenate((coloured(rng, 3000), 5.0 + coloured(rng, 3000)))
    y = np.concatenate((steered(u[:3000]), steered(u[3000:])))
    time = STEP * np.arange(6000)
    gap = time + np.where(np.arange(6000) >= 3000, 1.0, 0.0)
    frequency = np.array([0.5, 2.0])
    group = np.repeat([0, 7], 3000)
    first = frequency_response(time, u, y, group, frequency=frequency, delay=0.3)
    second = frequency_response(gap, u, y, frequency=frequency, delay=0.3)
    across = frequency_response(time, u, y, frequency=frequency, delay=0.3)
    np.testing.assert_allclose(first.response, second.response, rtol=ROUNDING)
    assert np.all(np.abs(first.response / exact(frequency) - 1.0) < 0.05)
    assert np.all(across.averages > first.averages)


def test_jitter_costs_little():
    """Readings at moments up to a fifth of a step early or late, put on an even clock: within 1.5 % and 1 deg up to 2 Hz."""
    rng = np.random.default_rng(5)
    n = 60_000
    time = STEP * np.arange(n)
    u = coloured(rng, n, 0.99)
    y = steered(u)
    uneven = time + STEP * rng.uniform(-0.2, 0.2, n)
    frequency = np.array([0.1, 0.3, 1.0, 2.0])
    even = frequency_response(time, u, y, frequency=frequency)
    found = frequency_response(
        uneven, np.interp(uneven, time, u), np.interp(uneven, time, y), frequency=frequency, delay=even.delay
    )
    off = found.response / even.response
    assert np.all(np.abs(np.abs(off) - 1.0) < 0.015)
    assert np.all(np.abs(np.degrees(np.angle(off))) < 1.0)


def test_means_over_steps_keep_the_mean_and_stop_fast_motion():
    """With a longer step each value is the mean over it: exact for a straight line; a sine of that period vanishes."""
    time = STEP * np.arange(1001)
    step, (piece,) = even_pieces(time, [3.0 * time, np.sin(2.0 * np.pi * time / 0.1)], step=0.1)
    assert step == 0.1
    np.testing.assert_allclose(piece[0], 3.0 * (0.05 + 0.1 * np.arange(100)), atol=ROUNDING)
    np.testing.assert_allclose(piece[1], 0.0, atol=1e-9)


def test_the_mean_of_a_held_command():
    """Over a window, each value weighs as long as it is held; windows end with their recording."""
    time = np.array([0.0, 1.0, 2.0, 3.0, 0.0, 1.0, 2.0])
    values = np.array([0.0, 4.0, 0.0, 0.0, 9.0, 9.0, 9.0])
    first = np.array([0, 0, 0, 0, 4, 4, 4])
    means = held_mean(time, values, first, np.array([1, 2, 3, 5]), 1.0)
    np.testing.assert_allclose(means, [2.0, 2.0, 0.0, 9.0], atol=ROUNDING)


def test_time_that_runs_back_is_refused():
    """Readings out of order are a user's mistake, said in a sentence."""
    with pytest.raises(InputError, match="follow each other in time"):
        frequency_response(np.array([0.0, 1.0, 0.5]), np.zeros(3), np.zeros(3))
    with pytest.raises(InputError, match="no finite number"):
        frequency_response(np.arange(3.0), np.array([0.0, np.nan, 1.0]), np.zeros(3))


@pytest.mark.parametrize("order", ["first", "second"])
def test_the_closed_form_is_that_of_the_equations(order):
    """Steering and body worked out by hand against scipy.signal.freqresp and the bench's own linearisation."""
    steering = {"dead_time": DEAD_TIME, "natural_frequency": NATURAL, "damping": DAMPING, "gain": 0.9}
    if order == "first":
        steering = {"dead_time": DEAD_TIME, "lag": 0.2, "gain": 0.9}
    vehicle = tuning.Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.68, "mass": 1573.0, "front_axle_distance": 1.1, "yaw_inertia": 2873.0},
            "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
            "steering": steering,
        }
    )
    frequency = np.array([0.0, 0.3, 1.0, 3.0])
    w = 2.0 * np.pi * frequency
    system = ([1.0], [0.2, 1.0])
    if order == "second":
        system = ([NATURAL**2], [1.0, 2.0 * DAMPING * NATURAL, NATURAL**2])
    expected = 0.9 * signal.freqresp(signal.TransferFunction(*system), w)[1] * np.exp(-1j * w * DEAD_TIME)
    np.testing.assert_allclose(steering_response(vehicle, frequency), expected, rtol=1e-12)
    whole = linearise(vehicle, 20.0, steering=True)
    a, b, c, d = (np.asarray(matrix) for matrix in (whole.A, whole.B, whole.C, whole.D))
    for f, value in zip(w, curvature_response(vehicle, frequency, 20.0), strict=True):
        turned = (c @ np.linalg.solve(1j * f * np.eye(a.shape[0]) - a, b) + d)[0, 0]
        assert value == pytest.approx(0.9 * np.exp(-1j * f * DEAD_TIME) * turned * 2.68 / 20.0, rel=1e-9)
    plain = vehicle.model_copy(update={"body": vehicle.body.model_copy(update={"model": "kinematic"})})
    k = plain.plant.understeer_gradient
    np.testing.assert_allclose(
        curvature_response(plain, frequency, 20.0), expected / (1.0 + k * 400.0 / 2.68), rtol=1e-12
    )
    # Understeer of these published values (Rajamani; derived): 0.00176082 rad/(m/s²).
    still = curvature_response(vehicle, np.array([0.0]), 20.0)[0]
    assert still == pytest.approx(0.9 / (1.0 + 0.00176082 * 400.0 / 2.68), rel=1e-5)
