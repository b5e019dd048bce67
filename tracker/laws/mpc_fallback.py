"""What the predictive laws answer where a step fails: their last plan, for a while, then a controlled stop."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["PATIENCE", "Fallback"]

PATIENCE = 10  # fallbacks in a row, 0.2 s at 50 Hz: time to pass a bad measurement, not to drive blind


class Fallback:
    """Whether there is a plan and how old it is, and the answer from it.

    Args:
        period: between two commands, s.
        rate: largest of the curvature asked for, 1/(m s).
        counts: of what happened, in which `last_plan`, `stop` and the failures are counted.
    """

    def __init__(self, period: float, rate: float, counts: dict[str, int]) -> None:
        self._period, self._step, self._counts = period, rate * period, counts
        self.forget()

    def forget(self) -> None:
        """There is no plan (any more)."""
        self.planned = False
        self.age = 0.0
        """Of the plan, s."""
        self.failures = 0
        """In a row."""

    def renew(self) -> None:
        """A step has made a plan."""
        self.planned, self.age, self.failures = True, 0.0, 0

    def answer(
        self, why: str, times: NDArray[np.float64], plan: NDArray[np.float64] | None, previous: float
    ) -> float:
        """Give the last plan's input at the present time, 1/m, or NaN without a plan or after PATIENCE in a row.

        Args:
            why: the failure, under which it is counted.
            times: from the plan's making, at which its inputs lie, s, shape (f,).
            plan: its inputs, 1/m, shape (f,); None without a plan.
            previous: curvature asked for last, 1/m.
        """
        counts = self._counts
        counts[why] += 1
        self.failures += 1
        if not self.planned or plan is None or self.failures > PATIENCE:
            counts["stop"] += 1
            return math.nan
        counts["last_plan"] += 1
        self.age += self._period
        # Between two inputs the plan keeps the limit on rate.
        wanted = float(np.interp(self.age + 0.5 * self._period, times, plan))
        return min(max(wanted, previous - self._step), previous + self._step)
