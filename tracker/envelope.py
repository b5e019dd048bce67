"""The envelope: limits that every command keeps, whatever the law asks for."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from tracker.response import Response
from tracks.one_source import equation

__all__ = ["Envelope", "EnvelopeValues", "curvature_bound", "curvature_step"]

_SLOWEST = 0.1  # m/s, below which the limits on acceleration and jerk bind nothing


class EnvelopeValues(NamedTuple):
    """The limits as floats for compiled code; units as in `Envelope`."""

    curvature: float
    curvature_rate: float
    lateral_acceleration: float
    acceleration: float
    deceleration: float
    lateral_jerk: float


class Envelope(BaseModel):
    """Limits on what a tracker may command.

    The curvature limits left at None follow from the vehicle: what its largest steering angle and its
    steering rate give at walking pace. A limit on the lateral jerk slows the steering at speed, which costs
    stability margin as every limit on a rate does.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    curvature: float | None = Field(default=None, gt=0, allow_inf_nan=False, description="1/m")
    curvature_rate: float | None = Field(default=None, gt=0, allow_inf_nan=False, description="1/(m s)")
    lateral_acceleration: float = Field(
        default=3.0, gt=0, allow_inf_nan=False, description="m/s²; default: UN R79 lane keeping, 3 m/s²"
    )
    acceleration: float = Field(
        default=2.0, gt=0, allow_inf_nan=False, description="m/s²; common practice, no source"
    )
    deceleration: float = Field(
        default=2.0,
        gt=0,
        allow_inf_nan=False,
        description="m/s² of a controlled stop; common practice, no source",
    )
    lateral_jerk: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="m/s³: v² times the curvature's rate; open: the curvature's rate alone is limited",
    )

    def values(self, response: Response) -> EnvelopeValues:
        """Give the limits for a vehicle, the open ones filled from its steering."""
        steepest = math.tan(response.angle_limit) / response.wheelbase
        quickest = response.rate_limit / response.wheelbase
        return EnvelopeValues(
            curvature=min(self.curvature or steepest, steepest),
            curvature_rate=min(self.curvature_rate or quickest, quickest),
            lateral_acceleration=self.lateral_acceleration,
            acceleration=self.acceleration,
            deceleration=self.deceleration,
            lateral_jerk=self.lateral_jerk or math.inf,
        )


@equation
def curvature_bound(envelope: EnvelopeValues, speed):
    """Give the largest path curvature that the envelope allows at a speed [m/s], 1/m."""
    quick = np.maximum(speed, _SLOWEST)
    return np.minimum(envelope.curvature, envelope.lateral_acceleration / (quick * quick))


@equation
def curvature_step(envelope: EnvelopeValues, speed, period):
    """Give by how much the path curvature asked for may change in a period [s] at a speed [m/s], 1/m."""
    quick = np.maximum(speed, _SLOWEST)
    return np.minimum(envelope.curvature_rate, envelope.lateral_jerk / (quick * quick)) * period
