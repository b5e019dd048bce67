"""What each law leaves beside the path in a steady turn: nothing with feed-forward, the known error without."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shuttle_drives import VEHICLES, in_the_arc

import tracker
import tracks
import tuning
from tracker.laws.preview_lqr_model import ASKED, HEADING, LATERAL, SIDEWAYS, STEERED, YAW_RATE
from tracker.laws.preview_lqr_table import FEEDBACK
from tracker.prediction import rear_slip
from tracker.schedule import gain_at, place_at

PERIOD = 0.02  # s
LENGTH = 3.4  # m, the shuttle's wheelbase
MOST = {"kinematic": 1e-3, "single-track": 3e-3}  # m

with_vehicles = pytest.mark.parametrize("name", VEHICLES)


def left_in(law: tracker.Law, name: str, track: tracks.Track) -> tuple[np.ndarray, float]:
    """Drive a constant-radius course: give the lateral errors in the settled part (m) and the speed there (m/s)."""
    run = tuning.simulate(law, VEHICLES[name], track)
    settled = in_the_arc(run, track)
    assert np.count_nonzero(settled) > 100
    return run.lateral_error[settled], float(run.speed[settled].mean())


@with_vehicles
@pytest.mark.parametrize("angle", [math.pi, -math.pi], ids=["left", "right"])
@pytest.mark.parametrize("kind", tracker.LAWS.values(), ids=tracker.LAWS)
def test_feed_forward_leaves_no_error(kind, angle, name):
    """At 7 m/s in a bend of 100 m no law leaves an error; what is left with tyres is the third order of their slip."""
    error, _ = left_in(kind(), name, tracks.constant_radius(radius=100.0, angle=angle))
    assert abs(error.mean()) < MOST[name]
    assert np.ptp(error) < MOST[name]


@with_vehicles
def test_pure_pursuit_needs_no_feed_forward(name):
    """From a point on a circle the circle through a point ahead on it, tangent to it, is that circle (geometry)."""
    law = tracker.PurePursuit(feed_forward=False)
    error, _ = left_in(law, name, tracks.constant_radius(radius=100.0, angle=1.5 * math.pi))
    assert abs(error.mean()) < MOST[name]


@pytest.mark.parametrize("radius", [40.0, 100.0])
def test_stanley_without_feed_forward_holds_the_front_axle(radius):
    """With the front axle on a circle the rear axle rolls inside it by R − √(R² − L²), some L²/2R (geometry)."""
    law = tracker.Stanley(feed_forward=False)
    error, _ = left_in(law, "kinematic", tracks.constant_radius(radius=radius))
    assert error.mean() == pytest.approx(radius - math.sqrt(radius**2 - LENGTH**2), rel=0.01)
    assert error.mean() == pytest.approx(LENGTH**2 / (2.0 * radius), rel=0.02)


@with_vehicles
def test_preview_lqr_without_feed_forward(name):
    """Where the command stands still, K_e e = −(K_ψ σ − K_v V σ + K_r V κ + K_δ κ + K_u κ): Rajamani ch. 3 (from memory).

    There as the error that a given set of gains leaves without feed-forward; here with the law's own gains and states.
    """
    law, bend = tracker.PreviewLQR(feed_forward=False), 1.0 / 200.0
    found, speed = left_in(law, name, tracks.constant_radius(radius=200.0))
    response = VEHICLES[name].response
    gains = law.gain_table(response, tracker.Envelope().values(response), PERIOD)
    place = place_at(gains, speed)
    k = [gain_at(gains, place, FEEDBACK + i) for i in range(7)]
    slip = rear_slip(response.values, speed, bend)
    push = (k[HEADING] - k[SIDEWAYS] * speed) * slip + (k[YAW_RATE] * speed + k[STEERED] + k[ASKED]) * bend
    expected = -push / k[LATERAL]
    assert expected < -0.1
    assert found == pytest.approx(np.full(found.size, expected), rel=0.005)
