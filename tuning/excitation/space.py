"""The ground there is, and the limits that every drive of a plan keeps."""

from __future__ import annotations

from dataclasses import dataclass

from tracks.errors import InputError
from tracks.validation import check_positive

__all__ = ["Limits", "Size", "Space"]

_MARGIN = 2.0  # m; common practice, no source
_ACCELERATION, _DECELERATION = (
    2.0,
    4.0,
)  # m/s², what a driver in a seat with a belt takes; common practice, no source
_OVERHANG = (
    0.3  # of the wheelbase, ahead of the front axle and behind the rear one; common practice, no source
)
_WIDTH = 0.65  # of the wheelbase; common practice, no source


@dataclass(frozen=True)
class Space:
    """A free rectangle of level ground, on which drives go along its length.

    Its frame has x along the length from 0 and y to the left, 0 in the middle of the width.

    Attributes:
        length: m.
        width: m.
        margin: m, that the whole vehicle keeps from the edge, whatever its dead time, lag and steering errors are.
    """

    length: float
    width: float
    margin: float = _MARGIN

    def __post_init__(self) -> None:
        for name in ("length", "width"):
            object.__setattr__(self, name, check_positive(f"{name} of the space", getattr(self, name), "m"))
        object.__setattr__(self, "margin", check_positive("margin of the space", self.margin, "m", zero=True))
        if 2.0 * self.margin >= min(self.length, self.width):
            raise InputError(
                f"a space of {self.length:g} m by {self.width:g} m has no room inside a margin of {self.margin:g} m",
                "more than twice the margin either way",
                "give a larger space or a smaller margin",
            )

    @property
    def room(self) -> tuple[float, float]:
        """Length and width inside the margin, m."""
        return self.length - 2.0 * self.margin, self.width - 2.0 * self.margin


@dataclass(frozen=True)
class Limits:
    """What no drive exceeds, for any variant of the vehicle.

    Attributes:
        speed: m/s.
        lateral_acceleration: m/s², of the centre of gravity.
        acceleration, deceleration: m/s², both positive.
        steering_rate: rad/s, of the road wheels.
        steering_angle: rad, of the road wheels.
    """

    speed: float
    lateral_acceleration: float
    steering_rate: float
    steering_angle: float
    acceleration: float = _ACCELERATION
    deceleration: float = _DECELERATION

    def __post_init__(self) -> None:
        units = {"speed": "m/s", "steering_rate": "rad/s", "steering_angle": "rad"}
        for name in self.__dataclass_fields__:
            value = check_positive(name, getattr(self, name), units.get(name, "m/s²"))
            object.__setattr__(self, name, value)


@dataclass(frozen=True)
class Size:
    """The vehicle on the ground: wheelbase, width and overhangs, m, for the ground that it sweeps."""

    wheelbase: float
    width: float
    front: float
    rear: float

    @classmethod
    def of(cls, wheelbase: float, width: float | None) -> Size:
        """Give the size from a wheelbase and, where it is known, a width; overhangs are taken as 0.3 wheelbases."""
        return cls(wheelbase, width or _WIDTH * wheelbase, _OVERHANG * wheelbase, _OVERHANG * wheelbase)

    @property
    def length(self) -> float:
        """Over everything, m."""
        return self.rear + self.wheelbase + self.front
