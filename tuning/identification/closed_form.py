"""Frequency responses of an identified vehicle, worked out from its values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.vehicle import Vehicle

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

    Steering as `steering_response`, then the body, times the wheelbase: 1 for a vehicle that drives the curvature it is
    asked for. A kinematic body answers at once by 1/(1 + K v²/L); the linear single-track body by its two states
    (R. Rajamani, "Vehicle Dynamics and Control", ch. 2, from memory), with axle stiffnesses C_f and C_r:

        v̇ = -(C_f + C_r)/(m V) v + ((C_r b - C_f a)/(m V) - V) r + C_f/m δ
        ṙ = (C_r b - C_f a)/(J V) v - (C_f a² + C_r b²)/(J V) r + C_f a/J δ

    Tests hold it against `tuning.vehicle.linear.linearise`, which works the same out from the simulated equations, for
    every body, but compiles them first.

    Args:
        vehicle: kinematic or single-track; brush tyres are taken by their stiffness.
        frequency: Hz, shape (m,).
        speed: m/s, above 0.
    """
    steered = steering_response(vehicle, frequency)
    p = vehicle.plant
    if vehicle.model_name == "kinematic":
        return steered / (1.0 + p.understeer_gradient * speed**2 / p.wheelbase)
    front, rear, mass, inertia = p.stiffness_front, p.stiffness_rear, p.mass, p.yaw_inertia
    a, b = p.front_axle_distance, p.rear_axle_distance
    across = rear * b - front * a
    slide = 2j * np.pi * np.asarray(frequency, dtype=float) + (front + rear) / (mass * speed)
    turn = 2j * np.pi * np.asarray(frequency, dtype=float) + (front * a**2 + rear * b**2) / (inertia * speed)
    coupled = across / (inertia * speed) * (across / (mass * speed) - speed)
    yaw_rate = (slide * front * a / inertia + across / (inertia * speed) * front / mass) / (
        slide * turn - coupled
    )
    return steered * yaw_rate * p.wheelbase / speed
