"""The demo's shuttle and the drive logs made with it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from tracks.one_source import plain
from tuning.demo.drive import ShuttleDrive
from tuning.demo.make_logs import DECIMALS, make_logs
from tuning.demo.manoeuvres import MANOEUVRES
from tuning.demo.shipped import CHANNELS, DATA, FIT_LOGS, VALIDATION_LOGS, known
from tuning.demo.shuttle import SHUTTLE, ShuttleState, shuttle_derivative
from tuning.logs import read_log

# The shuttle without what makes a steady state depend on how it was reached.
SMOOTH = SHUTTLE._replace(steering_play=0.0, steering_dead_band=0.0, steering_offset=0.0, grade=0.0)


def table(file) -> pd.DataFrame:
    """A log as it stands in its file."""
    return pd.read_parquet(file) if file.suffix == ".parquet" else pd.read_csv(file, comment="#")


def test_script_reproduces_the_shipped_logs(tmp_path):
    """Running the script again gives the values shipped, so the logs are what the script says they are."""
    made = make_logs(tmp_path)
    assert sorted(file.name for file in made) == sorted(file.name for file in (*FIT_LOGS, *VALIDATION_LOGS))
    for file in made:
        new, shipped = table(file), table(DATA / file.name)
        assert list(new.columns) == list(shipped.columns) == list(DECIMALS)
        for column in DECIMALS:
            # Another processor may round a reading that lies half-way between two counts of its sensor the other
            # way: by at most 0.06 deg, 0.05 km/h or 0.02 deg/s, and in hardly any row.
            difference = np.abs(new[column] - shipped[column])
            assert difference.max() <= 0.061
            assert np.mean(difference > 1e-9) < 1e-3


def test_shipped_files_are_small():
    """The demo's data stays below 1.5 MB in the package."""
    assert sum(file.stat().st_size for file in DATA.iterdir()) < 1.5e6


@pytest.mark.parametrize("file", [*FIT_LOGS, *VALIDATION_LOGS], ids=lambda file: file.name)
def test_channel_file_gives_si_and_signs(file):
    """Read through the channel file, the logs are in SI units with everything to the left positive."""
    log = read_log(file, CHANNELS)
    manoeuvre = MANOEUVRES[file.name]
    assert log["time"][0] == 0.0
    assert log["time"][-1] == pytest.approx(manoeuvre.seconds - 0.02, abs=0.003)
    steps = np.diff(log["time"])
    assert np.min(steps) > 0.0155
    assert np.max(steps) < 0.0245
    assert np.std(steps) > 0.0005
    assert 5.9 < np.max(log["speed_command"]) < 8.1
    assert np.max(np.abs(log["lateral_acceleration"])) < 2.2
    # A left-hand curvature, seen 0.3 s later, turns the shuttle left; both lateral signals agree in sign and size.
    asked = np.roll(log["curvature_command"], 15) * log["speed"]
    assert np.corrcoef(asked[15:], log["yaw_rate"][15:])[0, 1] > 0.7
    slope = np.polyfit(log["steering_angle"] * log["speed"] / 3.4, log["yaw_rate"], 1)[0]
    assert 0.7 < slope < 1.05


def test_owner_knows_what_the_shuttle_is():
    """The data sheet tells the truth about the shuttle."""
    sheet = known()
    assert set(sheet) == {"wheelbase", "mass", "front_axle_distance", "width"}
    for name in ("wheelbase", "mass", "front_axle_distance"):
        assert sheet[name] == getattr(SHUTTLE, name)


def test_drives_stay_within_what_they_promise():
    """No manoeuvre asks for more than 2 m/s² sideways, and speed and feed-forward belong together."""
    for manoeuvre in MANOEUVRES.values():
        times = np.arange(0.0, manoeuvre.seconds, 0.02)
        commands = np.array([manoeuvre.command(t) for t in times])
        assert np.max(np.abs(commands[:, 0]) * commands[:, 1] ** 2) <= 2.0
        assert np.all((commands[:, 1] >= 0.0) & (commands[:, 1] <= 8.5))
        assert commands[0, 1] == manoeuvre.start_speed


