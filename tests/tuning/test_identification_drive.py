"""Drive, brake and resistance put into textbook drives come back from their logs, within their intervals.

The drives are integrated by scipy (`longitudinal_drives.py`) and share no line with the vehicle's equations. Seeds are
fixed; where a value must lie within 3.5 standard errors, one in 2000 would not by chance.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from identification_drives import coloured, log_of
from longitudinal_drives import Loop, Truth, advance, driven_by_loop, driven_by_positions

from tracks.errors import InputError
from tuning.identification import identify_drive

GRAVITY = 9.80665  # m/s², standard gravity (ISO 80000-3)
AIR = 1.225  # kg/m³, ISO 2533 at sea level
MASS = 1200.0
KNOWN = {"wheelbase": 2.5, "mass": MASS}
POSITIONS = Truth()
LOOPED = Truth(
    dead_time=0.3,
    lag=0.45,
    brake_dead_time=0.12,
    brake_lag=0.25,
    f0=0.14,
    f1=0.0,
    f2=0.0016,
    no_load_speed=1e9,
)
STANDARD_ERRORS = 3.5


def values_of(truth: Truth) -> dict[str, float]:
    """The truth by the names of a vehicle file."""
    return {
        "drive.dead_time": truth.dead_time,
        "drive.lag": truth.lag,
        "drive.acceleration_limit": truth.strength,
        "drive.throttle_free": truth.free,
        "drive.no_load_speed": truth.no_load_speed,
        "drive.brake_dead_time": truth.brake_dead_time,
        "drive.brake_lag": truth.brake_lag,
        "drive.deceleration_limit": truth.brake_strength,
        "tyres.rolling_resistance": truth.f0 / GRAVITY,
        "body.viscous_drag": truth.f1,
        "body.drag_area": 2.0 * MASS * truth.f2 / AIR,
    }


def check(found, true, names, errors: float = STANDARD_ERRORS):
    """Each named value lies within so many standard errors of the truth."""
    for name in names:
        row = found.parameters.loc[name]
        assert row["status"] == "found", name
        assert abs(row["value"] - true[name]) < errors * row["standard_error"], (
            name,
            row["value"],
            true[name],
        )


def resistance_of(found, speed):
    """Deceleration of coasting (m/s²) as the found vehicle has it, by the road-load equation."""
    p = found.vehicle.plant
    return p.rolling_resistance * GRAVITY + p.viscous_drag * speed + 0.5 * AIR * p.drag_area * speed**2 / MASS


def by_positions(seed: int, count: int = 3, truth: Truth = POSITIONS, name: str = "drive"):
    """Logs of some minutes each at 50 Hz, the speed with coloured noise of 0.03 m/s."""
    logs = []
    for k in range(count):
        time, throttle, brake, speed = driven_by_positions(truth, 200.0, 100 * seed + k)
        noise = coloured(np.random.default_rng(7 * seed + k), time.size, 0.03, 0.9)
        data = {"time": time, "throttle_command": throttle, "brake_command": brake, "speed": speed + noise}
        logs.append(log_of(f"{name}{k}", **data))
    return logs


def by_loop(
    truth: Truth, loop: Loop, seed: int = 1, grades=(0.0, 0.0, 0.0), accelerometer: float | None = None
):
    """Logs of 200 s at 50 Hz; an accelerometer shows v̇ + g sin γ, an offset and noise, times the factor given."""
    logs = []
    for k, grade in enumerate(grades):
        pulled = replace(truth, grade_pull=GRAVITY * float(np.sin(grade)))
        time, asked, forward, _, seen, change = driven_by_loop(pulled, loop, 200.0, 10 * seed + k)
        rng = np.random.default_rng(7 * seed + k)
        data = {"time": time, "speed_command": asked, "acceleration_command": forward}
        data["speed"] = seen + coloured(rng, time.size, 0.03, 0.9)
        if accelerometer is not None:
            felt = change + GRAVITY * np.sin(grade) + 0.3 + coloured(rng, time.size, 0.1, 0.5)
            data["longitudinal_acceleration"] = accelerometer * felt
        logs.append(log_of(f"drive{k}", **data))
    return logs


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_positions_come_back_under_coloured_noise(seed):
    """Dead times, lags, strengths, dead zone, no-load speed and the three terms of the road load; nothing else is seen."""
    found = identify_drive(by_positions(seed), known=KNOWN)
    true = values_of(POSITIONS)
    check(found, true, true)
    speed = np.linspace(2.0, 12.0, 11)
    np.testing.assert_allclose(resistance_of(found, speed), POSITIONS.resistance(speed), rtol=0.02)
    assert not {"drive.throttle_bend", "drive.motor_drag", "drive.brake_free"} & set(found.covariance.index)
    assert found.vehicle.drive.interface == "positions"
    # What is left of the held-out speed is its noise.
    assert found.validation["speed"]["rmse"] == pytest.approx(0.03, rel=0.15)


def test_coasting_down_gives_the_road_load():
    """Four coast-downs from 30 m/s: the road load within 1 % from 5 to 28 m/s, each term within its interval."""
    truth = Truth(strength=4.0, free=0.0, no_load_speed=60.0, f0=0.11, f1=0.004, f2=0.00045, dead_time=0.0)
    logs = []
    for k in range(4):
        time = np.arange(0.0, 150.0, 0.05)
        pushed = time < 15.0
        push = 0.75 + 0.05 * k
        on = advance(truth, [3.0, truth.force(push, 3.0), 0.0], push, 0.0, time[pushed])
        off = advance(truth, on[:, -1], 0.0, 0.0, np.append(time[pushed][-1], time[~pushed]))
        speed = np.concatenate([on[0], off[0, 1:]]) + coloured(np.random.default_rng(k), time.size, 0.03, 0.8)
        # The last sample with the pedal down acts until the first without it.
        data = {
            "time": time,
            "throttle_command": np.where(time < time[pushed][-1], push, 0.0),
            "speed": speed,
        }
        logs.append(log_of(f"coast{k}", **data))
    found = identify_drive(logs, known=KNOWN, validate=logs[3:])
    speed = np.linspace(5.0, 28.0, 12)
    np.testing.assert_allclose(resistance_of(found, speed), truth.resistance(speed), rtol=0.01)
    check(found, values_of(truth), ["tyres.rolling_resistance", "body.drag_area"])


def test_without_the_mass_air_drag_stays_out():
    """Air drag needs the mass to be a drag area: without it viscous drag stands in, and says so by being there."""
    found = identify_drive(by_positions(0), known={"wheelbase": 2.5})
    assert "body.drag_area" not in found.parameters.index
    assert found.parameters.loc["body.viscous_drag", "value"] > POSITIONS.f1


def test_a_plain_loop_shows_no_effect():
    """Without resistance, integral part, or gains other than 1 none of them is found: what is not there is left out."""
    none = replace(LOOPED, f0=0.0, f1=0.0, f2=0.0)
    found = identify_drive(by_loop(none, Loop()), known=KNOWN)
    names = {"drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag", "drive.speed_gain"}
    assert set(found.covariance.index) == names
    check(found, {**values_of(none), "drive.speed_gain": 0.9}, names)
    assert any("left out, since the speed does not show it: rolling resistance" in t for t in found.findings)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_loop_shows_resistance_integral_part_and_gains(seed):
    """Under a loop with an integral part and gains that are not 1, with a feed-forward that parts gain from loop gain."""
    loop = Loop(integral=0.15, drive_gain=1.15, brake_gain=0.8)
    found = identify_drive(by_loop(LOOPED, loop, seed), known=KNOWN)
    true = values_of(LOOPED) | {"drive.speed_gain": 0.9, "drive.speed_integral": 0.15}
    true |= {"drive.drive_gain": 1.15, "drive.brake_gain": 0.8}
    check(found, true, ["drive.speed_gain", "drive.speed_integral", "drive.drive_gain", "drive.brake_gain"])
    check(found, true, ["drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag"])
    speed = np.linspace(5.0, 10.0, 6)
    np.testing.assert_allclose(resistance_of(found, speed), LOOPED.resistance(speed), rtol=0.2)


def test_an_accelerometer_parts_the_lag_of_the_speed_sensor():
    """0.2 s of lag in the speed sensor comes back as such, and not in the drive's lag."""
    found = identify_drive(by_loop(LOOPED, Loop(sensor_lag=0.2), accelerometer=1.0), known=KNOWN)
    assert set(found.validation) == {"speed", "longitudinal_acceleration"}
    true = values_of(LOOPED) | {"sensors.speed_lag": 0.2}
    check(found, true, ["sensors.speed_lag", "drive.lag", "drive.dead_time", "drive.brake_lag"])
    assert not any(name.startswith("sensors") for name in found.vehicle.provenance.assumed)


