"""Which speeds and lateral accelerations the logs cover, and for how long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.health.manoeuvres import turning_of
from tuning.logs.physics.resampled import Stretch

__all__ = ["Coverage", "coverage_of"]

Array = NDArray[np.float64]

_BINS = 14  # about so many along each axis
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True)
class Coverage:
    """Seconds by speed and lateral acceleration.

    Attributes:
        speed_edges: m/s, shape (a + 1,). lateral_edges: m/s², + left, shape (b + 1,), symmetric about 0.
        seconds: shape (a, b).
    """

    speed_edges: Array
    lateral_edges: Array
    seconds: Array


def coverage_of(stretches: Sequence[Stretch], known: Mapping[str, Any]) -> Coverage:
    """Count seconds by speed and by speed × yaw rate; a measured lateral acceleration would add tilt and vibration."""
    speed = np.concatenate([s.speed for s in stretches])
    lateral = np.concatenate([s.speed * turning_of(s, known)[0] for s in stretches])
    weight = np.concatenate([np.full(s.speed.size, s.step) for s in stretches])
    speeds = _edges(float(np.min(speed)), float(np.max(speed)))
    reach = float(np.max(np.abs(lateral)))
    sides = _edges(-reach, reach)
    # Symmetric, so that left and right can be compared.
    outer = max(-sides[0], sides[-1])
    sides = np.arange(-round(outer / (sides[1] - sides[0])), round(outer / (sides[1] - sides[0])) + 1) * (
        sides[1] - sides[0]
    )
    seconds, _, _ = np.histogram2d(speed, lateral, bins=[speeds, sides], weights=weight)
    return Coverage(speeds, sides, seconds)


def _edges(low: float, high: float) -> Array:
    """Give round edges that hold all of low to high."""
    span = max(high - low, 1e-3)
    raw = span / _BINS
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(float(factor * power) for factor in _STEPS if factor * power >= 0.999 * raw)
    first, last = np.floor(low / step), np.floor(high / step) + 1.0
    return step * np.arange(first, last + 1.0)
