"""Throttle and brake positions, what a motor loses with speed, and viscous drag: against the textbook equation.

The reference is m v̇ = F(u, v) − (F0 + F1 v + F2 v²) (road load of ISO 10521-1, from memory), integrated by scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from longitudinal_drives import Truth, driven_by_positions

from tuning.identification.kernels import Drives
from tuning.identification.speed_kernel import DRIVING_ON, Commanded, position_demands, speed_answer
from tuning.simulation.loading import loaded
from tuning.vehicle import Inputs, State, Vehicle, rk4
from tuning.vehicle.drive import brake_position_demand, demands, throttle_demand
from tuning.vehicle.state import Surroundings

GRAVITY, AIR = 9.80665, 1.225  # ISO 80000-3; ISO 2533
STEP = 0.005
TRUTH = Truth()
CAR = Vehicle.model_validate(
    {
        "body": {
            "wheelbase": 2.5,
            "mass": 1200.0,
            "viscous_drag": TRUTH.f1,
            "drag_area": 2.0 * 1200.0 * TRUTH.f2 / AIR,
        },
        "tyres": {"rolling_resistance": TRUTH.f0 / GRAVITY},
        "steering": {},
        "drive": {
            "interface": "positions",
            "lag": TRUTH.lag,
            "brake_lag": TRUTH.brake_lag,
            "acceleration_limit": TRUTH.strength,
            "deceleration_limit": TRUTH.brake_strength,
            "throttle_free": TRUTH.free,
            "no_load_speed": TRUTH.no_load_speed,
        },
    }
)


def moving(speed: float) -> State:
    """A state at a speed, m/s."""
    return State(0.0, 0.0, 0.0, float(speed), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def pushed(car: Vehicle, throttle: float, speed: float, gear: float = 1.0) -> float:
    """What a position asks of the drive at a speed, m/s²."""
    asked = float(throttle_demand(car.plant, float(throttle)))
    return demands(car.plant, moving(speed), Inputs(0.0, gear, asked, gear, 0.0, 0.0))[0]


def test_the_map_of_the_throttle():
    """Nothing in the dead zone and below 0, the limit at 1; a bend raises the middle by a quarter of itself."""
    p = CAR.plant
    assert [throttle_demand(p, u) for u in (-1.0, 0.0, TRUTH.free)] == [0.0, 0.0, 0.0]
    assert throttle_demand(p, 1.0) == throttle_demand(p, 1.3) == TRUTH.strength
    middle = 0.5 * (1.0 + TRUTH.free)
    assert throttle_demand(p, middle) == pytest.approx(0.5 * TRUTH.strength, rel=1e-12)
    for bend in (-1.0, 0.4, 1.0):
        bent = CAR.replace(**{"drive.throttle_bend": bend}).plant
        assert throttle_demand(bent, middle) == pytest.approx(
            0.5 * TRUTH.strength * (1.0 + 0.5 * bend), rel=1e-12
        )
        values = [throttle_demand(bent, float(u)) for u in np.linspace(0.0, 1.0, 101)]
        assert np.all(np.diff(values) >= 0.0)


def test_the_map_of_the_brake():
    """In proportion beyond its dead zone."""
    p = CAR.replace(**{"drive.brake_free": 0.2}).plant
    for position, share in ((0.0, 0.0), (0.2, 0.0), (0.6, 0.5), (1.0, 1.0), (1.2, 1.0)):
        assert brake_position_demand(p, position) == pytest.approx(
            -share * TRUTH.brake_strength, rel=1e-12, abs=0.0
        )


def test_a_motor_loses_its_force_with_speed():
    """F = F_0 (1 − v/v_0) − d v in the gear's direction; nothing beyond v_0, and no push the other way."""
    for speed in (0.0, 5.0, 19.0, 25.0):
        assert pushed(CAR, 0.7, speed) == pytest.approx(float(TRUTH.force(0.7, speed)), rel=1e-12)
    dragged = CAR.replace(**{"drive.motor_drag": 0.05})
    assert pushed(dragged, 0.7, 5.0) == pytest.approx(float(TRUTH.force(0.7, 5.0)) - 0.25, rel=1e-12)
    assert pushed(dragged, 0.1, 5.0) == 0.0
    assert pushed(CAR, 0.7, -5.0, -1.0) == pushed(CAR, 0.7, 5.0)
    # Rolling against its gear it has what it has at standstill.
    assert pushed(CAR, 0.7, -5.0) == pushed(CAR, 0.7, 0.0)


