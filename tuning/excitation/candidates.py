"""Every drive that fits: manoeuvres at several speeds, each made smaller until space and limits are kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tuning.excitation.drives import (
    EASE,
    RUN_UP,
    SETTLE,
    STOP,
    Drive,
    circle_drive,
    speed_drive,
    steering_drive,
)
from tuning.excitation.ground import Ground, broken, driven
from tuning.excitation.manoeuvres import SPEED, STEERING, Setting
from tuning.excitation.space import Limits, Size, Space
from tuning.vehicle import Vehicle

__all__ = ["Candidate", "Course", "candidates", "speeds_of"]

_SPEEDS = (0.93, 0.8, 0.65, 0.4)  # of the top speed: the rest of it is for what the speed loop overshoots
_WALKING = 1.5  # m/s
_SIZES = (1.0, 0.75, 0.55, 0.4, 0.28, 0.2)  # of the largest amplitude, the first that fits is taken
_SHORTER = (1.0, 0.85, 0.7, 0.55)  # of the longest pass, likewise
_LATERAL, _ANGLE, _RATE = (
    0.85,
    0.85,
    0.6,
)  # of the limits: the rest is for what the vehicle may turn out to be
_HOLDS = (1.0, 0.75, 0.55)  # of a speed programme's hold
_LATE = 1.0  # s, from a stop's command to full braking, reckoned with before the simulation tells


@dataclass(frozen=True)
class Candidate:
    """A drive that keeps space and limits for every variant, with its ground."""

    drive: Drive
    ground: Ground

    @property
    def steers(self) -> bool:
        """Whether it is a manoeuvre of the steering."""
        return bool(np.any(self.drive.curvature_command))


@dataclass(frozen=True)
class Course:
    """What drives are made for: the nominal vehicle first among its variants, their size, the space and the limits."""

    vehicles: Sequence[Vehicle]
    size: Size
    space: Space
    limits: Limits


def speeds_of(limits: Limits) -> tuple[float, ...]:
    """Give the speeds to drive at, m/s, the slowest first: walking pace, or a fifth of what is slow, and shares of the top."""
    top = limits.speed
    slow = min(_WALKING, 0.4 * top)
    return tuple(sorted({round(v, 3) for v in (slow, *(share * top for share in _SPEEDS)) if v >= slow}))


def candidates(course: Course, speeds: Sequence[float] | None = None) -> list[Candidate]:
    """Give all that fits, of every manoeuvre and speed, each pass by itself."""
    found: list[Candidate] = []
    for speed in speeds or speeds_of(course.limits):
        for name in STEERING:
            found += steering_candidates(course, name, speed)
        for side in ("left", "right"):
            found += _circle_candidates(course, side, speed)
    if speeds is None:
        for name in SPEED:
            found += _speed_candidates(course, name)
    return found


def steering_candidates(course: Course, name: str, speed: float) -> list[Candidate]:
    """Give the passes of one manoeuvre at one speed (m/s) in the largest size that fits, or none."""
    limits, vehicle = course.limits, course.vehicles[0]
    up, down = RUN_UP * limits.acceleration, STOP * limits.deceleration
    way = speed * (SETTLE + 0.5 + 0.5 * EASE + _LATE) + 0.5 * speed**2 * (1.0 / up + 1.0 / down)
    seconds = (course.space.room[0] - course.size.length - way) / speed
    if seconds <= 0.0:
        return []
    amplitude, rate = _amplitude_and_rate(course, speed)
    for shorter in _SHORTER:
        for size in _SIZES:
            pieces = STEERING[name](Setting(shorter * seconds, size * amplitude, rate))
            drives = [
                steering_drive(_name(name, speed, i, len(pieces)), vehicle, piece, speed, up, down)
                for i, piece in enumerate(pieces)
            ]
            kept, faults = _kept(course, drives)
            if kept:
                return kept
            if not drives or "length" in faults:
                break
    return []


def _circle_candidates(course: Course, side: str, speed: float) -> list[Candidate]:
    """Give the tightest circle at a speed (m/s) that limits allow, where it fits: both ways they show understeer."""
    limits, vehicle = course.limits, course.vehicles[0]
    up, down = RUN_UP * limits.acceleration, STOP * limits.deceleration
    amplitude, rate = _amplitude_and_rate(course, speed)
    for size in _SIZES:
        level = size * amplitude * (1.0 if side == "left" else -1.0)
        name = f"circle to the {side} at {speed:.1f} m/s"
        kept, faults = _kept(course, [circle_drive(name, vehicle, level, rate, speed, up, down)])
        if kept:
            return kept
        if faults & {"length", "width"}:  # a smaller curvature needs more ground
            break
    return []


def _amplitude_and_rate(course: Course, speed: float) -> tuple[float, float]:
    """Give the largest curvature, 1/m, at a speed (m/s), and its fastest change, 1/(m s)."""
    limits, length = course.limits, course.size.wheelbase
    tightest = float(np.tan(_ANGLE * limits.steering_angle)) / length
    return min(
        _LATERAL * limits.lateral_acceleration / speed**2, tightest
    ), _RATE * limits.steering_rate / length


def _speed_candidates(course: Course, name: str) -> list[Candidate]:
    limits, vehicle = course.limits, course.vehicles[0]
    up = RUN_UP * limits.acceleration
    for share in _SIZES:
        for shorter in _HOLDS:
            top = _SPEEDS[0] * share * limits.speed
            drive = speed_drive(
                f"{name} up to {top:.1f} m/s", vehicle, SPEED[name], shorter * SPEED[name].hold, top, up
            )
            kept, faults = _kept(course, [drive])
            if kept:
                return kept
            if "length" not in faults:
                break
    return []


def _kept(course: Course, drives: Sequence[Drive]) -> tuple[list[Candidate], set[str]]:
    """Give the drives as candidates if all keep everything, else nothing, and what was broken."""
    found = []
    for drive in drives:
        # The nominal vehicle first: most of what does not fit shows with it.
        for vehicles in (course.vehicles[:1], course.vehicles):
            ground = driven(drive, vehicles, course.size, course.space)
            faults = broken(ground, course.space, course.limits)
            if faults:
                return [], set(faults)
        found.append(Candidate(drive, ground))
    return found, set()


def _name(manoeuvre: str, speed: float, i: int, count: int) -> str:
    part = f", pass {i + 1} of {count}" if count > 1 else ""
    return f"{manoeuvre} at {speed:.1f} m/s{part}"


def smallest_that_fits(
    course: Course, changed: Callable[[float], Course], factors: Sequence[float]
) -> float | None:
    """Give the first factor for which steps, the shortest manoeuvre, fit at the slowest speed; None if none does."""
    for factor in factors:
        try_at = changed(factor)
        if steering_candidates(try_at, "steps", speeds_of(try_at.limits)[0]):
            return factor
    return None