def test_shuttle_steers_after_its_dead_time():
    """Nothing moves for 110 ms after a command; then the servo does."""
    drive = ShuttleDrive(5.0, parameters=SMOOTH)
    drive.send(0.05, 5.0)
    drive.advance(110)
    assert drive.state.servo_angle == 0.0
    drive.advance(2)
    assert drive.state.servo_angle > 0.0


def test_shuttle_understeers_by_tyres_and_compliance():
    """Slow in a wide circle, the understeer gradient is that of axles and steering compliance.

    K = m/L · (b/C_f − a/C_r + b · trail/stiffness): linear axles with the front softened by the compliance.
    """
    p, speed = SMOOTH, 8.0
    drive = ShuttleDrive(speed, parameters=p)
    drive.send(0.001, speed)
    drive.advance(10000)
    s = drive.state
    a, b = p.front_axle_distance, p.wheelbase - p.front_axle_distance
    compliance = b * p.trail / p.steering_stiffness
    expected = p.mass / p.wheelbase * (b / p.stiffness_front - a / p.stiffness_rear + compliance)
    gradient = (s.servo_angle - p.wheelbase * s.yaw_rate / s.speed) / (s.speed * s.yaw_rate)
    # At 0.06 m/s² softening and saturation change a stiffness by less than 1e-4, of which K is a small difference.
    assert gradient == pytest.approx(expected, rel=2e-3)


def test_shuttle_softens_as_it_corners():
    """At 1.8 m/s² the shuttle needs more steering than its linear self: no fitted model can be exact."""
    gradients = []
    for curvature in (0.001, 0.029):
        drive = ShuttleDrive(8.0, parameters=SMOOTH)
        drive.send(curvature, 8.0)
        drive.advance(10000)
        s = drive.state
        gradients.append((np.tan(s.servo_angle) - 3.4 * s.yaw_rate / s.speed) / (s.speed * s.yaw_rate))
    assert gradients[1] > 1.03 * gradients[0]


def test_shuttle_rests_and_stops():
    """At rest it stays at rest, and from 8 m/s it stops and does not roll back."""
    drive = ShuttleDrive(0.0)
    drive.send(0.05, 0.0)
    drive.advance(3000)
    assert (drive.state.x, drive.state.y, drive.state.heading) == (0.0, 0.0, 0.0)
    drive = ShuttleDrive(8.0)
    drive.send(0.0, 0.0)
    speeds = []
    for _ in range(500):
        drive.advance(20)
        speeds.append(drive.state.speed)
    assert min(speeds) >= 0.0
    assert speeds[-1] < 1e-3
    assert np.all(np.isfinite(drive.state))


def test_integration_of_the_shuttle_is_that_of_another_integrator():
    """With its inputs held, the step of 1 ms gives what an adaptive integrator gives on the plain equations."""
    # Without a speed loop nothing is asked of drive and brake; after the dead time the steering target is constant.
    coasting = SMOOTH._replace(speed_gain=0.0, resistance_known=0.0)
    drive = ShuttleDrive(6.0, parameters=coasting)
    drive.send(0.04, 6.0)
    drive.advance(110)
    start = drive.state
    drive.advance(1500)
    target = coasting.steering_gain * float(np.arctan(coasting.wheelbase * 0.04))
    slope = plain(shuttle_derivative)

    def right_hand_side(_, values):
        return np.array(slope(coasting, ShuttleState(*(float(v) for v in values)), target, 0.0, 0.0))

    solution = solve_ivp(right_hand_side, (0.0, 1.5), np.array(start), rtol=1e-9, atol=1e-11, max_step=0.005)
    # Kinks of rate limit and play cost the fixed step some 1e-6.
    np.testing.assert_allclose(drive.state, solution.y[:, -1], rtol=1e-5, atol=1e-6)
