"""The kinematic single-track: the yaw rate follows the steering angle at once, with an understeer gradient.

Notation: v speed, δ road-wheel angle, L wheelbase, K understeer gradient, r yaw rate, b centre of gravity to
rear axle, p side pull of bank and wind (m/s², + left), which the tyres hold against. Steady cornering of the linear
single-track body, r = v (δ + K p)/(L + K v²), with tan δ for large angles at low speed where it is exact
(Rajamani, Vehicle Dynamics and Control, ch. 2 and 3: from memory). In reverse K changes its sign: the axle that steers
is then the one behind, and a vehicle that understeers ahead oversteers backwards.
"""

from __future__ import annotations

from tracks.one_source import equation, select, sine_cosine

__all__ = ["FOLLOWING_TIME", "kinematic_lateral", "kinematic_motion", "kinematic_yaw_rate"]

# s. The dynamic states are drawn to their kinematic values with this time constant: short against any vehicle,
# long against the step of integration.
FOLLOWING_TIME = 0.05

# An oversteering vehicle (K < 0) has no steady answer beyond its critical speed; its answer is held at ten times
# the neutral one.
_LEAST_DENOMINATOR = 0.1


@equation
def kinematic_yaw_rate(p, speed, angle, pull):
    """Give the yaw rate (rad/s, + left) for a speed (m/s), a road-wheel angle (rad) and a side pull (m/s²)."""
    gradient = select(speed < 0.0, -p.understeer_gradient, p.understeer_gradient)
    denominator = p.wheelbase + gradient * speed * speed
    least = _LEAST_DENOMINATOR * p.wheelbase
    sine, cosine = sine_cosine(angle)
    return (
        speed * (sine + gradient * pull * cosine) / (cosine * select(denominator < least, least, denominator))
    )


@equation
def kinematic_motion(p, speed, lateral_velocity, yaw_rate, angle, pull):
    """Give yaw rate (rad/s) and lateral velocity of the rear-axle middle (m/s): algebraic, without side-slip there."""
    return kinematic_yaw_rate(p, speed, angle, pull), 0.0


@equation
def kinematic_lateral(p, speed, lateral_velocity, yaw_rate, angle, pull):
    """Give the derivatives (m/s², rad/s²) that draw lateral velocity and yaw rate to their kinematic values."""
    target = kinematic_yaw_rate(p, speed, angle, pull)
    return (
        (p.rear_axle_distance * target - lateral_velocity) / FOLLOWING_TIME,
        (target - yaw_rate) / FOLLOWING_TIME,
    )
