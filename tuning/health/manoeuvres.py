"""How long the logs stand, drive straight, hold a curve, steer, accelerate, brake and reverse."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.logs.physics.resampled import Stretch, moving
from tuning.logs.physics.turning import wheelbase_of

__all__ = ["Manoeuvres", "Thresholds", "manoeuvres_of", "turning_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Thresholds:
    """What counts as what. Every value is a judgement, no source.

    Attributes:
        turning, sideways: a curve has a yaw rate (rad/s), or a speed × yaw rate (m/s²), beyond these; less is straight.
        turning_change, sideways_change: steering is transient where one of these changes faster than this (rad/s², m/s³).
        along: accelerating and braking are beyond this, m/s².
        standstill: m/s, at most; of a slow vehicle a twentieth of its 95th percentile of speed.
    """

    turning: float = 0.05
    sideways: float = 0.3
    turning_change: float = 0.15
    sideways_change: float = 0.6
    along: float = 0.3
    standstill: float = 0.1


@dataclass(frozen=True)
class Manoeuvres:
    """Seconds of each kind of driving.

    `standstill`, `straight`, `curve_*` (held) and `steering_*` (transient, by the side to which the curvature grows) add up to
    `total`; so do `standstill`, `steady_speed`, `accelerating` and `braking`. `reversing` counts beside them.
    """

    total: float
    standstill: float
    straight: float
    curve_left: float
    curve_right: float
    steering_left: float
    steering_right: float
    steady_speed: float
    accelerating: float
    braking: float
    reversing: float

    def items(self) -> list[tuple[str, float]]:
        """Give names and seconds in order."""
        return [(field.name, float(getattr(self, field.name))) for field in fields(self)]


def turning_of(stretch: Stretch, known: Mapping[str, Any]) -> tuple[Array, Array, str]:
    """Give yaw rate (rad/s) and its rate of change (rad/s²), shape (m,), and the channel that they were taken from.

    Yaw rate and heading first, then steering with a known wheelbase, lateral acceleration, and at last the command.
    """
    step, v = stretch.step, stretch.speed
    if stretch.has("yaw_rate"):
        return stretch.values["yaw_rate"], stretch.rates["yaw_rate"], "yaw_rate"
    if stretch.has("heading"):
        r = stretch.rates["heading"]
        return r, np.gradient(r, step), "heading"
    wheelbase = wheelbase_of(known)
    if stretch.has("steering_angle") and wheelbase is not None:
        r, source = v * np.tan(stretch.values["steering_angle"]) / wheelbase, "steering_angle"
    elif stretch.has("lateral_acceleration"):
        slow = np.abs(v) < 1.0
        safe = np.where(slow, 1.0, v)
        r, source = np.where(slow, 0.0, stretch.values["lateral_acceleration"] / safe), "lateral_acceleration"
    elif stretch.has("curvature_command"):
        r, source = v * stretch.values["curvature_command"], "curvature_command"
    else:
        return np.zeros_like(v), np.zeros_like(v), ""
    return r, np.gradient(r, step), source


def manoeuvres_of(
    stretches: Sequence[Stretch], known: Mapping[str, Any], thresholds: Thresholds | None = None
) -> Manoeuvres:
    """Sort every moment of the logs by what the vehicle does."""
    t = thresholds or Thresholds()
    still_below = max(min(t.standstill, 0.5 * moving(stretches)), 0.02)
    seconds = dict.fromkeys((field.name for field in fields(Manoeuvres)), 0.0)
    for s in stretches:
        v, (r, change, _) = s.speed, turning_of(s, known)
        still = np.abs(v) < still_below
        forward = np.sign(v)
        bent = (np.abs(r) > t.turning) | (np.abs(v * r) > t.sideways)
        # Whether the curvature r/v grows to the left, without dividing by v.
        growing = (change * v - r * s.rates["speed"]) * forward
        transient = (np.abs(change) > t.turning_change) | (np.abs(change * v) > t.sideways_change)
        curve_side = r * forward > 0.0
        along = s.rates["speed"] * forward
        kinds = {
            "total": np.ones_like(still),
            "standstill": still,
            "steering_left": ~still & transient & (growing > 0.0),
            "steering_right": ~still & transient & (growing <= 0.0),
            "curve_left": ~still & ~transient & bent & curve_side,
            "curve_right": ~still & ~transient & bent & ~curve_side,
            "straight": ~still & ~transient & ~bent,
            "accelerating": ~still & (along > t.along),
            "braking": ~still & (along < -t.along),
            "steady_speed": ~still & (np.abs(along) <= t.along),
            "reversing": ~still & (v < 0.0),
        }
        for name, mask in kinds.items():
            seconds[name] += float(np.count_nonzero(mask)) * s.step
    return Manoeuvres(**seconds)
