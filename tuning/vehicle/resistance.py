"""What acts on a body from outside: air, rolling, grade and bank, and the grip that bounds drive and brake.

Notation: m mass, g gravity, ρ density of air, v speed, c_r coefficient of rolling resistance, d viscous drag. On a level
road the deceleration is c_r g + d v + ½ ρ c_w A v²/m: the three terms F0 + F1 v + F2 v² of the road load that coasting
down shows (ISO 10521-1, from memory).
"""

from __future__ import annotations

import numpy as np

from tracks.one_source import clip, equation, select, sine_cosine

__all__ = ["GRAVITY", "along", "side_pull"]

GRAVITY = 9.80665  # m/s², standard gravity (ISO 80000-3)
AIR_DENSITY = 1.225  # kg/m³, ISO 2533 standard atmosphere at sea level
_ROLLING_FADE = 0.1  # m/s, below which rolling resistance fades out, as it does not push backwards


@equation
def side_pull(p, around, speed, lateral_velocity):
    """Give side acceleration (m/s², + left) and yaw acceleration (rad/s², + left) by bank and side wind.

    The side force of the air is ½ ρ A V w with the air's speed V relative to the vehicle and its part w across;
    it acts where the pressure centre is.
    """
    sine, _ = sine_cosine(around.bank)
    across = around.side_wind - lateral_velocity
    heavy = p.mass > 0.0
    # The last term, a millionth of a m/s, keeps the root's slope finite at standstill.
    force = 0.5 * AIR_DENSITY * p.side_area * np.sqrt(speed * speed + across * across + 1e-12) * across
    pull = select(heavy, force / select(heavy, p.mass, 1.0), 0.0)
    turn = select(heavy, force * p.pressure_centre / select(heavy, p.yaw_inertia, 1.0), 0.0)
    return pull - GRAVITY * sine, turn


@equation
def resistance(p, around, speed):
    """Give the acceleration (m/s²) by air, rolling, bearings and grade along the vehicle's x axis."""
    sine, cosine = sine_cosine(around.grade)
    heavy = p.mass > 0.0
    air = select(heavy, 0.5 * AIR_DENSITY * p.drag_area / select(heavy, p.mass, 1.0), 0.0)
    rolling = p.rolling_resistance * GRAVITY * cosine * clip(speed / _ROLLING_FADE, -1.0, 1.0)
    return -air * speed * np.abs(speed) - p.viscous_drag * speed - rolling - GRAVITY * sine


@equation
def along(p, around, speed, drive, brake):
    """Give the derivative of the speed (m/s²) of a body whose tyres are not modelled along.

    Args:
        p: PlantParameters.
        around: Surroundings.
        speed: m/s.
        drive, brake: what they give along the vehicle's x axis, m/s²; together they are bounded by the grip.
    """
    grip = p.friction * around.friction * GRAVITY
    return clip(drive + brake, -grip, grip) + resistance(p, around, speed)
