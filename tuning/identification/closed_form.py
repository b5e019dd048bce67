"""Frequency responses of an identified vehicle, worked out from its values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.vehicle import Vehicle
from tuning.vehicle.linear import linearise

__all__ = ["curvature_response", "steering_response"]

Array = NDArray[np.float64]


def steering_response(vehicle: Vehicle, frequency: Array) -> NDArray[np.complex128]:
    """Give the response from the road-wheel angle asked for to the steering angle, shape (m,), at frequencies in Hz.

    H = gain · exp(-jωτ) · ω_n²/(ω_n² - ω² + 2jζω_nω), or exp(-jωτ)/(1 + jωT) for a first order; small motions: no
    limit, play or dead band acts.
    """
    steering = vehicle.steering
    w = 2.0 * np.pi * np.asarray(frequency, dtype=float)
    if steering.lag is not None:
        answer = 1.0 / (1.0 + 1j * w * steering.lag)
    else:
        natural = steering.natural_frequency
        answer = natural**2 / (natural**2 - w**2 + 2j * steering.damping * natural * w)
    return steering.gain * np.exp(-1j * w * steering.dead_time) * answer


def curvature_response(vehicle: Vehicle, frequency: Array, speed: float) -> NDArray[np.complex128]:
    """Give the response from the curvature asked for to yaw rate over speed, shape (m,), straight ahead at a speed.

    Steering as `steering_response`, then the body linearised about straight driving (`linearise`), times the wheelbase:
    1 for a vehicle that drives the curvature it is asked for.

    Args:
        vehicle: the vehicle.
        frequency: Hz, shape (m,).
        speed: m/s, above 0.

    Raises:
        InputError: as `linearise`.
    """
    body = linearise(vehicle, speed)
    turned = np.asarray(body(2j * np.pi * np.asarray(frequency, dtype=float), squeeze=False))[0, 0]
    return steering_response(vehicle, frequency) * turned * vehicle.body.wheelbase / speed
