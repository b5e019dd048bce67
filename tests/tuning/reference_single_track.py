"""The tyre law of the reference model ST inside the equations of this bench, and drives of both.

ST (vehicle_dynamics_st.py) has the state (x, y, δ, V, ψ, r, β) at the centre of gravity, with the size V of
the velocity and its angle β, where this bench has u = V cos β and v = V sin β at the centre of gravity and
its x and y at the rear axle. In ST

    F_f = C_f (δ − β − a r/V)    F_r = C_r (b r/V − β)
    m V (β̇ + r) = F_f + F_r    I ṙ = a F_f − b F_r    V̇ = a_x
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from vehiclemodels.vehicle_dynamics_st import vehicle_dynamics_st

from tracker.motion.single_track import axle_forces, dynamic_share
from tracks.one_source import _rebound
from tuning.vehicle import Inputs, State, Surroundings, Vehicle
from tuning.vehicle.resistance import along

__all__ = ["SmallAngleTyres", "at_centre", "drive_ours", "drive_reference", "ours_of", "reference_slope"]

TYRES_ABOVE = 0.1  # m/s, below which ST is kinematic


class SmallAngleTyres:
    """The two equations of ST that stand in for ours; everything else runs from our own source.

    Replaced in the plain-Python copy of `derivative` or `rk4`:

    - `axle_forces`: linear in small angles, and acting across the velocity of the centre of gravity (so they
      keep its size V), not across wheels and body. Their sum N = F_f + F_r has the part N cos β across the body
      and −N sin β along it; the latter goes to `along`. Our balances of force and moment are given the two
      axle forces X, Y with X + Y = N cos β + m a_x sin β and a X − b Y = a F_f − b F_r; X is divided by cos
      δ, since ours turns it back from the wheel's axes.
    - `along`: u̇ = a_x cos β − N sin β/m + v r. Ours holds u by its speed loop, ST holds V: the one line
      that belongs to "at constant speed", and not to the tyre.

    Our balances, the kinematics of both reference points, the hand-over at low speed and the integration
    stay.
    """

    def __init__(self) -> None:
        self._along = 0.0

    def rebound(self, function: Any, acceleration: float = 0.0, from_standstill: bool = False) -> Any:
        """Give a plain-Python copy of one of our equations with these two in place; acceleration a_x in m/s².

        `from_standstill` also moves our hand-over from the kinematic body, 1 to 3 m/s, to ST's switch at 0.1
        m/s.
        """
        self.acceleration = acceleration
        instead = {id(axle_forces): self.axle_forces, id(along): self.along}
        if from_standstill:
            instead[id(dynamic_share)] = lambda speed: 0.0 if speed < TYRES_ABOVE else 1.0
        return _rebound(function, instead, {})

    def axle_forces(self, p, speed, lateral_velocity, yaw_rate, angle):
        """Give front and rear axle force (N), as `tracker.motion.single_track.axle_forces` does."""
        a, b = p.front_axle_distance, p.rear_axle_distance
        # Below ST's own switch its tyres have no say, and at rest they are undefined.
        size = max(math.hypot(speed, lateral_velocity), TYRES_ABOVE)
        slip = math.atan2(lateral_velocity, speed)
        front = p.stiffness_front * (angle - slip - a * yaw_rate / size)
        rear = p.stiffness_rear * (b * yaw_rate / size - slip)
        across, moment = front + rear, a * front - b * rear
        sine, cosine = math.sin(slip), math.cos(slip)
        lateral = across * cosine + p.mass * self.acceleration * sine
        self._along = self.acceleration * cosine - across * sine / p.mass + lateral_velocity * yaw_rate
        front = (moment + b * lateral) / (a + b)
        return front / math.cos(angle), lateral - front

    def along(self, p, around, speed, drive, brake):
        """Give u̇ (m/s²); our body asks for the axle forces of the same state first."""
        return self._along


def ours_of(x: list[float], rear_axle_distance: float) -> State:
    """Give our state for a state of ST."""
    heading, speed, slip = x[4], x[3], x[6]
    return State(
        x[0] - rear_axle_distance * math.cos(heading),
        x[1] - rear_axle_distance * math.sin(heading),
        *(heading, speed * math.cos(slip), speed * math.sin(slip), x[5], x[2]),
        *(0.0, 0.0, 0.0),
    )


def at_centre(state: State, slope: State, rear_axle_distance: float) -> list[float]:
    """Give the derivative of ST's state from ours, by the chain rule."""
    sine, cosine = math.sin(state.heading), math.cos(state.heading)
    u, v = state.speed, state.lateral_velocity
    size = math.hypot(u, v)
    return [
        slope.x - rear_axle_distance * sine * slope.heading,
        slope.y + rear_axle_distance * cosine * slope.heading,
        slope.steering_angle,
        (u * slope.speed + v * slope.lateral_velocity) / size,
        slope.heading,
        slope.yaw_rate,
        (u * slope.lateral_velocity - v * slope.speed) / size**2,
    ]


def reference_slope(p: Any, x: list[float], inputs: tuple[float, float] = (0.0, 0.0)) -> list[float]:
    """Give the derivative of ST's state, inputs steering rate (rad/s) and acceleration (m/s²)."""
    return vehicle_dynamics_st(x, list(inputs), p)


def drive_ours(car: Vehicle, speed: float, angle: float, seconds: float, step: Any, h: float) -> np.ndarray:
    """Drive with the wheels turned to `angle` (rad) from the start: give x, y of the centre, and heading."""
    state = ours_of([0.0, 0.0, angle, speed, 0.0, 0.0, 0.0], car.plant.rear_axle_distance)
    b, rows = car.plant.rear_axle_distance, []
    for i in range(round(seconds / h) + 1):
        sine, cosine = math.sin(state.heading), math.cos(state.heading)
        rows.append((state.x + b * cosine, state.y + b * sine, state.heading))
        if i < round(seconds / h):
            inputs = Inputs(angle, state.speed, 0.0, state.speed, 0.0)
            state = step(car.model_code, car.plant, state, inputs, Surroundings(), h)
    return np.array(rows)


def drive_reference(p: Any, speed: float, angle: float, seconds: float, h: float) -> np.ndarray:
    """Drive ST likewise, to 1e-10 by scipy's DOP853: give x, y, heading, shape (n, 3)."""
    times = np.linspace(0.0, seconds, round(seconds / h) + 1)
    found = solve_ivp(
        lambda _, x: reference_slope(p, x), (0.0, seconds), [0.0, 0.0, angle, speed, 0.0, 0.0, 0.0],
        method="DOP853", t_eval=times, rtol=1e-11, atol=1e-12,
    )  # fmt: skip
    assert found.success
    return found.y[[0, 1, 4]].T
