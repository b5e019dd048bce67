"""The search space: the unit cube and the gains it stands for, on linear or logarithmic scales."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker import Gain, Law, Response
from tracks.errors import InputError

__all__ = ["Point", "Space"]

Point = NDArray[np.float64]
_DIGITS = 6  # of a gain: more would suggest a precision that no vehicle has, and reads badly in a file


@dataclass(frozen=True)
class Space:
    """The gains that are searched, in the order of the cube's axes."""

    gains: dict[str, Gain]

    @classmethod
    def of(cls, law: type[Law], response: Response, fixed: Iterable[str] = ()) -> Space:
        """Take a law's search space less the gains that are fixed.

        Raises:
            InputError: nothing is left to tune, or a range is empty or unusable on its scale.
        """
        held = set(fixed)
        gains = {name: gain for name, gain in law.search_space(response).items() if name not in held}
        if not gains:
            raise InputError(
                f"every gain of {law.__name__} is fixed", "a gain to tune", "leave one out of `fixed`"
            )
        for name, gain in gains.items():
            if not (math.isfinite(gain.low) and math.isfinite(gain.high) and gain.low < gain.high):
                raise InputError(
                    f"the range of {name} is {gain.low} to {gain.high}", "two finite numbers, the lower first",
                    f"correct search_space of {law.__name__}",
                )  # fmt: skip
            if gain.logarithmic and gain.low <= 0.0:
                raise InputError(
                    f"the logarithmic range of {name} starts at {gain.low}", "a value above 0",
                    f"correct search_space of {law.__name__}",
                )  # fmt: skip
        return cls(gains)

    def at(self, point: Point) -> dict[str, float]:
        """Give the gains at a point of the cube, shape (gains,), each entry in 0..1."""
        return {
            name: _value(gain, float(share))
            for (name, gain), share in zip(self.gains.items(), point, strict=True)
        }

    def sobol(self, count: int, seed: int) -> Point:
        """Give `count` points of the cube, shape (count, gains), from a scrambled Sobol sequence.

        Raises:
            InputError: `count` is no power of two, for which alone the sequence fills the cube evenly.
        """
        from scipy.stats import qmc  # takes half a second to import, which workers need not spend

        if count < 1 or count & (count - 1):
            raise InputError(f"candidates is {count}", "a power of two", "take 32, 64, 128, ...")
        return qmc.Sobol(len(self.gains), rng=seed).random(count)

    def described(self) -> dict[str, Any]:
        """Give the ranges as plain values for a file."""
        return {name: gain._asdict() for name, gain in self.gains.items()}


def _value(gain: Gain, share: float) -> float:
    if gain.logarithmic:
        value = gain.low * (gain.high / gain.low) ** share
    else:
        value = gain.low + share * (gain.high - gain.low)
    return min(max(float(f"{value:.{_DIGITS}g}"), gain.low), gain.high)
