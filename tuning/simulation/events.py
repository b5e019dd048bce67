"""What can happen on a drive: events at a time or at a distance along the path, for a time, a length or for good."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tracks.errors import InputError

__all__ = [
    "AnyEvent",
    "DriverHoldsSpeed",
    "DriverTakesOver",
    "Event",
    "FrictionChange",
    "LinkLost",
    "LoadChange",
    "LocalisationJump",
    "LocalisationLost",
    "RoadTilt",
    "SideWind",
    "StopDemand",
]


class Event(BaseModel):
    """Base of all events: when it begins and when it ends.

    Give `at_time` or `at_distance`; and `duration`, or `length`, or neither for an event that lasts. Both are looked at
    every 10 ms of a run or oftener.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    lasting: ClassVar[bool] = True
    """Whether the event may go on to the end of the run."""

    at_time: float | None = Field(default=None, ge=0, description="s since the start of the run")
    at_distance: float | None = Field(
        default=None, ge=0, description="m of arc length along the path, all laps counted"
    )
    duration: float | None = Field(default=None, gt=0, le=3600, description="s")
    length: float | None = Field(default=None, gt=0, description="m of arc length")

    @model_validator(mode="after")
    def _one_beginning(self) -> Self:
        name = type(self).__name__
        if (self.at_time is None) == (self.at_distance is None):
            raise InputError(
                f"{name} has {'no' if self.at_time is None else 'two'} beginning{'s' * (self.at_time is not None)}",
                "at_time (s) or at_distance (m)",
                "give one of them",
            )
        if self.duration is not None and self.length is not None:
            raise InputError(
                f"{name} has two ends", "duration (s) or length (m)", "keep the one that decides"
            )
        if not self.lasting and self.duration is None and self.length is None:
            raise InputError(f"{name} has no end", "duration (s) or length (m)", "say when it is over")
        return self

    @property
    def title(self) -> str:
        """What tables and pictures call the event."""
        return "event"

    def values(self) -> tuple[float, float, float]:
        """Give the numbers that compiled code needs, in the order that `script.py` documents."""
        return 0.0, 0.0, 0.0


class DriverHoldsSpeed(Event):
    """The driver holds a speed with the pedals while the steering is by wire: speed commands have no effect."""

    kind: Literal["driver holds speed"] = "driver holds speed"
    speed: float = Field(ge=0, le=60, description="m/s")

    @property
    def title(self) -> str:
        """With the speed."""
        return f"driver holds {self.speed:g} m/s"

    def values(self) -> tuple[float, float, float]:
        """Speed."""
        return self.speed, 0.0, 0.0


class DriverTakesOver(Event):
    """The driver steers and drives, `lateral_offset` beside the path, and hands back when the event ends."""

    kind: Literal["driver takes over"] = "driver takes over"
    lasting = False
    lateral_offset: float = Field(
        default=0.0, ge=-20, le=20, description="m, + left, that the driver goes to"
    )
    speed: float | None = Field(
        default=None,
        ge=0,
        le=60,
        description="m/s that the driver goes to; the speed at the take-over if left out",
    )

    @property
    def title(self) -> str:
        """As it is."""
        return "driver takes over"

    def values(self) -> tuple[float, float, float]:
        """Offset, and speed or a negative number."""
        return self.lateral_offset, -1.0 if self.speed is None else self.speed, 0.0


class StopDemand(Event):
    """A stop is demanded; categories as in ISO 13850 and IEC 60204-1 (from memory).

    0: power is removed at once; the steering is left to itself and the brake that needs no power acts. 1: controlled
    stop on the path, then power is removed. 2: controlled stop on the path, power is kept; where the event ends, the
    drive goes on.
    """

    kind: Literal["stop demand"] = "stop demand"
    category: Literal[0, 1, 2] = Field(description="stop category")

    @model_validator(mode="after")
    def _only_category_two_is_released(self) -> Self:
        if self.category < 2 and (self.duration is not None or self.length is not None):
            raise InputError(
                f"a stop of category {self.category} has an end",
                "an end only for category 2, after which the drive goes on",
                "remove duration and length, or demand category 2",
            )
        return self

    @property
    def title(self) -> str:
        """With the category."""
        return f"stop demand, category {self.category}"

    def values(self) -> tuple[float, float, float]:
        """Category + 1, and whether it is final."""
        return self.category + 1.0, float(self.duration is None and self.length is None), 0.0


