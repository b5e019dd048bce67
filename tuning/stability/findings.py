"""All that is found of one law's stability, as reports and the command line show it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from tuning.stability.loop import Loop
from tuning.stability.over_speed import SpeedMargins
from tuning.stability.robustness import Robustness
from tuning.stability.setting import loop_at
from tuning.stability.stability_map import StabilityMap

__all__ = ["StabilityFindings"]


@dataclass(frozen=True)
class StabilityFindings:
    """Margins over speed, the map over a gain, and what draws of the vehicle leave of them.

    Attributes:
        name: of the law, as told apart from others.
        over_speed: of the law as it is.
        map: over speed and a gain; None where none was made.
        robustness: over drawn vehicles; None without draws.
    """

    name: str
    over_speed: SpeedMargins
    map: StabilityMap | None = None
    robustness: Robustness | None = None

    @property
    def keeps_limits(self) -> bool:
        """Whether every margin asked for is there at every speed. Draws inform, they do not decide."""
        return self.over_speed.keeps_limits

    @property
    def shown_speed(self) -> float:
        """The speed at which a limit is used most, m/s: where the loop is shown."""
        return float(self.over_speed.speeds[self.over_speed.worst])

    @cached_property
    def loop(self) -> Loop:
        """The loop at `shown_speed`."""
        found = self.over_speed
        return loop_at(found.law, found.setting, self.shown_speed, found.curvature)
