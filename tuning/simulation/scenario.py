"""A scenario: the circumstances of one drive."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tracks.errors import InputError
from tuning.simulation.events import AnyEvent, LoadChange
from tuning.simulation.localisation import Localisation

__all__ = ["Scenario"]


class Scenario(BaseModel):
    """What a drive meets beside the track: speed, start, delay, load, road, wind, localisation and events."""

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
    load: float = Field(
        default=0.0,
        ge=-20000,
        le=20000,
        description="kg more than the vehicle file's mass, unknown to the law",
    )
    load_position: float | None = Field(
        default=None, ge=-10, le=30, description="m ahead of the rear axle; the centre of gravity if left out"
    )
    friction: float = Field(
        default=1.0, ge=0, le=2, description="of the road, as a factor of the tyres' own coefficient"
    )
    grade: float = Field(default=0.0, ge=-0.5, le=0.5, description="rad, + uphill")
    bank: float = Field(default=0.0, ge=-0.5, le=0.5, description="rad, + where the left side is higher")
    side_wind: float = Field(default=0.0, ge=-60, le=60, description="m/s, + blowing to the left")
    localisation: Localisation = Field(default=Localisation(), description="quality of the measured pose")
    events: tuple[AnyEvent, ...] = Field(default=(), description="what happens on the way")
    seed: int = Field(
        default=1, ge=0, description="of all noise; the same seed gives every law the same disturbances"
    )
    laps: int = Field(default=1, ge=1, le=100, description="of a closed track")

    @model_validator(mode="after")
    def _one_change_of_load(self) -> Self:
        changes = sum(isinstance(event, LoadChange) for event in self.events)
        if changes > 1:
            raise InputError(
                f"the scenario has {changes} changes of load",
                "at most one",
                "split it into several scenarios",
            )
        return self

    @property
    def load_change(self) -> LoadChange | None:
        """The event that changes the load, None without one."""
        return next((event for event in self.events if isinstance(event, LoadChange)), None)
