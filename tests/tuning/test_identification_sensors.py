"""What a sensor shows of a motion, against exact signals."""

from __future__ import annotations

import numpy as np
import pytest

from tuning.identification.kernels import Drives
from tuning.identification.records import Recording
from tuning.identification.sensors import late, sensor_unknowns, slopes


def recording(time, first) -> Recording:
    """Recordings that hold nothing but a clock."""
    drives = Drives(time, first, np.ones(time.size))
    counts = np.ones(time.size, dtype=bool)
    return Recording(drives, np.zeros(time.size), np.zeros(time.size, dtype=np.int64), counts, {}, None, None)


TIME = np.concatenate((np.arange(0.0, 4.0, 0.02), np.sort(np.random.default_rng(1).uniform(10.0, 14.0, 250))))
FIRST = np.repeat([0, 200], [200, 250])


@pytest.mark.parametrize("lag", [0.0, 0.013, 0.02, 0.137, -0.05])
def test_a_late_signal_is_the_signal_of_an_earlier_moment(lag):
    """A cubic is given exactly by Hermite pieces with known slopes, on even and uneven clocks, in both directions."""
    local = TIME - TIME[FIRST]
    values, slope = local**3 - 2.0 * local, 3.0 * local**2 - 2.0
    at = np.flatnonzero((local > 0.2) & (local < 3.8))
    found = late(values, slope, recording(TIME, FIRST), at, lag)
    moment = local[at] - lag
    np.testing.assert_allclose(found, moment**3 - 2.0 * moment, atol=1e-9)


def test_before_and_beyond_a_recording_its_ends_are_given():
    """A delay never reaches into another recording."""
    values = np.where(FIRST == 0, 1.0, 5.0) + 0.01 * np.arange(TIME.size)
    at = np.array([0, 2, 199, 200, 202, 449])
    behind = late(values, np.zeros(TIME.size), recording(TIME, FIRST), at, 3600.0)
    np.testing.assert_allclose(behind, values[[0, 0, 0, 200, 200, 200]])
    ahead = late(values, np.zeros(TIME.size), recording(TIME, FIRST), at, -3600.0)
    np.testing.assert_allclose(ahead, values[[199, 199, 199, 449, 449, 449]])


def test_slopes_are_those_of_a_parabola():
    """Central differences of the second order are exact for a parabola but at the ends of a recording, as numpy's are."""
    local = TIME - TIME[FIRST]
    found = slopes(local**2, TIME, FIRST)
    inside = np.ones(TIME.size, dtype=bool)
    inside[[0, 199, 200, 449]] = False
    np.testing.assert_allclose(found[inside], 2.0 * local[inside], atol=1e-9)
    np.testing.assert_allclose(found[:200], np.gradient(local[:200] ** 2, TIME[:200]), atol=1e-9)


@pytest.mark.parametrize(
    ("model", "outputs", "names"),
    [
        ("kinematic", ["yaw_rate"], {"sensors.yaw_rate_offset"}),
        ("kinematic", ["steering_angle"], set()),
        (
            "kinematic",
            ["steering_angle", "yaw_rate"],
            {"sensors.yaw_rate_offset", "sensors.steering_angle_offset", "sensors.steering_angle_lag"},
        ),
        (
            "single-track",
            ["steering_angle", "yaw_rate", "lateral_acceleration"],
            {
                "sensors.steering_angle_offset",
                "sensors.yaw_rate_offset",
                "sensors.yaw_rate_lag",
                "sensors.lateral_acceleration_offset",
                "sensors.lateral_acceleration_lag",
                "road.bank[0]",
                "road.bank[1]",
            },
        ),
    ],
)
def test_one_output_is_the_clock_of_the_others(model, outputs, names):
    """Every output but one has a lag, since a common one is dead time; a bank shows only to an accelerometer."""
    found = sensor_unknowns(model, outputs, False, 2, ())
    assert {unknown.name for unknown in found} == names
    assert all(unknown.prior is not None and unknown.prior[0] == 0.0 for unknown in found)


def test_many_logs_have_no_bank_of_their_own():
    """Of more than six logs only the mean of each is taken off; a differenced heading has no offset."""
    outputs = ["yaw_rate", "lateral_acceleration"]
    found = {unknown.name for unknown in sensor_unknowns("single-track", outputs, True, 7, ())}
    assert found == {"sensors.lateral_acceleration_lag"}