class LinkLost(Event):
    """No command reaches the vehicle; its watchdog stops it when the silence gets too long."""

    kind: Literal["link lost"] = "link lost"

    @property
    def title(self) -> str:
        """As it is."""
        return "command link lost"


class LocalisationLost(Event):
    """The localisation gives nothing new, and says so."""

    kind: Literal["localisation lost"] = "localisation lost"

    @property
    def title(self) -> str:
        """As it is."""
        return "localisation lost"


class LocalisationJump(Event):
    """The pose that the localisation gives is off, all at once, by a distance and an angle."""

    kind: Literal["localisation jump"] = "localisation jump"
    lateral: float = Field(default=0.0, ge=-100, le=100, description="m, + to the left of the vehicle")
    along: float = Field(default=0.0, ge=-100, le=100, description="m, + ahead of the vehicle")
    heading: float = Field(default=0.0, ge=-math.pi, le=math.pi, description="rad, + left")

    @property
    def title(self) -> str:
        """With the size."""
        return f"localisation jumps {math.hypot(self.lateral, self.along):g} m"

    def values(self) -> tuple[float, float, float]:
        """Lateral, along, heading."""
        return self.lateral, self.along, self.heading


class FrictionChange(Event):
    """The road's friction is another one over a stretch."""

    kind: Literal["friction change"] = "friction change"
    friction: float = Field(ge=0, le=2, description="factor of the tyres' own coefficient")

    @property
    def title(self) -> str:
        """With the factor."""
        return f"friction × {self.friction:g}"

    def values(self) -> tuple[float, float, float]:
        """Factor."""
        return self.friction, 0.0, 0.0


class SideWind(Event):
    """Wind across the vehicle; a vehicle without `body.side_area` does not feel it."""

    kind: Literal["side wind"] = "side wind"
    speed: float = Field(ge=-60, le=60, description="m/s, + blowing to the left")

    @property
    def title(self) -> str:
        """With the speed."""
        return f"side wind {self.speed:g} m/s"

    def values(self) -> tuple[float, float, float]:
        """Speed."""
        return self.speed, 0.0, 0.0


class RoadTilt(Event):
    """Grade and bank of the road over a stretch."""

    kind: Literal["road tilt"] = "road tilt"
    grade: float = Field(default=0.0, ge=-0.5, le=0.5, description="rad, + uphill")
    bank: float = Field(default=0.0, ge=-0.5, le=0.5, description="rad, + where the left side is higher")

    @property
    def title(self) -> str:
        """With both angles, in percent."""
        return f"grade {100.0 * math.tan(self.grade):.3g} %, bank {100.0 * math.tan(self.bank):.3g} %"

    def values(self) -> tuple[float, float, float]:
        """Grade and bank."""
        return self.grade, self.bank, 0.0


class LoadChange(Event):
    """Mass comes aboard for the rest of the run, or goes (negative); needs a vehicle whose mass is known."""

    kind: Literal["load change"] = "load change"
    mass: float = Field(ge=-20000, le=20000, description="kg")
    position: float | None = Field(
        default=None, ge=-10, le=30, description="m ahead of the rear axle; the centre of gravity if left out"
    )

    @property
    def title(self) -> str:
        """With the mass."""
        return f"load {self.mass:+g} kg"


AnyEvent = Annotated[
    DriverHoldsSpeed
    | DriverTakesOver
    | StopDemand
    | LinkLost
    | LocalisationLost
    | LocalisationJump
    | FrictionChange
    | SideWind
    | RoadTilt
    | LoadChange,
    Field(discriminator="kind"),
]
