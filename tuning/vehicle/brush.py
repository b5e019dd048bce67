"""Brush tyres: side force over slip with a limit, its loss to drive and brake, and how the slip builds up.

Notation: C cornering stiffness, μ friction, F_z load, F_x longitudinal and F_y side force of an axle, s tan of the slip
angle as the tyre has built it up, σ relaxation length.

    z = C |s|/(3 μ F_z)    F_y = −sgn(s) μ F_z (1 − (1 − z)³) for z < 1, else −sgn(s) μ F_z

the brush with a parabolic distribution of pressure (E. Fiala 1954; H. B. Pacejka, Tire and Vehicle Dynamics, ch. 3: from
memory). Under drive or brake √((μ F_z)² − F_x²) stands for μ F_z: the friction ellipse, here a circle (Pacejka, from
memory).

    σ ṡ = w_y − |w_x| s

with w_x and w_y the velocity of the axle along and across its wheels: the stretched string, first-order relaxation
(Pacejka, ch. 7, from memory). Nothing is divided by speed, so standstill is no singularity.
"""

from __future__ import annotations

import numpy as np

from tracker.motion.single_track import LARGEST_SLIP
from tracks.one_source import clip, equation

__all__ = ["brush_force", "relaxation", "side_capacity"]

# s. The relaxation length is never less than the travel in this time: the slip then follows at 200 1/s at most, which
# RK4 at 5 ms integrates (h λ = 1). A common length of 0.3 m meets it at 60 m/s.
_SHORTEST_TIME = 0.005

# m. At walking pace axle stiffness and relaxation length make an oscillation of √(C/(m σ)); this bounds it to
# 224 rad/s for the stiffest body that a vehicle may have, again h λ near 1.
_SHORTEST_LENGTH = 0.02

# Share of the capacity that stays for side force at the limit of drive or brake, squared: it keeps the slope of the
# root finite, and the sum of both forces is 0.005 % above μ F_z there.
_LEAST_SHARE_SQUARED = 1e-4

_TINY = 1e-12  # keeps a quotient of two zeros at 0: no load, no friction


@equation
def side_capacity(grip, along):
    """Give the largest side force (N) beside a longitudinal force (N), both of an axle with grip μ F_z (N)."""
    square = grip * grip
    # The last term, a millionth of a newton, keeps the root's slope finite without grip.
    return np.sqrt(np.maximum(square - along * along, _LEAST_SHARE_SQUARED * square) + 1e-12)


@equation
def brush_force(stiffness, capacity, slip):
    """Give the side force (N, + left) of an axle: stiffness (N/rad), largest side force (N), tan of the slip angle.

    Written as −C s (1 − z + z²/3) with s held where the whole contact slides (z = 1), which is the same.
    """
    sliding = 3.0 * capacity / (stiffness + _TINY)
    bounded = clip(slip, -sliding, sliding)
    z = stiffness * np.abs(bounded) / (3.0 * capacity + _TINY)
    return -stiffness * bounded * (1.0 - z * (1.0 - z / 3.0))


@equation
def relaxation(length, along, across, slip, yielding):
    """Give the derivative (1/s) of an axle's slip: relaxation length (m), velocity along and across its wheels (m/s).

    A compliance c of the steering turns the wheels away from the force, which makes the slip follow 1 + c C times as
    fast; `yielding` is that factor, 1 without compliance, with which the shortest relaxation length grows.
    """
    travel = np.maximum(np.abs(along), np.abs(across) / LARGEST_SLIP)
    shortest = yielding * np.maximum(_SHORTEST_LENGTH, _SHORTEST_TIME * travel)
    return (across - travel * slip) / np.maximum(length, shortest)
