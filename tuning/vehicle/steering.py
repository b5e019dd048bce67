"""By-wire steering: static map, answer of second or first order, limits of rate and acceleration, stops, play.

Notation: δ road-wheel angle, ω natural frequency, ζ damping, L wheelbase, κ commanded curvature, a acceleration limit.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from tracks.one_source import clip, equation, select

__all__ = ["GUARD_RATE", "steering_derivative", "steering_target", "unpowered_rate", "wheel_angle"]

# 1/s. How fast the rate closes in on a limit, or the angle on a stop. A hard switch lets the last step before the
# limit overshoot by acceleration × step; this leaves no overshoot, is 99 % at the limit after 23 ms, and at a step
# of 5 ms gives h·λ = 1, well within the 2.78 where RK4 becomes unstable.
GUARD_RATE = 200.0

# s. A first-order steering whose acceleration is limited has its rate as a state, with GUARD_RATE as second pole;
# a shorter lag would make the two poles swing.
_SHORTEST_LAG: Final = 4.0 / GUARD_RATE

_UNLIMITED: Final = 1e8  # rad/s², an acceleration limit above it is none


@equation
def steering_target(p, curvature):
    """Give the road-wheel angle (rad, + left) that the steering goes to for a commanded curvature (1/m, + left).

    The angle asked for, atan(L κ), is taken in steps of the resolution, to the nearest and from the middle away from
    zero, so that left and right are alike. Gain and offset act on that, the stops last.
    """
    asked = np.arctan(p.wheelbase * curvature)
    stepped = p.resolution > 0.0
    steps = asked / select(stepped, p.resolution, 1.0)
    asked = select(stepped, p.resolution * np.sign(steps) * np.floor(np.abs(steps) + 0.5), asked)
    return clip(p.gain * asked + p.offset, -p.angle_limit, p.angle_limit)


@equation
def _pull(linear, ratio, limit):
    """Give the part of the acceleration (rad/s²) that the error asks for, ω² (δ* − δ) near the target.

    A servo that may accelerate by a only must brake in time: far from the target the pull is such that the rate
    follows a parabola, v² = v₀² + 2a(e − e₀), on which it brakes by a. This is the proximate time-optimal servo of
    Workman (1987; Franklin, Powell and Workman, Digital Control of Dynamic Systems: from memory) with a border for
    each damping. The rate that a pull asks for is pull/(2ζω), and braking by a lags behind it by a/(2ζω).

    Up to e₀ = a/ω² · max(1, 4ζ² − 1) the linear law stays as it is. From rest it asks for no more than a within
    a/ω²; and entered at e₀ braking by a, it brakes by less and less from there on if ζ ≥ 1/√2. A law damped less
    runs past its target without any limit too; it is then let in no faster than it could stop.

    Args:
        linear: ω² (δ* − δ), rad/s².
        ratio: 4ζ².
        limit: a, rad/s².
    """
    # In accelerations, ω² times errors and 2ζω times rates, nothing need be divided.
    border = limit * select(ratio > 2.0, ratio - 1.0, 1.0)
    steep = 2.0 * limit * ratio
    start = (border + limit) * (border + limit)
    start = select(start < steep * border, start, steep * border)
    beyond = np.abs(linear) - border
    braking = np.sqrt(start + steep * select(beyond > 0.0, beyond, 0.0)) - limit
    braking = select(braking > border, braking, border)
    return select(beyond > 0.0, select(linear > 0.0, braking, -braking), linear)


@equation
def steering_derivative(p, target, angle, rate):
    """Give the derivatives (rad/s, rad/s²) of road-wheel angle and rate on the way to a target angle (rad).

    Free of limits this is δ̈ = ω² (δ* − δ) − 2 ζ ω δ̇. At the rate limit the rate may only fall, so nothing
    winds up: the steering leaves the limit at the moment the linear law asks for less. At a stop the wheel
    stands, and its rate is lost, which takes more than the motor's acceleration limit.

    The error is reduced by the dead band, not cut to 0 within it: it stays continuous, so the steering neither
    chatters nor cycles at the band's edge, where it comes to rest.

    Where it is the servo's demand that the rate limit bounds, the position loop asks a rate loop of bandwidth 2ζω for
    ω²/(2ζω) (δ* − δ), cut off at the limit (cascaded control, common practice): the same linear answer, but the rate comes
    near its limit, and leaves it, within some 1/(2ζω).

    A steering of first order, T δ̇ = δ* − δ, has its rate follow as a record only. With an acceleration limit its
    rate becomes a state, δ̈ = G ((δ* − δ)/T − δ̇) with G = `GUARD_RATE`: the delay to a ramp is still T.
    """
    error = target - angle
    error = select(p.dead_band > 0.0, error - clip(error, -p.dead_band, p.dead_band), error)
    limit = p.steering_acceleration_limit
    first_order = p.steering_lag > 0.0
    lag = select(first_order, p.steering_lag, 1.0)
    at_once = select(first_order, limit, 0.0) > _UNLIMITED
    slow = select(lag > _SHORTEST_LAG, lag, _SHORTEST_LAG)
    stiffness = select(first_order, GUARD_RATE / slow, p.natural_frequency**2)
    ratio = select(first_order, GUARD_RATE * slow, 4.0 * p.damping * p.damping)
    damping = select(first_order, GUARD_RATE, 2.0 * p.damping * p.natural_frequency)
    angle_dot = clip(
        clip(select(at_once, error / lag, rate), -p.rate_limit, p.rate_limit),
        -GUARD_RATE * (p.angle_limit + angle),
        GUARD_RATE * (p.angle_limit - angle),
    )
    pull = _pull(stiffness * error, ratio, limit)
    most = damping * p.rate_limit
    pull = select(p.rate_demand > 0.0, clip(pull, -most, most), pull)
    by_motor = clip(pull - damping * angle_dot, -limit, limit)
    # The last term is 0 unless a limit holds the wheel back; it then takes the lost rate out of the state.
    acceleration = by_motor + GUARD_RATE * (angle_dot - rate)
    rate_dot = clip(acceleration, -GUARD_RATE * (p.rate_limit + rate), GUARD_RATE * (p.rate_limit - rate))
    return angle_dot, select(at_once, GUARD_RATE * (angle_dot - rate), rate_dot)


@equation
def wheel_angle(p, angle, held):
    """Give the angle of the road wheels (rad, + left) behind the play, where they were `held` before.

    The wheels stay while the actuator crosses the gap and follow at its flanks: the play operator. Evaluated within
    a step from the angle held at its start, and taken over at its end, it is exact as long as the actuator does not
    turn back within a step.
    """
    return select(p.play > 0.0, angle + clip(held - angle, -p.play, p.play), angle)


@equation
def unpowered_rate(p, speed, angle, rate):
    """Give the derivatives (rad/s, rad/s²) of angle and rate of a steering without power.

    It stays where it is, or, where the aligning moment of the tyres turns it back, goes to straight exponentially
    while the vehicle moves.
    """
    angle_dot = -p.return_rate * angle * clip(np.abs(speed), 0.0, 1.0)
    return angle_dot, GUARD_RATE * (angle_dot - rate)
