"""The channels that tell how a vehicle turns, laid beside each other pair by pair.

Each gives the yaw rate r, times a power of the speed v (in the sense of ISO 8855, all positive to the left):

    yaw_rate r · heading ψ̇ · steering_angle v tan δ / L · command v κ or v δ* · lateral_acceleration v r · wheels r track · x, y: ẋ ÿ − ẏ ẍ = v² r

The powers keep standstill harmless: nothing is divided by the speed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.logs.physics.comparing import Likeness, compare
from tuning.logs.physics.resampled import Stretch

__all__ = [
    "FRONT_WHEELS",
    "POSITIONS",
    "REAR_WHEELS",
    "SPOKEN",
    "TURNING",
    "WHEELS",
    "Pair",
    "pairs_of_turning",
    "quantities_of",
    "turning",
    "wheelbase_of",
]

Array = NDArray[np.float64]

POSITIONS = "x, y"
REAR_WHEELS, FRONT_WHEELS = "the rear wheel speeds", "the front wheel speeds"
# Channel -> power of the speed in what it gives.
TURNING = {
    "yaw_rate": 0,
    "heading": 0,
    POSITIONS: 2,
    "lateral_acceleration": 1,
    REAR_WHEELS: 0,
    FRONT_WHEELS: 0,
    "steering_angle": 0,
    "curvature_command": 0,
    "steering_command": 0,
}
WHEELS = {
    REAR_WHEELS: ("wheel_speed_rear_left", "wheel_speed_rear_right"),
    FRONT_WHEELS: ("wheel_speed_front_left", "wheel_speed_front_right"),
}
SPOKEN = {
    "yaw_rate": ("yaw_rate", "yaw_rate × speed", "yaw_rate × speed²"),
    "heading": ("the rate of heading", "rate of heading × speed", "rate of heading × speed²"),
    POSITIONS: ("", "", "the bend of the path of x, y"),
    "lateral_acceleration": ("", "lateral_acceleration", "lateral_acceleration × speed"),
    **{
        wheels: tuple(f"the difference of {wheels[4:]}{more}" for more in ("", " × speed", " × speed²"))
        for wheels in WHEELS
    },
    "steering_angle": (
        "speed × steering_angle / wheelbase",
        "speed² × steering_angle / wheelbase",
        "speed³ × steering_angle / wheelbase",
    ),
    "curvature_command": tuple(f"speed{power} × curvature_command" for power in ("", "²", "³")),
    "steering_command": tuple(f"speed{power} × steering_command" for power in ("", "²", "³")),
}
_LONGEST = 3.0  # m: wheelbase taken for the place of an accelerometer where none is known
_LARGEST_ANGLE = 1.4  # rad: beyond it a tangent means nothing, and no road wheel turns as far


@dataclass(frozen=True)
class Pair:
    """Two turning channels compared in the same power of speed: `first` should be `second`."""

    first: str
    second: str
    power: int
    likeness: Likeness
    slow: Likeness | None  # the same below the middle of the speeds: what understeers does so less there

    @property
    def words(self) -> tuple[str, str]:
        """What is compared, as one says it."""
        return SPOKEN[self.first][self.power], SPOKEN[self.second][self.power]


def quantities_of(channels: Sequence[str]) -> tuple[str, ...]:
    """Give the quantities of a log that turning channels are made of."""
    return tuple(part for name in channels for part in WHEELS.get(name, tuple(name.split(", "))))


def wheelbase_of(known: Mapping[str, Any]) -> float | None:
    """Give the known wheelbase (m), by dotted name or by field name."""
    value = known.get("body.wheelbase", known.get("wheelbase"))
    return float(value) if value is not None else None


def turning(stretch: Stretch, channel: str, power: int, wheelbase: float) -> Array:
    """Give what a channel says of yaw rate × speed^power, shape (m,)."""
    speed = stretch.speed
    more = np.ones_like(speed)
    if channel == POSITIONS:
        rate, bend = stretch.rates, stretch.bends
        return rate["x"] * bend["y"] - rate["y"] * bend["x"]
    if power > TURNING[channel]:
        more = speed ** (power - TURNING[channel])
    if channel == "heading":
        return stretch.rates["heading"] * more
    if channel in WHEELS:
        left, right = WHEELS[channel]
        return (stretch.values[right] - stretch.values[left]) * more
    values = stretch.values[channel]
    if channel == "steering_angle":
        angle = np.tan(values) if np.max(np.abs(values)) < _LARGEST_ANGLE else values
        return speed * angle / wheelbase * more
    if channel.endswith("command"):
        return speed * values * more
    return values * more


def pairs_of_turning(
    stretches: Sequence[Stretch], known: Mapping[str, Any], moves: float
) -> dict[tuple[str, str], Pair]:
    """Compare every two turning channels over the stretches that hold both.

    Args:
        stretches: evenly sampled. known: values by dotted name; without wheelbase 1 m is taken.
        moves: speed above which the vehicle counts as moving, m/s.
    """
    wheelbase = wheelbase_of(known) or 1.0
    found: dict[tuple[str, str], Pair] = {}
    for first, second in combinations(TURNING, 2):
        if {first, second} == {"curvature_command", "steering_command"}:
            continue
        having = [s for s in stretches if _holds(s, first) and _holds(s, second)]
        having = [s for s in having if np.max(np.abs(s.speed)) > moves]
        if not having:
            continue
        power = max(TURNING[first], TURNING[second])
        a = [turning(s, first, power, wheelbase) for s in having]
        b = [turning(s, second, power, wheelbase) for s in having]
        if first == "lateral_acceleration" or second == "lateral_acceleration":
            a, b = _from_the_rear_axle(a, b, first, having, wheelbase_of(known) or _LONGEST)
        logs = [s.log for s in having]
        likeness = compare(a, b, logs, having[0].step)
        if likeness is not None:
            slow = _slower_half(a, b, having, moves) if likeness.sign else None
            found[first, second] = Pair(first, second, power, likeness, slow)
    return found


def _holds(stretch: Stretch, channel: str) -> bool:
    if channel in WHEELS:
        return stretch.has(*WHEELS[channel])
    return stretch.has("x", "y") if channel == POSITIONS else stretch.has(channel)


def _from_the_rear_axle(
    a: list[Array], b: list[Array], first: str, having: Sequence[Stretch], wheelbase: float
) -> tuple[list[Array], list[Array]]:
    """Take from a lateral acceleration what a place ahead of the rear axle adds, ℓ times the yaw acceleration.

    ℓ is found by least squares beside the comparison itself and held to places on the vehicle. A small delay looks like
    such a place: below ℓ/v no delay of a lateral acceleration can be told.
    """
    measured, other = (a, b) if first == "lateral_acceleration" else (b, a)
    step = having[0].step
    leads = [
        np.gradient(x, step) / np.maximum(np.abs(s.speed), 0.3) for x, s in zip(other, having, strict=True)
    ]
    y, x, lead = (np.concatenate([v - np.mean(v) for v in each]) for each in (measured, other, leads))
    # Not `@`: on vectors as long as these it wakes threads, which cost more than they do.
    crossed = np.sum(x * lead)
    matrix = np.array([[np.sum(x * x), crossed], [crossed, np.sum(lead * lead)]])
    if np.linalg.cond(matrix) > 1e12:
        return a, b
    share, place = np.linalg.solve(matrix, np.array([np.sum(x * y), np.sum(lead * y)]))
    place = float(share * np.clip(place / share, -0.5 * wheelbase, 1.2 * wheelbase)) if share else 0.0
    cleaned = [m - place * part for m, part in zip(measured, leads, strict=True)]
    return (cleaned, b) if first == "lateral_acceleration" else (a, cleaned)


def _slower_half(
    a: Sequence[Array], b: Sequence[Array], having: Sequence[Stretch], moves: float
) -> Likeness | None:
    """Compare only where the vehicle moves slower than the middle of its speeds, whatever the delay there."""
    speeds = np.abs(np.concatenate([s.speed for s in having]))
    driven = speeds[speeds > moves]
    if driven.size == 0:
        return None
    middle = float(np.median(driven))
    parts = [(np.abs(s.speed) > moves) & (np.abs(s.speed) <= middle) for s in having]
    one, other = (
        # Less its mean first: an offset that comes and goes with the speed would be taken for a signal.
        [
            np.where(part, x - np.mean(np.concatenate(signal)), 0.0)
            for x, part in zip(signal, parts, strict=True)
        ]
        for signal in (a, b)
    )
    if sum(int(np.count_nonzero(part)) for part in parts) < 60:
        return None
    return compare(one, other, [s.log for s in having], having[0].step)
