"""The tolerances by which quadratic laws weigh deviations, the same in each, and how far a tuner may set them."""

from __future__ import annotations

from pydantic import Field

from tracker.laws.base import Gain, Law
from tracker.response import Response
from tracker.schedule import Positive

__all__ = ["Tolerant"]


class Tolerant(Law):
    """A law with a quadratic cost.

    The tolerances say how large a deviation costs as much as another (Bryson's rule: weight 1/tolerance²); only
    their ratios matter, and each may be a `Schedule` over the speed. On a straight the loop's bandwidth is about
    (v² u̇ / e)^(1/3) rad/s with the tolerances u̇ of the curvature rate and e of the lateral error, or (jerk/e)^(1/3)
    where the lateral jerk v² u̇ is the stricter of the two, as it is above walking pace.
    """

    lateral_tolerance: Positive = Field(default=0.1, description="m: of the lateral error")
    heading_tolerance: Positive = Field(
        default=0.1, description="rad: of the course of the rear axle against the path; damps at low speed"
    )
    lateral_velocity_tolerance: Positive = Field(
        default=0.2, description="m/s: v times that course; damps at speed"
    )
    curvature_rate_tolerance: Positive = Field(
        default=0.05, description="1/(m s): of the commanded curvature's rate; decides at low speed"
    )
    lateral_jerk_tolerance: Positive = Field(
        default=1.0, description="m/s³: v² times the commanded curvature's rate; decides at speed"
    )

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give three tolerances; that of the lateral jerk is the yardstick that they are measured against."""
        length = response.wheelbase
        quickest = response.rate_limit / length
        # With the jerk given, times go with the cube root of the lateral tolerance, so velocities with its 2/3.
        sideways = length ** (2.0 / 3.0)
        return {
            "lateral_tolerance": Gain(
                0.005 * length, 0.3 * length, True, "m", "smaller tracks tighter and steers harder"
            ),
            "lateral_velocity_tolerance": Gain(0.015 * sideways, sideways, True, "m/s", "smaller damps more"),
            "curvature_rate_tolerance": Gain(
                0.01 * quickest, quickest, True, "1/(m s)", "smaller calms the steering at low speed"
            ),
        }
