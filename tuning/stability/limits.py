"""How much margin is enough."""

from __future__ import annotations

import math
from collections.abc import Mapping

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["MARGINS", "StabilityLimits"]

MARGINS: dict[str, tuple[str, str]] = {
    "gain_margin": ("dB", "gain that may be added"),
    "gain_reduction": ("dB", "gain that may be lost"),
    "phase_margin": ("deg", "phase that may be lost"),
    "delay_margin": ("s", "dead time that may come on top"),
    "disk_margin": ("", "gain and phase at once, skew 0"),
    "modulus_margin": ("", "least distance of the loop from -1"),
}
"""By name, in the order of tables: unit and meaning. Each is better the larger it is."""


class StabilityLimits(BaseModel):
    """The least margins a loop must have at every speed; None leaves one free.

    Gain and phase are what control engineering asks of a loop everywhere; 0.05 s is two and a half periods at 50 Hz, room for
    a late message and a slower localisation. All of it is common practice, no source.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    gain_margin: float | None = Field(default=6.0, gt=0, description="dB; common practice, no source")
    gain_reduction: float | None = Field(default=6.0, gt=0, description="dB; common practice, no source")
    phase_margin: float | None = Field(default=40.0, gt=0, description="deg; common practice, no source")
    delay_margin: float | None = Field(default=0.05, gt=0, description="s; common practice, no source")
    disk_margin: float | None = Field(default=None, gt=0, le=2, description="no limit unless one is given")
    modulus_margin: float | None = Field(default=None, gt=0, description="no limit unless one is given")

    @property
    def active(self) -> dict[str, float]:
        """The limits that are set, by the name of their margin."""
        return {name: bound for name, bound in dict(self).items() if bound is not None}

    def usage(self, margins: Mapping[str, float]) -> dict[str, float]:
        """Give limit / margin for every limit that is set: above 1 it is not met, inf without any margin."""
        return {
            name: bound / margins[name] if margins[name] > 0.0 else math.inf
            for name, bound in self.active.items()
        }

    def binding(self, margins: Mapping[str, float]) -> tuple[str, float]:
        """Give (name, usage) of the limit that is closest to the margin, or furthest beyond; ("", 0) without limits."""
        usage = self.usage(margins)
        name = max(usage, key=usage.__getitem__, default="")
        return name, usage.get(name, 0.0)