def test_the_speed_loop_has_what_is_left_at_a_speed():
    """Full demand is limited to a_max (1 − v/v_0); a demand within that is met as it is."""
    closed = Inputs(0.0, 100.0, 0.0, 100.0, 0.0, 1.0)
    assert demands(CAR.plant, moving(10.0), closed)[0] == pytest.approx(0.5 * TRUTH.strength, rel=1e-12)
    gentle = Inputs(0.0, 10.5, 0.0, 10.5, 0.0, 1.0)
    assert demands(CAR.plant, moving(10.0), gentle)[0] == pytest.approx(0.5 * CAR.drive.speed_gain, rel=1e-12)


def test_coasting_follows_the_road_load():
    """Coasting from 20 m/s: 1/(dv/dt) integrated over speed gives the time; with F1 alone it is an exponential."""
    plain = Vehicle.model_validate(
        {"body": {"wheelbase": 2.5, "viscous_drag": 0.05}, "steering": {}, "drive": {}}
    )
    state, still = moving(20.0), Inputs(0.0, 1.0, 0.0, 1.0, 0.0, 0.0)
    for _ in range(2000):
        state = rk4(plain.model_code, plain.plant, state, still, Surroundings(), STEP)
    assert state.speed == pytest.approx(20.0 * np.exp(-0.05 * 10.0), rel=1e-9)


def test_a_load_leaves_the_drag_a_force():
    """Twice the mass, half the deceleration by viscous drag."""
    heavier = loaded(CAR, CAR.plant, 1200.0, None)
    assert heavier.viscous_drag == pytest.approx(0.5 * TRUTH.f1, rel=1e-12)


def test_what_is_left_out_of_a_file_is_not_there():
    """Without the new values the constants leave every effect out, and the file does not mention them."""
    plain = Vehicle.model_validate({"body": {"wheelbase": 2.5}, "steering": {}, "drive": {}})
    p = plain.plant
    left_out = (p.viscous_drag, p.throttle_free, p.throttle_bend, p.brake_free, p.drive_fade, p.motor_drag)
    assert left_out == (0.0,) * 6
    assert pushed(plain, 0.35, 12.0) == 0.35 * plain.drive.acceleration_limit


def test_they_survive_a_vehicle_file(tmp_path):
    """Saved and loaded, units in the comments."""
    car = CAR.replace(**{"drive.throttle_bend": -0.2, "drive.motor_drag": 0.01, "drive.brake_free": 0.05})
    car.save(tmp_path / "vehicle.toml")
    assert Vehicle.load(tmp_path / "vehicle.toml") == car
    text = (tmp_path / "vehicle.toml").read_text(encoding="utf-8")
    for name in (
        "throttle_free",
        "throttle_bend",
        "brake_free",
        "no_load_speed",
        "motor_drag",
        "viscous_drag",
    ):
        assert name in text


@pytest.mark.parametrize("rate", [20.0, 50.0, 100.0])
def test_the_simulation_of_a_fit_is_the_textbook_drive(rate):
    """120 s of throttle and brake at any rate of the log, to 1e-4 m/s of scipy's solution: steps reach over samples."""
    time, throttle, brake, speed = driven_by_positions(TRUTH, 120.0, 4, rate=rate)
    p = CAR.plant
    asked, braked = position_demands(p, throttle, brake)
    n = time.size
    changed = np.flatnonzero((np.diff(throttle) != 0.0) | (np.diff(brake) != 0.0)) + 1
    following = np.append(changed, n)[np.searchsorted(changed, np.arange(n), side="right")]
    commanded = Commanded(0.0, np.ones(n), asked, braked, np.zeros(n), np.full(n, DRIVING_ON), following, 0.0)
    drives = Drives(time, np.zeros(n, dtype=np.int64), speed)
    answer = speed_answer(p, TRUTH.dead_time, TRUTH.brake_dead_time, drives, commanded)
    assert np.max(np.abs(answer[0] - speed)) < 1e-4
    # What an accelerometer shows is the derivative of the speed.
    inner = np.gradient(answer[0], time)
    steady = np.ones(n, dtype=bool)
    for k in changed:
        steady[(time > time[k] - 0.1) & (time < time[k] + 1.0)] = False
    assert np.max(np.abs(answer[4] - inner)[steady][2:-2]) < 0.02
