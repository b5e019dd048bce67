"""The predictive law's settings, the vehicle and the envelope as floats for compiled code, and the weights at a speed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.options import Options
from tracker.response import ResponseValues
from tracks.one_source import clip, equation, select

__all__ = [
    "LONGEST_STEP",
    "SHORTEST_STEP",
    "MpcValues",
    "Weights",
    "step_at",
    "weights_of",
]

# s: bounds of a step that follows from a distance
SHORTEST_STEP = 0.02
LONGEST_STEP = 0.5


class MpcValues(NamedTuple):
    """What the kernels of the predictive law must know.

    Attributes:
        period: length of the first step, the time between two commands, s.
        step: length of every other step, s.
        stride: length of every other step as a distance, m; 0.0: `step` holds.
        corridor_weight: of the excursion beyond the corridor, 1/m².
        half_width: that the rear axle keeps from the corridor's edge, m.
        creep: lowest speed predicted with, m/s.
        per_log_speed: rows of the table of weights and terminal costs per unit of the speed's logarithm.
        speed_step: length of every step of the speed's horizon but the first, s.
        speed_weight: of a speed above its bound, s²/m².
        speed_factor: of the track's plan.
        jerk: limit of the rate of the acceleration asked for, m/s³.
        response: of the vehicle.
        envelope: limits on what is asked for.
        options: of the tracker, for the reading of the plan; its speed factor is 1 where the plan is what can be held,
            which has the factor in it.
    """

    period: float
    step: float
    stride: float
    corridor_weight: float
    half_width: float
    creep: float
    per_log_speed: float
    speed_step: float
    speed_weight: float
    speed_factor: float
    jerk: float
    response: ResponseValues
    envelope: EnvelopeValues
    options: Options


class Weights(NamedTuple):
    """Weights of the cost at a speed: of e² [1/m²], of the course χ² [1/rad²], of u̇² [(m s)²], of (u − κ_r)² [m²]."""

    lateral: float
    course: float
    rate: float
    effort: float


@equation
def weights_of(tolerances: np.ndarray, speed: float) -> Weights:
    """Give the weights at a speed [m/s] from those of the six tolerances (each 1/tolerance²), shape (6,).

    In the order lateral error, heading, lateral velocity, curvature rate, lateral jerk, lateral acceleration.

    The course χ counts as an angle and as the lateral velocity v χ, u̇ as a rate and as the lateral jerk v² u̇, and
    u − κ_r as the lateral acceleration v² (u − κ_r) of a correction.
    """
    square = speed * speed
    fourth = square * square
    return Weights(
        tolerances[0],
        tolerances[1] + tolerances[2] * square,
        tolerances[3] + tolerances[4] * fourth,
        tolerances[5] * fourth,
    )


@equation
def step_at(values: MpcValues, speed: float) -> float:
    """Give the length of a step of the horizon at a speed above 0 [m/s], s."""
    by_distance = clip(values.stride / speed, SHORTEST_STEP, LONGEST_STEP)
    return select(values.stride > 0.0, by_distance, values.step)
