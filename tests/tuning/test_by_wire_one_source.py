"""The by-wire layer with every refinement at once: one source, compiled, plain and traced."""

from __future__ import annotations

import numpy as np
import pytest

from tracks.one_source import plain, traced
from tuning.vehicle import Inputs, State, Surroundings, Vehicle, derivative, rk4
from tuning.vehicle.model import settle
from tuning.vehicle.steering import steering_target

REFINED = Vehicle.model_validate(
    {
        "body": {"wheelbase": 2.8, "mass": 1500.0, "drag_area": 0.7},
        "tyres": {"rolling_resistance": 0.012, "friction": 0.9},
        "steering": {
            "resolution": 0.002,
            "dead_band": 0.004,
            "angular_acceleration_limit": 4.0,
            "backlash": 0.01,
            "unpowered": "returns",
        },
        "drive": {
            "drive_gain": 1.1,
            "brake_gain": 0.9,
            "jerk_limit": 3.0,
            "brake_jerk_limit": 8.0,
            "speed_integral": 0.2,
            "hand_over": 0.2,
        },
    }
)
VEHICLES = {
    "second order": REFINED,
    "first order": REFINED.replace(**{"steering.lag": 0.12}),
    "underdamped": REFINED.replace(**{"steering.damping": 0.4}),
    "overdamped": REFINED.replace(**{"steering.damping": 1.8}),
    "motor with losses": REFINED.replace(
        **{"drive.no_load_speed": 12.0, "drive.motor_drag": 0.03, "body.viscous_drag": 0.02}
    ),
}
SLOPE = Surroundings(0.8, 0.08, 0.0, 0.0)


def states_and_inputs(count: int) -> list[tuple[State, Inputs]]:
    """Standing, creeping and driving both ways, commanded both ways, with and without loop and power."""
    rng = np.random.default_rng(11)
    pairs = []
    for _ in range(count):
        speed = float(rng.choice([0.0, 1.0]) * rng.choice([0.05, 0.5, 8.0]) * rng.uniform(-1.0, 1.0))
        state = State(
            0.0, 0.0, rng.uniform(-3.0, 3.0), speed, 0.0, 0.0, rng.uniform(-0.6, 0.6), rng.uniform(-0.6, 0.6),
            rng.uniform(0.0, 2.0), rng.uniform(-4.0, 0.0), 0.0, 0.0, rng.uniform(-1.0, 1.0),
            rng.uniform(-0.6, 0.6), float(rng.integers(-1, 2)),
        )  # fmt: skip
        drive, brake = (float(rng.choice([0.0, 1.0]) * rng.uniform(-9.0, 9.0)) for _ in range(2))
        inputs = Inputs(
            rng.uniform(-0.6, 0.6), drive, rng.uniform(-1.0, 1.0), brake, rng.uniform(-1.0, 1.0),
            float(rng.integers(0, 2)), float(rng.integers(0, 2)),
        )  # fmt: skip
        if speed == drive == 0.0 or speed == brake == 0.0:
            # At rest without a gear the last digit decides whose part of a demand that is still left over it is.
            state = state._replace(speed_integral=0.0)
            inputs = inputs._replace(drive_feed_forward=0.0, brake_feed_forward=0.0)
        pairs.append((State(*map(float, state)), Inputs(*map(float, inputs))))
    return pairs


@pytest.mark.parametrize("vehicle", VEHICLES.values(), ids=VEHICLES)
def test_compiled_plain_and_traced_agree(vehicle):
    """Derivative, settling and a whole step, through numba, Python and CasADi."""
    casadi = pytest.importorskip("casadi")
    model, p = vehicle.model_code, vehicle.plant
    q = casadi.SX.sym("state", len(State._fields))
    u = casadi.SX.sym("inputs", len(Inputs._fields))
    state, inputs = State(*casadi.vertsplit(q)), Inputs(*casadi.vertsplit(u))
    slope = traced(derivative)(model, p, state, inputs, SLOPE)
    after = traced(settle)(p, state, inputs)
    step = traced(rk4)(model, p, state, inputs, SLOPE, 0.005)
    parts = [casadi.vertcat(*part) for part in (slope, after, step)]
    function = casadi.Function("by_wire", [q, u], parts)
    slopes = casadi.Function("slopes", [q, u], [casadi.jacobian(parts[0], q), casadi.jacobian(parts[0], u)])
    for state, inputs in states_and_inputs(150):
        compiled = (
            derivative(model, p, state, inputs, SLOPE),
            settle(p, state, inputs),
            rk4(model, p, state, inputs, SLOPE, 0.005),
        )
        ordinary = (
            plain(derivative)(model, p, state, inputs, SLOPE),
            plain(settle)(p, state, inputs),
            plain(rk4)(model, p, state, inputs, SLOPE, 0.005),
        )
        symbolic = function(np.array(state), np.array(inputs))
        # Held at rest, the last digit of the speed after a step also says whether the brake is asked for anything.
        held = state.speed == 0.0 and inputs.drive_speed * inputs.brake_speed == 0.0
        for part, (one, two, three) in enumerate(zip(compiled, ordinary, symbolic, strict=True)):
            compared = slice(0, -1 if held and part == 2 else None)
            # Some ten roundings on terms of up to 200 1/s times 0.6 rad/s.
            np.testing.assert_allclose(two[compared], one[compared], rtol=1e-12, atol=1e-11)
            np.testing.assert_allclose(
                np.asarray(three).ravel()[compared], one[compared], rtol=1e-12, atol=1e-11
            )
        for matrix in slopes(np.array(state), np.array(inputs)):
            assert np.all(np.isfinite(np.asarray(matrix.full())))


def test_the_static_map_with_steps_is_one_source():
    """The stepped target, compiled, plain and traced, away from the middles between two steps."""
    casadi = pytest.importorskip("casadi")
    p = REFINED.plant
    curvature = casadi.SX.sym("curvature")
    function = casadi.Function("target", [curvature], [traced(steering_target)(p, curvature)])
    for value in np.random.default_rng(2).uniform(-0.3, 0.3, 200):
        compiled = steering_target(p, float(value))
        assert plain(steering_target)(p, float(value)) == pytest.approx(compiled, rel=1e-14, abs=1e-16)
        assert float(function(value)) == pytest.approx(compiled, rel=1e-14, abs=1e-16)
