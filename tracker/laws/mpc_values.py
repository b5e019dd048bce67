"""The predictive law's settings, the vehicle's lag and the envelope as floats for compiled code."""

from __future__ import annotations

from typing import NamedTuple

from tracker.response import ResponseValues
from tracks.one_source import equation

__all__ = ["MpcValues", "angle_weight", "input_weight", "rate_weight"]


class MpcValues(NamedTuple):
    """What the kernels of the predictive law must know; weights are 1/tolerance².

    Attributes:
        period: length of the first step, the time between two commands, s.
        step: length of every other step, s.
        lateral_weight, heading_weight, velocity_weight: 1/m², 1/rad², s²/m².
        rate_weight, jerk_weight, acceleration_weight: (m s)², s⁶/m², s⁴/m².
        corridor_weight: of the excursion beyond the corridor, 1/m².
        half_width: that the rear axle keeps from the corridor's edge, m.
        response: of the vehicle; its lag grows with the speed where tyres are known.
        creep: lowest speed predicted with, m/s.
        per_log_speed: rows of the terminal table per unit of the speed's logarithm.
        speed_factor: of the track's plan.
        curvature, curvature_rate, lateral_acceleration: limits, 1/m, 1/(m s), m/s².
    """

    period: float
    step: float
    lateral_weight: float
    heading_weight: float
    velocity_weight: float
    rate_weight: float
    jerk_weight: float
    acceleration_weight: float
    corridor_weight: float
    half_width: float
    response: ResponseValues
    creep: float
    per_log_speed: float
    speed_factor: float
    curvature: float
    curvature_rate: float
    lateral_acceleration: float


@equation
def angle_weight(values: MpcValues, speed: float) -> float:
    """Give the weight of ψ², 1/rad²: the heading's own tolerance, and v ψ as lateral velocity."""
    return values.heading_weight + values.velocity_weight * speed * speed


@equation
def rate_weight(values: MpcValues, speed: float) -> float:
    """Give the weight of (u̇)², (m s)²: the steering's own tolerance, and v² u̇ as lateral jerk."""
    square = speed * speed
    return values.rate_weight + values.jerk_weight * square * square


@equation
def input_weight(values: MpcValues, speed: float) -> float:
    """Give the weight of (u − κ_r)², m²: v² (u − κ_r) as the lateral acceleration of a correction."""
    square = speed * speed
    return values.acceleration_weight * square * square
