"""Dead-time compensation against an independent integration of the same motion."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tracker.memory import COUNT, NEWEST, RING, new_memory
from tracker.prediction import advance, driven_curvature, lag_at, predict, rear_slip
from tracker.response import Response
from tracks.one_source import plain


def memory_with(commands: list[tuple[float, float]], before: float):
    """Give a tracker's memory that holds commands (time s, curvature 1/m), and what was asked before them."""
    memory = new_memory(0.0, before, 0.0)
    for time, curvature in commands:
        slot = (int(memory.numbers[NEWEST]) + 1) % RING
        memory.times[slot], memory.curvatures[slot] = time, curvature
        memory.numbers[NEWEST] = slot
        memory.numbers[COUNT] = min(memory.numbers[COUNT] + 1, RING)
    return memory


def integrated(response: Response, commands, before, time, pose, speed, curvature):
    """Integrate x, y, ψ, κ through the commands in flight with an adaptive method, piece by piece."""

    def asked(t: float) -> float:
        return next(
            (k for issued, k in reversed(commands) if issued + response.dead_time <= t + 1e-12), before
        )

    def slope(t, q, k):
        return [speed * math.cos(q[2]), speed * math.sin(q[2]), speed * q[3], (k - q[3]) / response.lag]

    state = np.array([*pose, curvature])
    end = time + response.dead_time
    switches = sorted({time, end, *(t + response.dead_time for t, _ in commands)})
    for low, high in itertools.pairwise(switches):
        if high <= time or low >= end:
            continue
        low, high = max(low, time), min(high, end)
        state = solve_ivp(slope, (low, high), state, args=(asked(low),), rtol=1e-11, atol=1e-12).y[:, -1]
    return state


@pytest.mark.parametrize("dead_time", [0.11, 0.2, 0.033])
@pytest.mark.parametrize("jitter", [0.0, 0.004])
def test_predicts_through_the_commands_in_flight(dead_time, jitter):
    """The pose at the moment the next command acts is that of an exact integration, dead time not a multiple."""
    generator = np.random.default_rng(3)
    response = Response(dead_time=dead_time, lag=0.15)
    times = 0.02 * np.arange(30) + jitter * generator.random(30)
    commands = [(float(t), float(0.05 * math.sin(3.0 * t))) for t in times]
    now, pose, speed, curvature = float(times[-1] + 0.02), (3.0, -2.0, 0.7), 9.0, 0.03
    memory = memory_with(commands, 0.01)
    predicted = predict(response.values, memory, now, *pose, speed, curvature, curvature, 0.0)
    exact = integrated(response, commands, 0.01, now, pose, speed, curvature)
    # The heading and the curvature are exact; the pose takes the middle heading of each span: (κ v h)² / 24 of it.
    assert predicted[3] == pytest.approx(exact[3], abs=1e-9)
    assert predicted[2] == pytest.approx(exact[2], abs=1e-9)
    assert predicted[:2] == pytest.approx(exact[:2], abs=2e-4)


def test_before_the_first_command_what_was_asked_before_goes_on():
    """A tracker that has just started predicts along the curvature it started with."""
    response = Response(dead_time=0.3, lag=0.1)
    x, y, heading, curvature, _, _ = predict(
        response.values, new_memory(0.0, 0.1, 5.0), 7.0, 0.0, 0.0, 0.0, 5.0, 0.1, 0.1, 0.0
    )
    assert (heading, curvature) == pytest.approx((0.15, 0.1), rel=1e-12)
    assert (x, y) == pytest.approx((10.0 * math.sin(0.15), 10.0 * (1.0 - math.cos(0.15))), rel=2e-3)


def test_the_ring_forgets_only_what_has_acted():
    """With more commands than the ring holds, those still in flight are the ones kept."""
    response = Response(dead_time=0.5, lag=0.0)
    commands = [(0.005 * i, 0.0001 * i) for i in range(3 * RING)]
    now = 0.005 * 3 * RING
    predicted = predict(response.values, memory_with(commands, 0.0), now, 0.0, 0.0, 0.0, 8.0, 0.2, 0.2, 0.0)
    last_hundred = [k for _, k in commands[-100:]]
    # A lag of zero is taken as a microsecond, which carries 8 m/s × 0.08 1/m × 1e-6 s of the start along.
    assert predicted[2] == pytest.approx(8.0 * 0.005 * sum(last_hundred), abs=2e-6)


def test_steady_curvature_of_an_understeering_vehicle():
    """tan δ = κ (L + K v²): the curvature that a steering angle drives in a steady turn."""
    response = Response(wheelbase=3.0, understeer_gradient=0.004)
    assert driven_curvature(response.values, 10.0, 0.0, 0.1) == pytest.approx(math.tan(0.1) / 3.4, rel=1e-12)


def test_compiled_and_plain_source_agree():
    """One source, two ways to run it."""
    arguments = (1.0, 2.0, 0.3, 7.0, 0.05, -0.02, 0.12, 0.013)
    assert advance(*arguments) == pytest.approx(plain(advance)(*arguments), rel=1e-13)


def test_lag_of_the_body_is_the_delay_of_its_linear_model():
    """A₁/A₀ is the phase slope at zero frequency of the single-track model's lateral acceleration at the rear axle."""
    import tuning
    from tuning.vehicle.linear import linearise

    # Example car of Rajamani, Vehicle Dynamics and Control, ch. 2 and 3 (secondary source).
    vehicle = tuning.Vehicle.model_validate(
        {
            "body": {
                "wheelbase": 2.68,
                "mass": 1573.0,
                "front_axle_distance": 1.1,
                "yaw_inertia": 1573.0 * 1.1 * 1.58,
            },
            "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
            "steering": {},
            "drive": {},
        }
    )
    for speed in (5.0, 10.0, 30.0):
        system = linearise(vehicle, speed)
        w = 1e-3
        at_centre, yaw_rate = system(1j * w)[2, 0], system(1j * w)[0, 0]
        at_rear = at_centre - 1.58 * 1j * w * yaw_rate
        body = lag_at(vehicle.response.values, speed) - vehicle.response.lag
        # The phase of a delay-like response is −w A₁/A₀ but for w³.
        assert -np.angle(at_rear) / w == pytest.approx(body, rel=1e-4)


def test_rear_slip_is_that_of_the_steady_turn():
    """The heading of the single-track model's steady turn points into the curve by the rear slip."""
    import tuning
    from tuning.vehicle.steady import steady_turn

    vehicle = tuning.Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.68, "mass": 1573.0, "front_axle_distance": 1.1},
            "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
            "steering": {},
            "drive": {},
        }
    )
    heading = steady_turn(vehicle.model_code, vehicle.plant, 15.0, 0.01).heading
    assert rear_slip(vehicle.response.values, 15.0, 0.01) == pytest.approx(np.tan(heading), rel=1e-12)
    assert rear_slip(Response().values, 15.0, 0.01) == 0.0