def test_an_accelerometer_that_contradicts_the_speed_is_left_out():
    """Negated, it takes no part, and a finding says how badly it follows the speed."""
    found = identify_drive(by_loop(LOOPED, Loop(), accelerometer=-1.0), known=KNOWN)
    assert set(found.validation) == {"speed"}
    assert any("longitudinal acceleration was not used" in text and "of -" in text for text in found.findings)


def test_grades_of_logs_are_found_against_their_mean():
    """Logs on 2 %, -1.5 % and 1 %: differences come back, and what is common stands in the rolling resistance."""
    grades = (0.02, -0.015, 0.01)
    found = identify_drive(by_loop(LOOPED, Loop(), grades=grades), known=KNOWN)
    common = float(np.mean(grades))
    true = {f"road.grade[{k}]": grade - common for k, grade in enumerate(grades)}
    true["tyres.rolling_resistance"] = LOOPED.f0 / GRAVITY + common
    check(found, true, ["road.grade[0]", "road.grade[1]", "tyres.rolling_resistance"])
    assert any("a grade common to all looks like rolling resistance" in text for text in found.findings)


def test_commands_that_are_stamped_late_are_said():
    """A logger of 10 Hz that writes each command 0.08 s late: the lag's interval holds the truth, and a finding says why."""
    truth = replace(POSITIONS, dead_time=0.0, brake_dead_time=0.0, lag=0.1, brake_lag=0.1)
    logs = []
    for log in by_positions(3, truth=truth):
        time, rows = log["time"], slice(None, None, 5)
        behind = np.maximum(np.searchsorted(time, time[rows] - 0.08), 0)
        data = {name: log[name][behind] for name in ("throttle_command", "brake_command")}
        logs.append(log_of(log.name, time=time[rows], speed=log["speed"][rows], **data))
    found = identify_drive(logs, known=KNOWN)
    lag, age = found.parameters.loc["drive.lag"], found.parameters.loc["sensors.command_age"]
    assert lag["low"] <= 0.1 <= lag["high"]
    # Only the difference is well known, less the 0.02 s or so by which five rows a log's period round the command up.
    assert lag["value"] - age["value"] == pytest.approx(0.1 - 0.08, abs=0.04)
    assert found.vehicle.drive.dead_time == 0.0
    assert any("stamps them up to" in text for text in found.findings)


def test_what_cannot_be_found_is_refused():
    """No wheelbase for the vehicle file, no command in all logs, nothing asked of the drive."""
    logs = by_positions(0, 1)
    with pytest.raises(InputError, match="wheelbase"):
        identify_drive(logs)
    bare = log_of("bare", time=logs[0]["time"], speed=logs[0]["speed"])
    with pytest.raises(InputError, match="same command of the drive"):
        identify_drive([*logs, bare], known=KNOWN)
    idle = log_of(
        "idle", time=bare["time"], speed=bare["speed"], throttle_command=np.zeros(bare["time"].size)
    )
    with pytest.raises(InputError, match="hardly ask anything"):
        identify_drive(idle, known=KNOWN)
