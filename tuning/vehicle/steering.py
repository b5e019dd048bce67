"""By-wire steering: static map, answer of second or first order, rate limit and stops.

Notation: δ road-wheel angle, ω natural frequency, ζ damping, L wheelbase, κ commanded curvature.
"""

from __future__ import annotations

import numpy as np

from tracks.one_source import clip, equation, select

__all__ = ["GUARD_RATE", "steering_derivative", "steering_target", "unpowered_rate", "wheel_angle"]

# 1/s. How fast the rate closes in on a limit, or the angle on a stop. A hard switch lets the last step before the
# limit overshoot by acceleration × step; this leaves no overshoot, is 99 % at the limit after 23 ms, and at a step
# of 5 ms gives h·λ = 1, well within the 2.78 where RK4 becomes unstable.
GUARD_RATE = 200.0


@equation
def steering_target(p, curvature):
    """Give the road-wheel angle (rad, + left) that the steering goes to for a commanded curvature (1/m, + left)."""
    return clip(p.gain * np.arctan(p.wheelbase * curvature) + p.offset, -p.angle_limit, p.angle_limit)


@equation
def steering_derivative(p, target, angle, rate):
    """Give the derivatives (rad/s, rad/s²) of road-wheel angle and rate on the way to a target angle (rad).

    Free of limits this is δ̈ = ω² (δ* − δ) − 2 ζ ω δ̇. At the rate limit the rate may only fall, so nothing
    winds up: the steering leaves the limit at the moment the linear law asks for less. At a stop the wheel
    stands, and its rate is lost. A steering of first order, T δ̇ = δ* − δ, has its rate follow as a record only.
    """
    first_order = p.steering_lag > 0.0
    first_order_rate = (target - angle) / select(first_order, p.steering_lag, 1.0)
    angle_dot = clip(
        clip(select(first_order, first_order_rate, rate), -p.rate_limit, p.rate_limit),
        -GUARD_RATE * (p.angle_limit + angle),
        GUARD_RATE * (p.angle_limit - angle),
    )
    # The last term is 0 unless a limit holds the wheel back; it then takes the lost rate out of the state.
    acceleration = (
        p.natural_frequency**2 * (target - angle)
        - 2.0 * p.damping * p.natural_frequency * angle_dot
        + GUARD_RATE * (angle_dot - rate)
    )
    rate_dot = clip(acceleration, -GUARD_RATE * (p.rate_limit + rate), GUARD_RATE * (p.rate_limit - rate))
    return angle_dot, select(first_order, GUARD_RATE * (angle_dot - rate), rate_dot)


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
