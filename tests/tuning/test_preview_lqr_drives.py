"""The preview law in closed loop: lane changes, an offset, a dead time, a steering that pulls."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from shuttle_drives import TYRES, VEHICLES, check_plain_loop, in_the_arc

import tracker
import tracks
import tuning

with_vehicles = pytest.mark.parametrize("vehicle", VEHICLES.values(), ids=VEHICLES)


@with_vehicles
def test_double_lane_change(vehicle):
    """ISO 3888-1 at 7 m/s within 5 cm by the default gains, to the end and without a limit in the way."""
    run = tuning.simulate(tracker.PreviewLQR(), vehicle, tracks.double_lane_change(speed=7.0))
    assert run.outcome == tuning.Outcome.FINISHED
    assert np.abs(run.lateral_error).max() < 0.05


@with_vehicles
def test_offset_straight(vehicle):
    """From 1 m beside a straight the vehicle comes back with hardly an overshoot and stays."""
    track = tracks.offset_straight()
    run = tuning.simulate(tracker.PreviewLQR(), vehicle, track)
    error = run.lateral_error * np.sign(run.lateral_error[0])
    assert abs(error[0]) == pytest.approx(1.0, rel=1e-6)
    assert error.min() > -0.05
    assert abs(error[-1]) < 1e-3


@with_vehicles
def test_dead_time_is_made_good(vehicle):
    """With 0.2 s of dead time at 15 m/s through a slalom compensation leaves at most 60 % of the error without it."""
    late = vehicle.replace(**{"steering.dead_time": 0.2})
    track = tracks.slalom(speed=15.0)
    rms = [
        float(
            np.sqrt(
                np.mean(
                    tuning.simulate(tracker.PreviewLQR(), late, track, compensate_dead_time=on).lateral_error
                    ** 2
                )
            )
        )
        for on in (True, False)
    ]
    assert rms[0] < 0.6 * rms[1]


def test_integral_works_off_what_nobody_told():
    """A steering offset that the response does not know leaves an error, and with an integral none after a while."""
    believed = TYRES.response.model_copy(update={"offset": -0.004})
    path = tracks.Path.from_segments([tracks.Straight(300.0)])
    track = tracks.Track("straight", path, np.full(path.s.size, 7.0))
    left, none = (
        tuning.simulate(tracker.PreviewLQR(integral_rate=rate), TYRES, track, response=believed).lateral_error
        for rate in (0.0, 0.4)
    )
    middle = slice(left.size // 2, left.size * 3 // 4)
    assert np.abs(left[middle]).min() > 0.02
    assert np.abs(none[middle]).max() < 0.1 * np.abs(left[middle]).max()


def test_compiled_and_plain_loop_agree(monkeypatch):
    """A whole drive in compiled code and the same source in plain Python agree to 1e-9 in every recording."""
    check_plain_loop(tracker.PreviewLQR(integral_rate=0.2), TYRES, 3.0, monkeypatch)


def test_backwards():
    """Backing up through a bend of 30 m along the same law leaves no steady error of a vehicle that rolls."""
    forward = tracks.constant_radius(radius=30.0, speed=2.0)
    track = dataclasses.replace(forward, reverse=True)
    run = tuning.simulate(tracker.PreviewLQR(), VEHICLES["kinematic"], track)
    assert run.outcome == tuning.Outcome.FINISHED
    assert run.speed.min() < -1.9
    assert np.abs(run.lateral_error[in_the_arc(run, track)]).max() < 1e-3
    assert np.abs(run.lateral_error).max() < 0.02
