"""Driving by commands alone: exact to the integrator, jitter and slots of the link, refusals."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import tuning
from tracks.errors import InputError
from tuning.simulation.wire import link_delays
from tuning.vehicle import MODELS, Inputs, State, Surroundings, derivative
from tuning.vehicle.steering import steering_target

SHUTTLE = tuning.Vehicle.model_validate(
    {
        "body": {
            "wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9, "width": 2.0, "centre_height": 0.8,
            "drag_area": 3.0,
        },
        "tyres": {
            "cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3, "rolling_resistance": 0.01,
        },
        "steering": {"dead_time": 0.113, "natural_frequency": 11.0, "damping": 0.75},
        "drive": {"dead_time": 0.21, "brake_dead_time": 0.147, "speed_integral": 0.1},
    }
)  # fmt: skip
PERIOD = 0.5  # s between two commands: long, so that the reference is cut into few pieces
SECONDS = 60.0


def curvature(time: np.ndarray) -> np.ndarray:
    """A wandering drive, steps of up to 0.013 1/m."""
    return 0.02 * np.sin(0.6 * time) + 0.004 * np.sin(2.3 * time)


def speed(time: np.ndarray) -> np.ndarray:
    """Around 9 m/s, braking and accelerating."""
    return 9.0 + 3.0 * np.sin(0.25 * time)


def reference(vehicle: tuning.Vehicle, start: State) -> np.ndarray:
    """The same drive by DOP853 at 1e-10, cut where a command comes into effect."""
    time = PERIOD * np.arange(round(SECONDS / PERIOD) + 1)
    asked, fast = curvature(time), speed(time)
    dead = vehicle.dead_times
    cuts = sorted({0.0, SECONDS, *(t for d in dead for t in time + d if t < SECONDS)})
    p, code, level = vehicle.plant, vehicle.model_code, Surroundings()
    state = np.array(start)

    def entry(moment: float, delay: float) -> int:
        return max(int(np.searchsorted(time + delay, moment + 1e-9, side="right")) - 1, 0)

    for low, high in itertools.pairwise(cuts):
        drive, brake = fast[entry(low, dead.drive)], fast[entry(low, dead.brake)]
        target = float(steering_target(p, asked[entry(low, dead.steering)]))
        inputs = Inputs(target, float(drive), 0.0, float(brake), 0.0)

        def slope(_: float, q: np.ndarray, inputs: Inputs = inputs) -> np.ndarray:
            return np.array(derivative(code, p, State(*q.tolist()), inputs, level))

        state = solve_ivp(slope, (low, high), state, method="DOP853", rtol=1e-10, atol=1e-12).y[:, -1]
    return state


@pytest.mark.parametrize("model", sorted(MODELS))
def test_a_minute_at_the_default_step_is_exact_to_a_millimetre(model):
    """After 60 s and half a kilometre the position agrees with an adaptive method of order 8 within 1 mm."""
    vehicle = SHUTTLE.replace(**{"body.model": model})
    start = State(0.0, 0.0, 0.0, float(speed(np.zeros(1))[0]), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    run = tuning.open_loop(vehicle, SECONDS, curvature=curvature, speed=speed, start=start, period=PERIOD)
    exact = reference(vehicle, start)
    error = math.hypot(run.series("x")[-1] - exact[0], run.series("y")[-1] - exact[1])
    print(f"{model}: {1e3 * error:.4f} mm after {SECONDS:g} s")
    assert run.time[-1] == SECONDS
    assert abs(run.series("speed")[-1] - exact[3]) < 1e-5
    assert error < 1e-3


def test_the_step_of_integration_has_order_four():
    """Halving the step divides the error of a smooth drive by sixteen (brush tyres, drag and all)."""
    vehicle = SHUTTLE.replace(**{"body.model": "single-track-brush", "steering.dead_time": 0.0, "drive.dead_time": 0.0, "drive.brake_dead_time": 0.0})  # fmt: skip
    start = State(0.0, 0.0, 0.0, 12.0, 0.2, 0.1, 0.0, 0.0, 0.0, 0.0)

    def end(substep: float) -> np.ndarray:
        run = tuning.open_loop(
            vehicle, 1.28, curvature=0.01, speed=12.0, start=start, period=0.01, substep=substep
        )
        return run.states[-1]

    exact = end(0.000625)
    coarse, fine = end(0.01) - exact, end(0.005) - exact
    for name in ("x", "y", "heading", "lateral_velocity", "yaw_rate", "slip_front", "steering_angle"):
        i = State._fields.index(name)
        assert np.log2(abs(coarse[i] / fine[i])) == pytest.approx(4.0, abs=0.6), name


def test_a_step_steer_ends_in_the_steady_turn():
    """The yaw rate of the linear single-track body, v κ with the understeer in it (Rajamani ch. 3: from memory)."""
    vehicle = SHUTTLE.replace(**{"tyres.rolling_resistance": 0.0, "body.drag_area": 0.0})
    run = tuning.open_loop(vehicle, 8.0, speed=10.0, curvature=lambda t: 1e-4 * (t >= 1.0))
    p = vehicle.plant
    expected = 10.0 * 1e-4 * p.wheelbase / (p.wheelbase + p.understeer_gradient * 100.0)
    assert run.series("yaw_rate")[-1] == pytest.approx(expected, rel=1e-5)
    before = run.time < 1.0 + 0.113
    assert np.all(run.series("steering_angle")[before] == 0.0)
    frame = run.to_frame()
    assert frame["yaw_rate"].to_numpy()[-1] == run.series("yaw_rate")[-1]


def test_messages_wait_for_their_slot_and_jitter_is_drawn_once_for_all():
    """Delays on the link: at most slot and jitter, the same whoever drives, a longer run beginning like a shorter one."""
    delay = link_delays(0.05, 0.01, 200, 0.02, seed=3)
    sent = 0.02 * np.arange(200)
    slot = np.ceil(sent / 0.05 - 1e-9) * 0.05
    assert np.all(delay >= slot - sent - 1e-12)
    assert np.all(delay <= slot - sent + 0.01)
    assert np.ptp(delay - (slot - sent)) > 0.005
    # Commands that share a slot travel in one message: the same moment of arrival.
    arrives = sent + delay
    for one in np.unique(slot):
        assert np.ptp(arrives[slot == one]) < 1e-12
    np.testing.assert_array_equal(link_delays(0.05, 0.01, 400, 0.02, seed=3)[:200], delay)
    assert not np.array_equal(link_delays(0.05, 0.01, 200, 0.02, seed=4), delay)
    np.testing.assert_array_equal(link_delays(0.0, 0.0, 200, 0.02, seed=3), [0.0])


def test_a_slow_link_makes_the_steering_late_by_half_its_period():
    """On the average a command waits half a slot: a sine through the link is late by that much more."""
    slow = SHUTTLE.replace(**{"link.period": 0.1, "steering.rate_limit": 10.0})
    fast = SHUTTLE.replace(**{"steering.rate_limit": 10.0})
    wave = {"speed": 5.0, "curvature": lambda t: 0.02 * np.sin(2.0 * np.pi * 0.5 * t)}
    phases = []
    for vehicle in (fast, slow):
        run = tuning.open_loop(vehicle, 40.0, **wave)
        late = run.time >= 20.0
        turn = np.exp(-2j * np.pi * 0.5 * run.time[late])
        phases.append(np.angle(np.sum(run.series("steering_angle")[late] * turn)))
    # Five commands a slot of 0.1 s: they wait 0, 80, 60, 40, 20 ms, but the newest in a slot replaces the others, so
    # what is in force is from 0 to 100 ms old, against 0 to 20 ms: 40 ms more.
    assert (phases[0] - phases[1]) / (2.0 * np.pi * 0.5) == pytest.approx(0.04, abs=0.003)


@pytest.mark.parametrize("settings", [
    {"speed": [1.0, 2.0]},
    {"speed": math.nan},
    {"speed": 1.0, "period": 0.0},
    {"speed": 1.0, "substep": 1.0},
])  # fmt: skip
def test_courses_and_settings_are_checked(settings):
    """A sentence with what, expected and remedy."""
    with pytest.raises(InputError, match="expected"):
        tuning.open_loop(SHUTTLE, 5.0, **settings)
    with pytest.raises(InputError, match="seconds"):
        tuning.open_loop(SHUTTLE, 0.0, speed=1.0)
    with pytest.raises(InputError, match="no series"):
        tuning.open_loop(SHUTTLE, 1.0, speed=1.0).series("wheel")
