"""What the localisation and the vehicle's sensors give, and that the same seed gives everybody the same."""

from __future__ import annotations

import sys

import numpy as np
import pytest

import tracker
import tracks
import tuning
from tuning.simulation.localisation import Localisation, fixes_of
from tuning.simulation.sensing import quantised

PERIOD = 0.02
STEPS = 50_000
VEHICLE = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 2.8, "mass": 1800.0, "front_axle_distance": 1.3},
        "tyres": {"cornering_stiffness_front": 120e3, "cornering_stiffness_rear": 130e3},
        "steering": {"dead_time": 0.1},
        "drive": {},
    }
)


def fixes(seed: int = 1, steps: int = STEPS, **settings):
    """Draw poses for a run at 50 Hz."""
    return fixes_of(Localisation(**settings), steps, PERIOD, seed)


def circle() -> tracks.Track:
    """A turn with an entry at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(40.0), tracks.Arc(150.0, 0.02)])
    return tracks.Track(name="circle", path=path, speed=np.full(path.s.shape, 8.0))


def test_a_perfect_localisation_is_now_and_exact():
    """Without settings the newest pose is of now and has no error."""
    found = fixes()
    np.testing.assert_array_equal(found.time, PERIOD * np.arange(STEPS))
    assert not found.noise.any()


def test_white_noise_has_the_deviation_asked_for_and_no_memory():
    """Standard deviation within 1 % and no correlation from one pose to the next (50 000 draws: 1/√(2n) = 0.3 %)."""
    noise = fixes(noise=0.05, heading_noise=0.01).noise
    np.testing.assert_allclose(noise.std(axis=0), [0.05, 0.05, 0.01], rtol=0.01)
    for column in noise.T:
        assert abs(np.corrcoef(column[1:], column[:-1])[0, 1]) < 0.02


def test_slow_errors_wander_as_a_gauss_markov_process():
    """Autocorrelation e^(−t/T) and a constant deviation, from the first pose on (first-order Gauss-Markov)."""
    many = np.array(
        [fixes(seed, steps=1000, wander=0.3, wander_time=5.0).noise[:, 0] for seed in range(1600)]
    )
    # 1600 runs: deviations to 1/√3200 = 1.8 %, correlations to 1/√1600 = 2.5 %, each three times over.
    np.testing.assert_allclose(many[:, [0, 250, 999]].std(axis=0), 0.3, rtol=0.054)
    for lag in (0.5, 2.0, 5.0):
        there = np.corrcoef(many[:, 400], many[:, 400 + round(lag / PERIOD)])[0, 1]
        assert there == pytest.approx(np.exp(-lag / 5.0), abs=0.075)


def test_rate_and_latency_set_the_age_of_a_pose():
    """At 10 Hz and 60 ms of latency a pose is between 60 and 160 ms old when it is used."""
    found = fixes(steps=500, period=0.1, latency=0.06)
    age = (PERIOD * np.arange(500) - found.time)[20:]
    assert age.min() == pytest.approx(0.06, abs=1e-9)
    assert age.max() == pytest.approx(0.14, abs=1e-9)  # the next one, due at 0.16, falls between two commands
    np.testing.assert_allclose(found.time / 0.1, np.rint(found.time / 0.1), atol=1e-9)


def test_dropouts_come_as_often_and_last_as_long_as_asked():
    """Six a minute of half a second: the mean share of time without new poses, and the longest age."""
    age = PERIOD * np.arange(STEPS) - fixes(dropouts=6.0, dropout_time=0.5).time
    old = age > 1e-9
    # 1000 s hold some 100 dropouts; those that overlap make one: 1 − e^(−0.1 × 0.5) of the time, to a tenth (1/√100).
    assert old.mean() == pytest.approx(1.0 - np.exp(-0.1 * 0.5), rel=0.3)
    begins = np.flatnonzero(old[1:] & ~old[:-1])
    lasts = np.array([np.argmin(old[b + 1 :]) for b in begins[:-1]]) * PERIOD
    assert np.median(lasts) == pytest.approx(0.5, abs=0.021)


def test_the_same_seed_gives_the_same_and_effects_do_not_disturb_each_other():
    """Prefixes agree, another seed differs, and white noise stays when wander or dropouts are switched on."""
    short, long = fixes(seed=5, steps=300, noise=0.1), fixes(seed=5, steps=900, noise=0.1)
    np.testing.assert_array_equal(short.noise, long.noise[:300])
    assert not np.array_equal(fixes(seed=6, steps=300, noise=0.1).noise, short.noise)
    both = fixes(seed=5, steps=300, noise=0.1, wander=0.2)
    slow = fixes(seed=5, steps=300, wander=0.2)
    np.testing.assert_allclose(both.noise, short.noise + slow.noise, rtol=0, atol=1e-15)
    dropped = fixes(seed=5, steps=300, noise=0.1, dropouts=20.0)
    fresh = dropped.time == short.time
    assert 0 < fresh.sum() < 300
    np.testing.assert_array_equal(dropped.noise[fresh], short.noise[fresh])


def test_every_law_meets_the_same_disturbances(monkeypatch):
    """Two laws and two vehicles: what was drawn for their runs is the same, to the last bit."""
    scenario = tuning.Scenario(localisation=Localisation(noise=0.05, wander=0.1), seed=9)
    other = VEHICLE.replace(**{"steering.dead_time": 0.2})
    drawn = []

    def spy(*settings):
        drawn.append(fixes_of(*settings))
        return drawn[-1]

    monkeypatch.setattr(sys.modules["tuning.simulation.simulate"], "fixes_of", spy)
    runs = [
        tuning.simulate(law, vehicle, circle(), scenario)
        for law, vehicle in ((tracker.PurePursuit(), VEHICLE), (tracker.MPC(), other))
    ]
    np.testing.assert_array_equal(drawn[0].noise, drawn[1].noise)
    np.testing.assert_array_equal(drawn[0].time, drawn[1].time)
    assert runs[0].outcome is runs[1].outcome is tuning.Outcome.FINISHED


def test_sensors_count_in_steps():
    """Half a step is the largest error, and a step of nothing changes nothing."""
    values = np.linspace(-3.0, 3.0, 1001)
    stepped = np.array([quantised(v, 0.13) for v in values])
    assert np.abs(stepped - values).max() <= 0.065 + 1e-12
    np.testing.assert_allclose(stepped / 0.13, np.rint(stepped / 0.13), atol=1e-9)
    assert [quantised(v, 0.0) for v in values] == list(values)


def test_coarse_sensors_are_felt_by_the_tracker():
    """Steps of 0.5 m/s and 2° change the commands, and the law still keeps the path."""
    coarse = VEHICLE.replace(**{"drive.speed_resolution": 0.5, "steering.feedback_resolution": 0.035})
    fine = tuning.simulate(tracker.Stanley(), VEHICLE, circle())
    run = tuning.simulate(tracker.Stanley(), coarse, circle())
    assert np.abs(run.command_curvature - fine.command_curvature[: run.time.size]).max() > 1e-5
    assert run.outcome is tuning.Outcome.FINISHED
    assert run.measures["lateral_error_max"] < 0.2


def test_a_told_age_is_made_up_for():
    """A pose 0.2 s old costs a lateral error where its age is hidden, hardly any where it is told."""
    late = {"latency": 0.2, "period": 0.1}
    errors = {}
    for stamped in (False, True):
        scenario = tuning.Scenario(localisation=Localisation(stamped=stamped, **late))
        run = tuning.simulate(tracker.Stanley(), VEHICLE, circle(), scenario)
        assert run.outcome is tuning.Outcome.FINISHED
        errors[stamped] = run.measures["lateral_error_max"]
    assert errors[True] < 0.3 * errors[False]
