"""Our vehicle models and tracker against the multi-body model of `commonroad-vehicle-models` (BSD-3).

`pytest -s tests/tuning/test_vehicle_reference_multi_body.py` prints the figures of every case as tables. How
its cars become vehicles of this bench, without a value fitted to their motion, is in `reference_vehicles`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

pytest.importorskip("vehiclemodels", reason="commonroad-vehicle-models is not installed")

import reference_multi_body as multi_body
from reference_closed_loop import drive_both
from reference_vehicles import CARS, camber_by_roll, parameters, vehicle

import tracker
import tracks

PEAK = 4.0  # m/s², greatest lateral acceleration of the comparison with MB
BEYOND = 6.0  # m/s², where the linear model is no longer right
# Columns of the table: model, and whether the effective stiffness of an axle has the camber by roll in it.
# The last is what MB's file says to the full, and what is held to the limit.
COLUMNS = {
    "linear": ("single-track", False),
    "brush": ("single-track-brush", False),
    "with camber": ("single-track-brush", True),
}
# The goal is 5 %. What is reached is 2.3 % at worst, and 4.4 % for a sine of 1 Hz, where roll and so camber
# come late.
LIMITS = {"step left": 0.03, "step right": 0.03, "sine": 0.03, "quick sine": 0.05}
CASES = [
    *(
        (car, speed, kind, PEAK)
        for car in CARS
        for speed in (5.0, 10.0, 15.0, 20.0)
        for kind in ("step left", "sine")
    ),
    *((1, speed, "step right", PEAK) for speed in (5.0, 20.0)),
    *((car, 20.0, "quick sine", PEAK) for car in CARS),
    *((car, speed, "step left", BEYOND) for car in CARS for speed in (10.0, 20.0)),
]


@pytest.fixture(scope="module")
def heading():
    """Print the head of the table before its first line."""
    print(
        f"\n{'car':>3} {'m/s':>4} {'steering':<10} {'rad':>6} {'m/s²':>5} {'roll':>5}"
        f"  RMS % of yaw rate: {', '.join(COLUMNS)}"
    )


@pytest.mark.parametrize(("car", "speed", "kind", "wanted"), CASES)
def test_multi_body_yaw_rate(car, speed, kind, wanted, heading):
    """Yaw rate within 5 % RMS of MB for 4 m/s², and for 6, every parameter from its file."""
    ours = [vehicle(car, model, camber) for model, camber in COLUMNS.values()]
    angle = multi_body.amplitude(ours[-1], kind, speed, wanted)
    runs = [multi_body.drive_ours(v, speed, multi_body.steering(kind, angle)) for v in ours]
    theirs = multi_body.drive_reference(parameters(car), speed, runs[-1]["angle"])
    errors = [multi_body.difference(run["yaw_rate"], theirs["yaw_rate"]) for run in runs]
    peak = float(np.max(np.abs(theirs["lateral_acceleration"])))
    roll = math.degrees(float(np.max(np.abs(theirs["roll"]))))
    figures = "".join(f"{100.0 * error:7.2f}" for error in errors)
    print(f"{car:3d} {speed:4.0f} {kind:<10} {angle:6.4f} {peak:5.2f} {roll:5.2f} {figures}")
    # Both drove what was meant: the angle, at the speed, and near the acceleration asked.
    assert theirs["angle"] == pytest.approx(runs[-1]["angle"], abs=1e-9)
    assert theirs["speed"] == pytest.approx(speed, rel=0.02)
    assert runs[-1]["speed"] == pytest.approx(speed, rel=0.02)
    assert peak == pytest.approx(wanted, rel=0.1)
    assert errors[-1] < LIMITS[kind]


@pytest.mark.parametrize("car", CARS)
def test_steady_turn_has_the_roll_and_the_understeer_derived(car):
    """What is derived from MB's springs and tyres is what MB does in a steady turn of 2 m/s² at 20 m/s."""
    ours, p, speed = vehicle(car, "single-track-brush"), parameters(car), 20.0
    targets = multi_body.steering("step left", multi_body.amplitude(ours, "step left", speed, 2.0))
    predicted = multi_body.drive_ours(ours, speed, targets)
    theirs = multi_body.drive_reference(p, speed, predicted["angle"])
    still = slice(-100, None)
    rolled = abs(float(np.mean(theirs["roll"][still])))
    gradient, _, _ = camber_by_roll(p)
    # Derived for small angles and for springs alone: 5 %.
    assert rolled == pytest.approx(gradient * float(np.mean(theirs["lateral_acceleration"][still])), rel=0.05)
    # Its camber force jumps as a wheel crosses the upright, which is left out here.
    assert float(np.mean(predicted["yaw_rate"][still])) == pytest.approx(
        float(np.mean(theirs["yaw_rate"][still])), rel=0.01
    )


