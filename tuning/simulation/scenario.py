"""A scenario: the circumstances of one drive."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Scenario"]


class Scenario(BaseModel):
    """What a drive meets beside the track: speed, start, delay and the quality of the localisation."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(default="nominal", min_length=1, description="how tables and pictures call it")
    speed_factor: float = Field(
        default=1.0, gt=0, le=3, description="drive speed over the track's planned speed"
    )
    lateral_offset: float = Field(
        default=0.0, description="m, + left: where the vehicle starts beside the track's own start"
    )
    heading_offset: float = Field(
        default=0.0, ge=-1.5, le=1.5, description="rad, + left: heading error at the start"
    )
    extra_dead_time: float = Field(
        default=0.0, ge=0, le=1, description="s, of steering, drive and brake, unknown to the law"
    )
    localisation_latency: float = Field(
        default=0.0, ge=0, le=1, description="s: age of the measured pose, unknown to the law"
    )
    position_noise: float = Field(default=0.0, ge=0, description="m: standard deviation of x and of y, white")
    heading_noise: float = Field(
        default=0.0, ge=0, description="rad: standard deviation of the heading, white"
    )
    seed: int = Field(
        default=1, ge=0, description="of the noise; the same seed gives every law the same noise"
    )
    laps: int = Field(default=1, ge=1, le=100, description="of a closed track")
