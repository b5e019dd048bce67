"""Test signals against scipy and against what is published of them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid
from scipy.signal import chirp, periodogram

from tuning.excitation.manoeuvres import PERIOD, STEERING, Setting
from tuning.excitation.signals import (
    balanced,
    crest_factor,
    double_step,
    faded,
    linear_sweep,
    multisine,
    random_phases,
    schroeder_phases,
)

TIME = np.arange(0.0, 16.0, 0.02)


def test_the_sweep_is_that_of_scipy():
    """`scipy.signal.chirp`, linear, as a sine (phase −90°)."""
    ours = linear_sweep(TIME, 0.15, 1.6, 16.0)
    np.testing.assert_allclose(ours, chirp(TIME, 0.15, 16.0, 1.6, "linear", phi=-90.0), atol=1e-9)


@pytest.mark.parametrize("count", [8, 16, 31, 64])
def test_schroeder_phases_give_a_low_crest_factor_and_a_flat_spectrum(count):
    """Crest factors near 1.7 (S. Boyd, "Multitone signals with low crest factor", 1986: from memory) for any count.

    All cosines in phase have √(2K), random phases 2 and more.
    """
    time = np.arange(0.0, 10.0, 10.0 / (40 * count))
    frequencies = np.arange(1, count + 1) / 10.0
    signal = multisine(time, frequencies, schroeder_phases(count))
    assert np.max(np.abs(signal)) == pytest.approx(1.0)
    assert crest_factor(signal) < 1.85
    in_phase = multisine(time, frequencies, np.zeros(count))
    assert crest_factor(in_phase) == pytest.approx(np.sqrt(2.0 * count), rel=1e-9)
    drawn = [crest_factor(multisine(time, frequencies, random_phases(count, seed))) for seed in range(5)]
    assert crest_factor(signal) < min(drawn)
    frequency, power = periodogram(signal, 40 * count / 10.0, "boxcar", detrend=False)
    lines = power[1 : count + 1]
    np.testing.assert_allclose(lines, lines[0], rtol=1e-9)
    assert np.max(power[count + 1 :]) < 1e-12 * lines[0]
    assert frequency[count] == pytest.approx(frequencies[-1])


def test_schroeder_phases_are_those_of_the_formula():
    """For a flat spectrum the power up to line k is k/K, and φ_n = φ_1 − 2π Σ_{l<n} (n − l)/K (Schroeder 1970)."""
    count = 12
    exact = [-2.0 * np.pi * sum((n - line) / count for line in range(1, n)) for n in range(1, count + 1)]
    np.testing.assert_allclose(schroeder_phases(count), exact, atol=1e-9)


def test_random_phases_come_from_their_seed():
    """The same seed, the same signal."""
    np.testing.assert_array_equal(random_phases(5, 3), random_phases(5, 3))
    assert not np.array_equal(random_phases(5, 3), random_phases(5, 4))


def heading_and_place(time, curvature):
    """Heading (rad) and lateral place (m) at the end at 1 m/s, small angles, by scipy's cumulative trapezoids."""
    heading = cumulative_trapezoid(curvature, time, initial=0.0)
    return heading[-1], cumulative_trapezoid(heading, time, initial=0.0)[-1]


@pytest.mark.parametrize("level", [0.05, -0.12])
@pytest.mark.parametrize("hold", [0.5, 1.7])
def test_a_double_step_brings_the_vehicle_back(level, hold):
    """Heading and lateral place end at 0, ramps keep the rate, and the level is held as long as asked."""
    signal = double_step(level, hold, 0.1, 0.001)
    time = 0.001 * np.arange(signal.size)
    heading, place = heading_and_place(time, signal)
    # Corners fall between samples: half a sample of the level for heading, carried along for the whole signal.
    assert abs(heading) < abs(level) * 0.001
    assert abs(place) < abs(level) * 0.001 * time[-1]
    assert np.max(np.abs(np.diff(signal))) / 0.001 <= 0.1 * (1.0 + 1e-9)
    held = np.count_nonzero(np.abs(signal - level) < 1e-9) * 0.001
    assert held == pytest.approx(2.0 * hold, abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_balancing_brings_any_signal_back(seed):
    """Whatever is commanded, heading and lateral place end at 0, and the ends stay at 0."""
    rng = np.random.default_rng(seed)
    signal = faded(TIME, np.cumsum(rng.normal(size=TIME.size)) * 0.01, 1.0)
    after = balanced(TIME, signal)
    heading, place = heading_and_place(TIME, after)
    assert abs(heading) < 1e-9
    assert abs(place) < 1e-4 * np.ptp(after) * TIME[-1] ** 2
    assert abs(after[0]) < 1e-12
    assert abs(after[-1]) < 1e-12


@pytest.mark.parametrize("name", STEERING)
@pytest.mark.parametrize("seconds", [2.0, 4.0, 9.0, 30.0])
@pytest.mark.parametrize("amplitude", [0.01, 0.2])
def test_pieces_keep_amplitude_rate_and_length(name, seconds, amplitude):
    """Every piece of every manoeuvre fits the pass, the amplitude and the rate, and begins and ends at 0."""
    pieces = STEERING[name](Setting(seconds, amplitude, 0.15))
    if seconds >= 30.0:
        assert pieces
    for piece in pieces:
        assert piece.size * PERIOD <= seconds + 3.0 * PERIOD
        assert np.max(np.abs(piece)) <= amplitude * (1.0 + 1e-9)
        assert np.max(np.abs(np.diff(piece))) / PERIOD <= 0.15 * (1.0 + 1e-9)
        assert abs(piece[0]) < 1e-9
        assert abs(piece[-1]) < 0.15 * PERIOD


def test_a_sweep_that_does_not_fit_is_cut_into_passes():
    """16 s of sweep in passes of 6 s are three pieces, each quicker than the one before."""
    pieces = STEERING["sweep"](Setting(6.0, 0.05, 1.0))
    assert len(pieces) == 3
    crossings = [np.count_nonzero(np.diff(np.sign(piece)) != 0) for piece in pieces]
    assert crossings == sorted(crossings)
    assert crossings[-1] > 2 * crossings[0]
