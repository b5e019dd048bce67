"""The prediction model of the nonlinear predictive law: motion in path coordinates, differentiated by CasADi.

Notation: e lateral error of the rear axle [m, + left], ψ heading of the body against the path [rad], s arc length [m],
v speed along the vehicle [m/s], v_r lateral velocity of the rear-axle middle [m/s], r yaw rate [rad/s], κ_r curvature of
the path [1/m], u curvature asked for and w that which the road wheels stand for [1/m], T lag of the steering [s], L
wheelbase, K understeer gradient:

    ṡ = (v cos ψ − v_r sin ψ)/(1 − κ_r e)    ė = v sin ψ + v_r cos ψ    ψ̇ = r − κ_r ṡ    T ẇ = u − w    v̈ = jerk

with the road-wheel angle δ = atan(w (L + K v²)), as the tracker turns a curvature into an angle. r and v_r are those of
`tracker.motion`: the bench's vehicles move by the same source. Over a step u and the jerk are constant, so w and v are
exact; the rest is integrated by the classical Runge-Kutta method (`nonlinear_mpc_integrator`). κ_r is linear in s over a
step.

CasADi differentiates the right-hand side once for a vehicle, not the integrated step: that has a tenth of the operations,
and serves any number of substeps.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from tracker.laws.nonlinear_mpc_values import NO_LAG
from tracker.motion.body import BodyParameters
from tracker.motion.kinematic import FOLLOWING_TIME, kinematic_motion
from tracker.motion.single_track import (
    DYNAMIC_ABOVE,
    KINEMATIC_BELOW,
    dynamic_share,
    single_track_lateral,
    single_track_motion,
)
from tracks.one_source import equation, select, traced

__all__ = ["MOVED", "POINT", "most_stiff", "path_rates", "rates_of", "substeps"]

MOVED = 5  # states that are integrated: s, e, ψ, lateral velocity, yaw rate
POINT = 7  # arguments of `path_rates` behind the vehicle's

# h λ of a substep. Beyond it the method leaves more than 5 % of a step's change in a decaying state; 2.78 is unstable.
_LARGEST_STEP = 1.5
_MOST_SUBSTEPS = 16
_LAG_SHARE = (
    0.6  # of the steering's pole: w is exact, so only its integral by Simpson's rule (1 % at 1.5) counts
)
# 1 − κ_r e, which is 0 at the centre of the path's curvature: nobody drives there, but an iterate may get near.
_LEAST_STRETCH = 0.2


@equation
def path_rates(tyres, p, offset, heading, lateral_velocity, yaw_rate, steered, speed, bend):
    """Give the derivatives of (s, e, ψ, lateral velocity, yaw rate).

    Args:
        tyres: 1 where the tyres are known, else 0.
        p: BodyParameters.
        offset, heading: e, m, and ψ, rad.
        lateral_velocity, yaw_rate: of the centre of gravity, m/s, and rad/s; without tyres they stay.
        steered, speed, bend: w, 1/m, v, m/s, and κ_r, 1/m.
    """
    angle = np.arctan(steered * (p.wheelbase + p.understeer_gradient * speed * speed))
    if tyres == 1:
        turn, slide = single_track_motion(p, speed, lateral_velocity, yaw_rate, angle, 0.0)
        velocity_dot, yaw_dot = single_track_lateral(p, speed, lateral_velocity, yaw_rate, angle, 0.0, 0.0)
    else:
        turn, slide = kinematic_motion(p, speed, lateral_velocity, yaw_rate, angle, 0.0)
        velocity_dot, yaw_dot = 0.0, 0.0
    sine, cosine = np.sin(heading), np.cos(heading)
    along = (speed * cosine - slide * sine) / np.maximum(1.0 - bend * offset, _LEAST_STRETCH)
    return along, speed * sine + slide * cosine, turn - bend * along, velocity_dot, yaw_dot


@equation
def most_stiff(tyres, p, speed):
    """Give the size of the fastest pole (1/s) of the lateral motion about straight driving, 0 without tyres.

    λ² + A₁ λ + A₀ = 0 of the linear single-track, mixed with the pole of the kinematic form by the hand-over.
    """
    if tyres == 0:
        return 0.0
    u = np.maximum(speed, KINEMATIC_BELOW)
    m, inertia, a, b = p.mass, p.yaw_inertia, p.front_axle_distance, p.rear_axle_distance
    front, rear = p.stiffness_front, p.stiffness_rear
    half = 0.5 * ((front + rear) / m + (a * a * front + b * b * rear) / inertia) / u
    product = (
        front * rear * p.wheelbase * p.wheelbase / (m * inertia * u * u) + (b * rear - a * front) / inertia
    )
    root = half * half - product
    fastest = select(root > 0.0, half + np.sqrt(np.maximum(root, 0.0)), np.sqrt(np.maximum(product, 0.0)))
    return 1.0 / FOLLOWING_TIME + dynamic_share(speed) * (fastest - 1.0 / FOLLOWING_TIME)


@equation
def substeps(tyres, p, lag, slowest, fastest, step):
    """Give how many substeps a step [s] needs between two speeds [m/s], with a lag of the steering [s]."""
    # Between two speeds the pole is largest at the lower, or where the hand-over ends.
    stiff = np.maximum(most_stiff(tyres, p, slowest), most_stiff(tyres, p, fastest))
    if slowest < DYNAMIC_ABOVE and fastest > KINEMATIC_BELOW:
        stiff = np.maximum(stiff, most_stiff(tyres, p, DYNAMIC_ABOVE))
    if lag >= NO_LAG:
        stiff = np.maximum(stiff, _LAG_SHARE / lag)
    return int(min(max(np.ceil(step * stiff / _LARGEST_STEP), 1.0), float(_MOST_SUBSTEPS)))


def rates_of(tyres: int, body: BodyParameters, points: int, quick: bool) -> Any:
    """Give `path_rates` of a vehicle with their slopes, for many points at a time.

    Args:
        tyres, body: as for `path_rates`.
        points: m, how many are evaluated at a time.
        quick: whether every speed is above the hand-over, which spares a third of the operations.

    Returns:
        casadi.Function from points (7, m) to rates (5, m) and their slopes (35, m), by columns.
    """
    return _traced_rates(tyres, body, quick).map(points)


@lru_cache(maxsize=16)
def _traced_rates(tyres: int, body: BodyParameters, quick: bool) -> Any:
    """Trace the equations for one point; kept for the next drive of the same vehicle, as that takes some 20 ms."""
    import casadi  # kept out of the start-up of everything that does not use this law

    point = casadi.SX.sym("point", POINT)
    instead = {dynamic_share: _whole} if quick else None
    rates = casadi.vertcat(*traced(path_rates, instead)(tyres, body, *casadi.vertsplit(point)))
    slopes = casadi.densify(casadi.jacobian(rates, point))
    return casadi.Function("rates", [point], casadi.cse([rates, casadi.vec(slopes)]))


def _whole(_speed: Any) -> float:
    """Stands for `dynamic_share` above the hand-over."""
    return 1.0