def test_multi_body_step_is_fine_enough():
    """A quarter of MB's integration step changes its yaw rate by less than a thousandth."""
    for speed in (5.0, 20.0):
        car = vehicle(1)
        targets = multi_body.steering("step left", multi_body.amplitude(car, "step left", speed, PEAK))
        angles = multi_body.drive_ours(car, speed, targets)["angle"][:400]
        coarse = multi_body.drive_reference(parameters(1), speed, angles)
        fine = multi_body.drive_reference(parameters(1), speed, angles, fine=multi_body.FINE / 4.0)
        assert multi_body.difference(coarse["yaw_rate"], fine["yaw_rate"]) < 1e-3


# Laws of the closed loop. What is predicted is within 25 % of what happens on MB. Laws fed with the path's curvature leave
# errors of millimetres, while MB rocks by 1 to 2 mm on a straight; for them there are bounds in metres on RMS and
# largest. On 4.5 m/s² brush tyres are softer than MB's magic formula of the same slope and friction, and more
# is predicted.
LAWS = {
    "pure pursuit": (tracker.PurePursuit(lookahead_time=1.0, feed_forward=False), None),
    "pure pursuit, fed": (tracker.PurePursuit(lookahead_time=1.0), (0.010, 0.025)),
    "Stanley, paper": (tracker.Stanley(feed_forward=False), None),
    "MPC": (tracker.MPC(), None),
    "Stanley": (tracker.Stanley(), (0.005, 0.025)),
}
QUARTER = 0.25


@pytest.fixture(scope="module")
def closed_loop_heading():
    """Print the head of the table before its first line."""
    print("\ncar  m/s law              m/s²   RMS predicted, on MB (mm)   largest predicted, on MB (mm)")


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("car", "speed"), [(1, 7.0), (1, 11.0), (2, 11.0), (3, 11.0)])
def test_multi_body_closed_loop(car, speed, law, closed_loop_heading):
    """What the bench predicts of a tracker on the double lane change happens when it drives MB by wire."""
    ours = vehicle(car, "single-track-brush")
    track = tracks.double_lane_change(speed=speed, lateral_acceleration=6.0)
    settings, absolute = LAWS[law]
    envelope = tracker.Envelope(lateral_acceleration=6.0)
    predicted, driven = drive_both(settings, parameters(car), ours, track, track.sections[-1].end, envelope)
    print(
        f"{car:3d} {speed:4.0f} {law:<15} {np.max(np.abs(driven.lateral_acceleration)):6.2f}"
        f" {1e3 * predicted.rms:12.1f} {1e3 * driven.rms:6.1f}"
        f" {1e3 * predicted.largest:23.1f} {1e3 * driven.largest:6.1f}"
    )
    assert driven.stopped_because == predicted.stopped_because == tracker.StopReason.NONE
    assert np.max(np.abs(predicted.speed - speed)) < 0.05 * speed
    assert np.max(np.abs(driven.speed - speed)) < 0.05 * speed
    if absolute is None:
        assert predicted.rms == pytest.approx(driven.rms, rel=QUARTER)
        assert predicted.largest == pytest.approx(driven.largest, rel=QUARTER)
    else:
        assert abs(predicted.rms - driven.rms) < absolute[0]
        assert abs(predicted.largest - driven.largest) < absolute[1]
