"""The multi-body model of `commonroad-vehicle-models` (BSD-3) behind a by-wire steering is found from its logs.

What moves here is not the single-track body that is fitted: it rolls, its tyres are curved and its wheels have camber.
The truth of the steering is what was put before it, that of the understeer gradient is measured on the model itself in
steady turns (ISO 4138, from memory). `pytest -s` prints the figures.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

pytest.importorskip("vehiclemodels", reason="commonroad-vehicle-models is not installed")

from multi_body_drives import ByWire, car, drive, steady_understeer

from tuning.identification import identify
from tuning.logs import Log

# Limits on what is found: s, relative, rad, relative.
DEAD_TIME, FREQUENCY, OFFSET, GRADIENT = 0.015, 0.10, 0.001, 0.15
# From the yaw rate alone the body's answer and the steering's are seen only one after the other.
GRADIENT_BY_GYRO, FREQUENCY_BY_GYRO = 0.25, 0.20

# By-wire layer; car of MB, softness of its tyres and mass of its rear axle; rate of the log, Hz. All cars as their files
# have them steer neutrally (gradient below 0.3 deg/g), so a relative limit would say nothing of them.
VEHICLES: dict[str, tuple[ByWire, tuple[int, float, float], float]] = {
    "quick": (ByWire(0.09, 16.0, 0.7, 0.004), (1, 2.0, 230.0), 50.0),
    "slow": (ByWire(0.137, 8.0, 1.2, -0.006), (2, 2.0, 230.0), 50.0),
    "limited": (ByWire(0.062, 12.0, 0.8, 0.003, gain=0.96, rate_limit=0.25), (3, 2.0, 260.0), 100.0),
}


@cache
def driven(name: str) -> tuple[Log, dict[str, Any], float]:
    """Give the log of a drive, what is known of the vehicle, and its true understeer gradient."""
    steering, build, rate = VEHICLES[name]
    p = car(*build)
    log, _ = drive(p, steering, seed=1, rate=rate)
    gradient, _ = steady_understeer(p)
    # A tape measure and a weighbridge give these.
    return log, {"wheelbase": p.a + p.b, "mass": p.m, "front_axle_distance": p.a}, gradient


def errors(found: Any, steering: ByWire, gradient: float) -> dict[str, float]:
    """Give found less true: s, relative, rad, relative."""
    vehicle = found.vehicle
    return {
        "dead time": vehicle.steering.dead_time - steering.dead_time,
        "frequency": vehicle.steering.natural_frequency / steering.natural_frequency - 1.0,
        "offset": vehicle.steering.offset - steering.offset,
        "gradient": vehicle.plant.understeer_gradient / gradient - 1.0,
    }


def told(name: str, what: str, miss: dict[str, float], gradient: float) -> None:
    """Print a line of the table."""
    print(
        f"\n{name:<8} {what:<14} dead time {1e3 * miss['dead time']:+5.1f} ms, frequency {100.0 * miss['frequency']:+5.1f} %, "
        f"offset {1e3 * miss['offset']:+5.2f} mrad, gradient {100.0 * miss['gradient']:+5.1f} % of {gradient:.5f} rad/(m/s²)"
    )


@pytest.mark.parametrize("name", VEHICLES)
def test_steering_and_understeer_of_the_multi_body_model(name):
    """With all lateral sensors and the mass known, every value is found within its limit."""
    log, known, gradient = driven(name)
    # Soft enough to be seen, and as road cars have it: 2 to 4.7 deg/g (secondary source).
    assert 1.5 < np.degrees(gradient) * 9.81 < 4.7
    found = identify(log, known=known)
    miss = errors(found, VEHICLES[name][0], gradient)
    told(name, "all sensors", miss, gradient)
    assert abs(miss["dead time"]) < DEAD_TIME
    assert abs(miss["frequency"]) < FREQUENCY
    assert abs(miss["offset"]) < OFFSET
    assert abs(miss["gradient"]) < GRADIENT
    assert found.trusted, found.doubts
    limit = VEHICLES[name][0].rate_limit
    if np.isfinite(limit):
        assert found.vehicle.steering.rate_limit == pytest.approx(limit, rel=0.05)
        assert found.vehicle.steering.gain == pytest.approx(VEHICLES[name][0].gain, abs=0.02)


@pytest.mark.parametrize("name", VEHICLES)
def test_the_multi_body_model_by_its_yaw_rate_alone(name):
    """A gyro alone gives the offset as well; dead time and frequency to their limits or with an interval that holds them."""
    log, known, gradient = driven(name)
    few = Log(log.name, {q: log[q] for q in ("time", "curvature_command", "speed", "yaw_rate")})
    found, steering = identify(few, known=known), VEHICLES[name][0]
    miss = errors(found, steering, gradient)
    told(name, "gyro alone", miss, gradient)

    def held(value: str) -> bool:
        row, true = found.parameters.loc[f"steering.{value}"], getattr(steering, value)
        print(f"         {value} {row['value']:.4g} [{row['low']:.4g}, {row['high']:.4g}] of {true:g}")
        return row["low"] <= true <= row["high"]

    # What of the delay is the steering's and what the rolling body's shows only in the shape of the answer.
    assert abs(miss["dead time"]) < DEAD_TIME or (
        abs(miss["dead time"]) < 2.0 * DEAD_TIME and held("dead_time")
    )
    assert abs(miss["frequency"]) < FREQUENCY_BY_GYRO or held("natural_frequency")
    assert abs(miss["offset"]) < OFFSET
    assert abs(miss["gradient"]) < GRADIENT_BY_GYRO


def test_the_cars_as_they_are_steer_neutrally():
    """Why variants are needed: a car of MB as its file has it shows hardly any understeer."""
    gradient, straight = steady_understeer(car(2))
    assert abs(np.degrees(gradient) * 9.81) < 0.3
    assert abs(straight) < 1e-4
