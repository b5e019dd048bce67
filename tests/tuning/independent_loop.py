"""A closed loop written out once more, with no equation of the project: course, vehicle, sampled law, dead time.

Course: curvature linear in arc length, its heading the exact quadratic, its points by Gauss-Legendre quadrature.
Vehicle: kinematic or single-track with linear tyres, with first-order steering δ̇ = (δ* − δ)/T. Each command is held from its
moment plus the dead time on; the step is cut there and integrated by the classical Runge-Kutta method.

Laws as their authors give them, from memory:

- pure pursuit (Coulter, CMU-RI-TR-92-01, 1992): δ = atan(2 L sin α/L_d), α the bearing from the rear axle of the
  point where the circle of radius L_d about the rear axle cuts the path, found by bracketing;
- Stanley (Hoffmann, Tomlin, Montemerlo, Thrun, ACC 2007): δ = (ψ_p − ψ) + ψ_ss + atan(k e/(k_s + v)) − k_d (r − r_p)
  − k_i (δ_i − δ_(i−1)), at the front axle, with ψ_ss = m b v r_p/(L C_f), the slip of the front tyres in a steady turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

__all__ = ["Course", "Seen", "Tyres", "drive", "pure_pursuit", "stanley"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_CELL = 0.5  # m: at 0.1 1/m the heading turns by 0.05 rad, which eight nodes integrate to rounding


class Course:
    """A path of segments (length m, curvature at its start and end 1/m) from the origin along x."""

    def __init__(self, segments: list[tuple[float, float, float]]) -> None:
        self._starts = [0.0]
        self._headings = [0.0]
        self._segments = segments
        for length, first, last in segments:
            self._starts.append(self._starts[-1] + length)
            self._headings.append(self._headings[-1] + 0.5 * (first + last) * length)
        self.length = self._starts[-1]
        # Corners of segments are nodes, so no cell has a kink of the curvature inside.
        even = np.arange(0.0, self.length, _CELL)
        self._at = np.unique(np.concatenate([even, self._starts]))
        self._points = [(0.0, 0.0)]
        for a, b in zip(self._at[:-1], self._at[1:], strict=True):
            dx, dy = self._along(float(a), float(b))
            self._points.append((self._points[-1][0] + dx, self._points[-1][1] + dy))

    def turn(self, s: float) -> tuple[float, float]:
        """Give heading (rad) and curvature (1/m) at an arc length; straight on beyond the end."""
        i = max(0, min(int(np.searchsorted(self._starts, s, side="right")) - 1, len(self._segments) - 1))
        length, first, last = self._segments[i]
        u = min(s - self._starts[i], length)
        slope = (last - first) / length
        curvature = first + slope * u
        return self._headings[i] + first * u + 0.5 * slope * u * u, curvature

    def _along(self, a: float, b: float) -> tuple[float, float]:
        """Give the way (m) from a to b within one cell."""
        half, middle = 0.5 * (b - a), 0.5 * (a + b)
        headings = [self.turn(middle + half * float(node))[0] for node in _NODES]
        return half * float(_WEIGHTS @ np.cos(headings)), half * float(_WEIGHTS @ np.sin(headings))

    def point(self, s: float) -> tuple[float, float]:
        """Give the point (m) at an arc length."""
        i = max(0, int(np.searchsorted(self._at, s, side="right")) - 1)
        dx, dy = self._along(float(self._at[i]), s)
        return self._points[i][0] + dx, self._points[i][1] + dy

    def nearest(self, x: float, y: float, guess: float) -> float:
        """Give the arc length (m) of the point nearest to (x, y), within 3 m of a guess."""

        def ahead(s: float) -> float:
            px, py = self.point(s)
            heading = self.turn(s)[0]
            return (x - px) * math.cos(heading) + (y - py) * math.sin(heading)

        return brentq(ahead, guess - 3.0, guess + 3.0, xtol=1e-10)

    def offset(self, x: float, y: float, s: float) -> float:
        """Give how far (x, y) is to the left of the point at s, m."""
        px, py = self.point(s)
        heading = self.turn(s)[0]
        return (y - py) * math.cos(heading) - (x - px) * math.sin(heading)

    def on_circle(self, x: float, y: float, s: float, radius: float) -> tuple[float, float]:
        """Give the first point beyond s where the circle about (x, y) cuts the path."""

        def beyond(u: float) -> float:
            px, py = self.point(u)
            return math.hypot(px - x, py - y) - radius

        low = s
        while beyond(low + 0.25 * radius) < 0.0:
            low += 0.25 * radius
        return self.point(brentq(beyond, low, low + 0.25 * radius, xtol=1e-10))


class Tyres(NamedTuple):
    """A single-track body, linear in the slip angles (Rajamani, Vehicle Dynamics and Control, ch. 2: from memory).

    The angles themselves are exact: with wheels turned by 0.14 rad the small-angle form would be off by 1e-3 rad.
    """

    mass: float
    inertia: float
    front: float  # m, centre of gravity to front axle
    rear: float  # m
    front_stiffness: float  # N/rad
    rear_stiffness: float

    def slip(self, speed: float, rate: float) -> float:
        """Give the slip of the front tyres in a steady turn, rad."""
        return self.mass * self.rear * speed * rate / ((self.front + self.rear) * self.front_stiffness)


class Seen(NamedTuple):
    """What a law of the reference sees: rear axle (m), heading, signed speed, yaw rate, wheel angle, the nearest point."""

    x: float
    y: float
    heading: float
    speed: float
    yaw_rate: float
    angle: float
    s: float


Law = Callable[[Course, Seen], float]
_State = tuple[
    float, float, float, float, float, float
]  # x, y, heading, lateral velocity, yaw rate, wheel angle


def pure_pursuit(wheelbase: float, lookahead: float) -> Law:
    """Give textbook pure pursuit; backing up, the point lies behind and the body turns by the same circle."""

    def angle(course: Course, seen: Seen) -> float:
        x, y = course.on_circle(seen.x, seen.y, seen.s, lookahead)
        bearing = math.atan2(y - seen.y, x - seen.x) - seen.heading
        return math.atan(2.0 * wheelbase * math.sin(bearing) / lookahead)

    return angle


@dataclass
class stanley:  # noqa: N801  # called as the other law is
    """The Stanley law of the paper with all its terms; backing up, its front axle lies one wheelbase behind.

    `tyres` None: a body that does not slip. The paper's r_p is taken where the rear axle is; it does not say.
    """

    wheelbase: float
    gain: float
    softening: float
    yaw_damping: float = 0.0
    delay_gain: float = 0.0
    tyres: Tyres | None = None
    last: float | None = None

    def __call__(self, course: Course, seen: Seen) -> float:
        way = math.copysign(1.0, seen.speed)
        speed = abs(seen.speed)
        x = seen.x + way * self.wheelbase * math.cos(seen.heading)
        y = seen.y + way * self.wheelbase * math.sin(seen.heading)
        s = course.nearest(x, y, seen.s + self.wheelbase)
        travel = seen.heading if way > 0.0 else seen.heading + math.pi
        heading = math.remainder(course.turn(s)[0] - travel, 2.0 * math.pi)
        path_rate = speed * course.turn(seen.s)[1]
        slip = self.tyres.slip(speed, path_rate) if self.tyres else 0.0
        measured = way * seen.angle
        change = 0.0 if self.last is None else measured - self.last
        self.last = measured
        towards = math.atan(-self.gain * course.offset(x, y, s) / (self.softening + speed))
        damping = -self.yaw_damping * (seen.yaw_rate - path_rate) - self.delay_gain * change
        return way * (heading + slip + towards + damping)


def _slope(
    state: _State, target: float, speed: float, wheelbase: float, lag: float, tyres: Tyres | None
) -> _State:
    _, _, heading, sideways, rate, angle = state
    steering = (target - angle) / lag
    if tyres is None:
        turn = speed * math.tan(angle) / wheelbase
        return speed * math.cos(heading), speed * math.sin(heading), turn, 0.0, 0.0, steering
    front = tyres.front_stiffness * (angle - math.atan((sideways + tyres.front * rate) / speed))
    front *= math.cos(angle)  # it acts across the wheel
    rear = -tyres.rear_stiffness * math.atan((sideways - tyres.rear * rate) / speed)
    rear_axle = sideways - tyres.rear * rate
    return (
        speed * math.cos(heading) - rear_axle * math.sin(heading),
        speed * math.sin(heading) + rear_axle * math.cos(heading),
        rate,
        (front + rear) / tyres.mass - speed * rate,
        (tyres.front * front - tyres.rear * rear) / tyres.inertia,
        steering,
    )


def _advance(state: _State, span: float, *rest) -> _State:
    """One step of the classical Runge-Kutta method."""

    def moved(slope: _State, h: float) -> _State:
        return tuple(a + h * b for a, b in zip(state, slope, strict=True))  # pyright: ignore[reportReturnType]

    a = _slope(state, *rest)
    b = _slope(moved(a, 0.5 * span), *rest)
    c = _slope(moved(b, 0.5 * span), *rest)
    d = _slope(moved(c, span), *rest)
    return moved(tuple((p + 2 * q + 2 * r + t) / 6.0 for p, q, r, t in zip(a, b, c, d, strict=True)), span)  # pyright: ignore[reportArgumentType]


def drive(
    course: Course, law: Law, *, speed: float, wheelbase: float, lag: float, dead_time: float, offset: float,
    seconds: float, period: float = 0.02, step: float = 0.005, tyres: Tyres | None = None,
) -> np.ndarray:  # fmt: skip
    """Drive a course at constant speed (m/s, below 0: backwards) from a lateral offset (m) beside its start.

    Returns:
        Rows (time s, x m, y m, heading rad, lateral error m) at the commands, shape (n, 5).
    """
    heading = 0.0 if speed > 0.0 else math.pi
    state: _State = (0.0, offset, heading, 0.0, 0.0, 0.0)
    sent: list[tuple[float, float]] = []  # moment at which it takes effect, angle
    acting, near, rows = 0.0, 0.0, []
    for k in range(round(seconds / period)):
        now, end = k * period, (k + 1) * period
        x, y, heading, _, rate, angle = state
        near = course.nearest(x, y, near)
        rows.append((now, x, y, heading, course.offset(x, y, near)))
        turning = rate if tyres else speed * math.tan(angle) / wheelbase
        sent.append((now + dead_time, law(course, Seen(x, y, heading, speed, turning, angle, near))))
        while now < end - 1e-12:
            while sent and sent[0][0] <= now + 1e-12:
                acting = sent.pop(0)[1]
            until = min(end, sent[0][0]) if sent else end
            count = max(math.ceil((until - now) / step - 1e-9), 1)
            for _ in range(count):
                state = _advance(state, (until - now) / count, acting, speed, wheelbase, lag, tyres)
            now = until
    return np.array(rows)
