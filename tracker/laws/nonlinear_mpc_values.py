"""The nonlinear predictive law's settings, the vehicle and the envelope as floats for compiled code."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tracker.envelope import EnvelopeValues
from tracker.motion.body import BodyParameters, body_of
from tracker.response import Response
from tracks.one_source import equation, select

if TYPE_CHECKING:
    from tracker.laws.nonlinear_mpc import NonlinearMPC

__all__ = [
    "ACCELERATION",
    "ALONG",
    "ASKED",
    "HEADING",
    "INPUTS",
    "LATERAL",
    "NO_LAG",
    "OFFSET",
    "SPEED",
    "STATES",
    "STEERED",
    "TABLE_SPEEDS",
    "VELOCITY",
    "YAW_RATE",
    "NonlinearMpcValues",
    "crossing_weight",
    "input_weight",
    "lag_left",
    "rate_limit",
    "rate_weight",
    "values_of",
]

# A state, by index. Lateral velocity and yaw rate stay at 0 where the tyres are not known.
ALONG = 0  # arc length since the view, m
OFFSET = 1  # e, lateral error of the rear-axle middle, m, + left
HEADING = 2  # ψ, heading of the body against the path, rad
VELOCITY = 3  # lateral velocity of the centre of gravity, m/s, + left
YAW_RATE = 4  # rad/s
STEERED = (
    5  # curvature that belongs to the road-wheel angle in a steady turn: the one asked for, lagging, 1/m
)
ASKED = 6  # curvature asked for last, 1/m
SPEED = 7  # m/s
ACCELERATION = 8  # m/s²
STATES = 9
LATERAL = 6  # states 1 to 6

INPUTS = 2  # rate of the curvature asked for, 1/(m s), and longitudinal jerk, m/s³


TABLE_SPEEDS = 24  # of terminal costs: neighbours differ by some 20 %, P between them is interpolated
NO_LAG = 0.01  # s, below which the road wheels count as following at once


class NonlinearMpcValues(NamedTuple):
    """What the kernels of the nonlinear predictive law must know; weights are 1/tolerance².

    Attributes:
        period: length of the first step, the time between two commands, s.
        step: length of every other step, s.
        lateral_weight, heading_weight, velocity_weight: 1/m², 1/rad², s²/m².
        rate_weight, jerk_weight, acceleration_weight: of the curvature asked for: (m s)², s⁶/m², s⁴/m².
        corridor_weight: of the excursion beyond the corridor, 1/m².
        speed_weight, thrust_weight, push_weight: of speed, acceleration and longitudinal jerk: s²/m², s⁴/m², s⁶/m².
        half_width: that the rear axle keeps from the corridor's edge, m.
        body: constants of the lateral motion.
        lag: of the steering, s.
        creep: lowest speed predicted with, m/s.
        per_log_speed: rows of the terminal table per unit of the speed's logarithm.
        speed_factor: of the track's plan.
        curvature, curvature_rate, lateral_acceleration, lateral_jerk: limits, 1/m, 1/(m s), m/s², m/s³.
        acceleration, deceleration, jerk: limits along the path, m/s², m/s², m/s³.
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
    speed_weight: float
    thrust_weight: float
    push_weight: float
    half_width: float
    body: BodyParameters
    lag: float
    creep: float
    per_log_speed: float
    speed_factor: float
    curvature: float
    curvature_rate: float
    lateral_acceleration: float
    lateral_jerk: float
    acceleration: float
    deceleration: float
    jerk: float


@equation
def crossing_weight(values: NonlinearMpcValues, speed: float) -> float:
    """Give the weight of ė², s²/m²: the rear axle's course against the path, as an angle and as a lateral velocity."""
    return values.velocity_weight + values.heading_weight / (speed * speed)


@equation
def rate_weight(values: NonlinearMpcValues, speed: float) -> float:
    """Give the weight of (u̇)², (m s)²: the steering's own tolerance, and v² u̇ as lateral jerk."""
    square = speed * speed
    return values.rate_weight + values.jerk_weight * square * square


@equation
def input_weight(values: NonlinearMpcValues, speed: float) -> float:
    """Give the weight of (u − u_s)², m²: v² (u − u_s) as the lateral acceleration of a correction of the steady turn's u_s."""
    square = speed * speed
    return values.acceleration_weight * square * square


@equation
def rate_limit(values: NonlinearMpcValues, speed: float) -> float:
    """Give the largest |u̇| at a speed above 0 [m/s], 1/(m s): the steering's, and that of the lateral jerk."""
    return np.minimum(values.curvature_rate, values.lateral_jerk / (speed * speed))


@equation
def lag_left(lag: float, time: float) -> float:
    """Give what is left after a time [s] of a gap between the road wheels and what is asked of them."""
    return select(lag < NO_LAG, 0.0, np.exp(-time / np.maximum(lag, NO_LAG)))


def values_of(
    law: NonlinearMPC, response: Response, envelope: EnvelopeValues, period: float, speed_factor: float,
    creep: float, fastest: float,
) -> NonlinearMpcValues:  # fmt: skip
    """Give a law's settings for compiled code; arguments as in `Law.start`, and the ends of the table's speeds, m/s."""
    return NonlinearMpcValues(
        period=period,
        step=law.step,
        lateral_weight=law.lateral_tolerance**-2,
        heading_weight=law.heading_tolerance**-2,
        velocity_weight=law.lateral_velocity_tolerance**-2,
        rate_weight=law.curvature_rate_tolerance**-2,
        jerk_weight=law.lateral_jerk_tolerance**-2,
        acceleration_weight=law.lateral_acceleration_tolerance**-2,
        corridor_weight=law.corridor_tolerance**-2,
        speed_weight=law.speed_tolerance**-2,
        thrust_weight=law.acceleration_tolerance**-2,
        push_weight=law.jerk_tolerance**-2,
        half_width=0.5 * (response.width or 0.0) + law.corridor_margin,
        body=body_of(response),
        lag=response.lag,
        creep=creep,
        per_log_speed=(TABLE_SPEEDS - 1) / math.log(fastest / creep),
        speed_factor=speed_factor,
        curvature=envelope.curvature,
        curvature_rate=envelope.curvature_rate,
        lateral_acceleration=envelope.lateral_acceleration,
        lateral_jerk=envelope.lateral_jerk,
        acceleration=envelope.acceleration,
        deceleration=envelope.deceleration,
        jerk=law.jerk,
    )
