"""Gains that depend on speed: monotone cubic interpolation between knots, constant beyond them.

Between two knots a gain neither overshoots nor jumps, and its slope is continuous (F. N. Fritsch, J. Butland,
SIAM J. Sci. Stat. Comput. 5(2), 1984, as scipy's `PchipInterpolator` has it).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator
from scipy.interpolate import PchipInterpolator

from tracks.one_source import clip, equation, select

__all__ = [
    "KNOTS",
    "NotNegative",
    "Place",
    "Positive",
    "Schedule",
    "gain_at",
    "place_at",
    "table",
    "value_at",
]

KNOTS = 32  # at most: the knots are searched one by one in each step


class Schedule(BaseModel):
    """A gain over speed: values at knots, a monotone cubic in between, constant beyond the first and the last."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    speeds: tuple[float, ...] = Field(min_length=2, max_length=KNOTS, description="m/s, increasing")
    values: tuple[float, ...] = Field(description="of the gain at these speeds, in its unit")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if len(self.values) != len(self.speeds):
            raise ValueError(
                f"{len(self.values)} values for {len(self.speeds)} speeds; expected one value a speed"
            )
        if self.speeds[0] < 0.0 or any(b <= a for a, b in zip(self.speeds, self.speeds[1:], strict=False)):
            raise ValueError(f"speeds are {self.speeds}; expected increasing speeds from 0 m/s on")
        return self

    def at(self, speed: ArrayLike) -> NDArray[np.float64]:
        """Give the gain at speeds [m/s], in the shape of `speed`."""
        return self._cubic()(np.clip(speed, self.speeds[0], self.speeds[-1]))

    def _cubic(self) -> PchipInterpolator:
        # The constant pieces beyond the ends are part of the curve, so that its slope is continuous there too.
        speeds = (self.speeds[0] - 1.0, *self.speeds, self.speeds[-1] + 1.0)
        return PchipInterpolator(speeds, (self.values[0], *self.values, self.values[-1]))

    def slope(self, speed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the slope of the gain at speeds [m/s], per m/s; 0 beyond the knots."""
        inside = (speed >= self.speeds[0]) & (speed <= self.speeds[-1])
        return np.where(
            inside, self._cubic().derivative()(np.clip(speed, self.speeds[0], self.speeds[-1])), 0.0
        )


def _check_values(value: Schedule, zero: bool) -> Schedule:
    for number in value.values:
        if number < 0.0 or (number == 0.0 and not zero):
            raise ValueError(f"a value is {number:g}; expected values {'from 0 on' if zero else 'above 0'}")
    return value


def _positive(value: Schedule) -> Schedule:
    return _check_values(value, zero=False)


def _not_negative(value: Schedule) -> Schedule:
    return _check_values(value, zero=True)


def _kind(value: Any) -> str:
    """Tell whether a field was given a number or a schedule; messages leave this out (`tracks.validation`)."""
    return "a schedule" if isinstance(value, (Mapping, Schedule)) else "a number"


Positive = Annotated[
    Annotated[float, Field(gt=0, allow_inf_nan=False), Tag("a number")]
    | Annotated[Schedule, AfterValidator(_positive), Tag("a schedule")],
    Discriminator(_kind),
]
"""A gain above 0, the same at every speed or a `Schedule`."""

NotNegative = Annotated[
    Annotated[float, Field(ge=0, allow_inf_nan=False), Tag("a number")]
    | Annotated[Schedule, AfterValidator(_not_negative), Tag("a schedule")],
    Discriminator(_kind),
]
"""A gain from 0 on, the same at every speed or a `Schedule`."""


def value_at(gain: float | Schedule, speed: float) -> float:
    """Give a gain at a speed [m/s]."""
    return float(gain.at(speed)) if isinstance(gain, Schedule) else float(gain)


def table(*gains: float | Schedule) -> NDArray[np.float64]:
    """Give gains as compiled code takes them, shape (1 + 2 gains, knots).

    Row 0: the knots' speeds [m/s]; then for each gain its values and its slopes at them. Knots are those of all
    schedules together: a cubic that is cut at a knot of another stays the same cubic.
    """
    schedules = [gain for gain in gains if isinstance(gain, Schedule)]
    speeds = np.unique(np.concatenate([[0.0], *(s.speeds for s in schedules)]))
    rows = [speeds]
    for gain in gains:
        if isinstance(gain, Schedule):
            rows += [gain.at(speeds), gain.slope(speeds)]
        else:
            rows += [np.full(speeds.size, float(gain)), np.zeros(speeds.size)]
    return np.ascontiguousarray(np.array(rows))


class Place(NamedTuple):
    """Where a speed lies in a table of gains: the knot below, and the weights of its and the next one's entries."""

    knot: int
    following: int
    value: float
    value_following: float
    slope: float
    slope_following: float


@equation
def place_at(gains: np.ndarray, speed: float) -> Place:
    """Give the `Place` of a speed [m/s] in a `table`; beyond the ends that of the end."""
    last = gains.shape[1] - 1
    i = 0
    while i < last - 1 and speed >= gains[0, i + 1]:
        i += 1
    j = min(i + 1, last)
    span = gains[0, j] - gains[0, i]
    u = clip((speed - gains[0, i]) / select(span > 0.0, span, 1.0), 0.0, 1.0)
    end = u * u * (3.0 - 2.0 * u)
    return Place(i, j, 1.0 - end, end, span * u * (1.0 - u) * (1.0 - u), -span * u * u * (1.0 - u))


@equation
def gain_at(gains: np.ndarray, place: Place, k: int) -> float:
    """Give the k-th gain of a `table` at a `Place`."""
    row = 1 + 2 * k
    return (
        place.value * gains[row, place.knot]
        + place.value_following * gains[row, place.following]
        + place.slope * gains[row + 1, place.knot]
        + place.slope_following * gains[row + 1, place.following]
    )
