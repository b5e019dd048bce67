"""The dynamic single-track with linear axles, handed over to the kinematic form at low speed.

Notation: m mass, I yaw inertia, a and b centre of gravity to front and rear axle, C_f and C_r cornering
stiffness of an axle, u speed along the vehicle, v lateral velocity of the centre of gravity, r yaw rate,
δ road-wheel angle, α slip angle, F lateral axle force (+ left).

    tan α_f = (t − tan δ)/(1 + t tan δ), t = (v + a r)/u      tan α_r = (v − b r)/u      F = −C tan α
    m (v̇ + u r) = F_f cos δ + F_r + m p    I ṙ = a F_f cos δ − b F_r + I q

with side pull p and turn q of bank and wind. In reverse the slip is that of the ground under the wheel, over |u|.

Rajamani, Vehicle Dynamics and Control, ch. 2 (from memory), there for small angles, where tan α is α; in the tangent
no inverse function is needed. The slip is singular at u = 0, so the kinematic form takes over below 3 m/s and is
alone below 1 m/s. Side forces do not slow the vehicle down, so one that spins, as when it is steered hard in fast
reverse, spins ever faster: what is beyond the grip is for brush tyres.
"""

from __future__ import annotations

import numpy as np

from tracker.motion.kinematic import kinematic_lateral, kinematic_motion
from tracks.one_source import clip, equation, select, sine_cosine

__all__ = [
    "DYNAMIC_ABOVE",
    "KINEMATIC_BELOW",
    "LARGEST_SLIP",
    "axle_forces",
    "dynamic_share",
    "single_track_lateral",
    "single_track_motion",
]

# Slip beyond 71 degrees says no more: the tyre slides. The bound lets a vehicle that slides sideways recover.
LARGEST_SLIP = 3.0

KINEMATIC_BELOW = 1.0  # m/s; the dynamic form has no share below it, so its denominator may stay there
DYNAMIC_ABOVE = 3.0  # m/s; the dynamic form is alone above it

# Of the speed. A front wheel that is steered hard while the vehicle slides may move across its plane, where tan α is
# infinite; in a turn without slide the wheel is never slower than the vehicle.
_LEAST_ALONG = 0.5


@equation
def dynamic_share(speed):
    """Give the share of the dynamic form, 0 to 1, by a smoothstep in |speed| (m/s) with continuous slope."""
    t = clip((np.abs(speed) - KINEMATIC_BELOW) / (DYNAMIC_ABOVE - KINEMATIC_BELOW), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


@equation
def axle_forces(p, speed, lateral_velocity, yaw_rate, angle):
    """Give the lateral forces (N, + left, in the axes of each axle's wheels) of front and rear axle."""
    floor = select(speed < 0.0, -KINEMATIC_BELOW, KINEMATIC_BELOW)
    u = select(np.abs(speed) < KINEMATIC_BELOW, floor, speed)
    sine, cosine = sine_cosine(angle)
    front = lateral_velocity + p.front_axle_distance * yaw_rate
    along_front = np.maximum(np.abs(u * cosine + front * sine), _LEAST_ALONG * np.abs(u))
    slip_front = (front * cosine - u * sine) / along_front
    slip_rear = (lateral_velocity - p.rear_axle_distance * yaw_rate) / np.abs(u)
    return (
        -p.stiffness_front * clip(slip_front, -LARGEST_SLIP, LARGEST_SLIP),
        -p.stiffness_rear * clip(slip_rear, -LARGEST_SLIP, LARGEST_SLIP),
    )


@equation
def single_track_lateral(p, speed, lateral_velocity, yaw_rate, angle, pull, turn):
    """Give the derivatives of lateral velocity (m/s²) and yaw rate (rad/s²) at the centre of gravity."""
    front, rear = axle_forces(p, speed, lateral_velocity, yaw_rate, angle)
    front = front * sine_cosine(angle)[1]
    velocity_dynamic = (front + rear) / p.mass - speed * yaw_rate + pull
    yaw_dynamic = (p.front_axle_distance * front - p.rear_axle_distance * rear) / p.yaw_inertia + turn
    velocity_kinematic, yaw_kinematic = kinematic_lateral(p, speed, lateral_velocity, yaw_rate, angle, pull)
    share = dynamic_share(speed)
    return (
        velocity_kinematic + share * (velocity_dynamic - velocity_kinematic),
        yaw_kinematic + share * (yaw_dynamic - yaw_kinematic),
    )


@equation
def single_track_motion(p, speed, lateral_velocity, yaw_rate, angle, pull):
    """Give yaw rate (rad/s) and lateral velocity of the rear-axle middle (m/s, + left)."""
    kinematic_rate, _ = kinematic_motion(p, speed, lateral_velocity, yaw_rate, angle, pull)
    share = dynamic_share(speed)
    return (
        kinematic_rate + share * (yaw_rate - kinematic_rate),
        share * (lateral_velocity - p.rear_axle_distance * yaw_rate),
    )
