"""One quantity in a log: which column, in which unit, with which sign, by which clock."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from tracks.errors import InputError
from tuning.logs.units import QUANTITIES, accepted_units, factor_of, near_unit, to_si

__all__ = ["Channel", "check_unit", "conversion"]

Positive = Annotated[FiniteFloat, Field(gt=0.0)]

_ROLLING = (*(name for name in QUANTITIES if name.startswith("wheel_speed_")), "speed")
_AT_HAND_WHEEL = ("steering_angle", "steering_command")


class Channel(BaseModel):
    """Where one quantity stands in a log.

    Fields:
        column: the name of the column, as in the file's header, with or without its bracketed unit; in an MDF file the
            channel, or group/channel; in an MCAP file topic.field.
        unit: the unit in the file, empty for a number without a unit; left out, the one that the file itself names.
        scale: what the column is multiplied by before its unit is converted; -1 turns its sign.
        file: of several files, the one with the column: part of its name, or a pattern with * in it.
        time: the column of this quantity's own time stamps, where that is not the column of [time].
        time_unit: the unit of `time`; left out, the file's, else that of [time].
        clock_offset: added to the time stamps, s: positive where this channel's clock is behind.
        radius: for wheel speeds in an angular unit (rad/s, rpm): the rolling radius, m.
        ratio: for steering angles taken at the hand wheel: hand-wheel angle per road-wheel angle.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    column: str = Field(min_length=1)
    unit: str | None = None
    scale: FiniteFloat = 1.0
    file: str = ""
    time: str = ""
    time_unit: str | None = None
    clock_offset: FiniteFloat = 0.0
    radius: Positive | None = None
    ratio: Positive | None = None

    @model_validator(mode="after")
    def _scale_keeps_the_signal(self) -> Channel:
        if self.scale == 0.0:
            raise InputError(
                "scale is 0", "a number other than 0", "leave scale out, or use -1 to turn a sign"
            )
        return self


def check_unit(quantity: str, channel: Channel) -> None:
    """Raise `InputError` where keys or unit of a channel do not fit its quantity."""
    if quantity == "time":
        for key in ("file", "time", "time_unit", "clock_offset", "radius", "ratio"):
            if getattr(channel, key):
                raise InputError(f"time has a {key}", "column, unit and scale", f"move {key} to other tables")
    if channel.radius is not None and quantity not in _ROLLING:
        raise InputError(f"{quantity} has a radius", "one for wheel speeds only", "remove radius")
    if channel.ratio is not None and quantity not in _AT_HAND_WHEEL:
        raise InputError(f"{quantity} has a ratio", "one for steering angles only", "remove ratio")
    if channel.time_unit is not None and to_si("time", channel.time_unit) is None:
        raise InputError(
            f"{quantity} has time_unit {channel.time_unit!r}", accepted_units("time"), "name the unit"
        )
    if channel.unit is not None:
        conversion(quantity, channel, channel.unit)


def conversion(quantity: str, channel: Channel, unit: str) -> float:
    """Give the factor from the column's number to SI: scale, unit, and the radius or the ratio where there is one.

    Raises:
        InputError: the unit does not fit.
    """
    received = f"{quantity} has unit {unit!r}" if unit else f"{quantity} has no unit"
    if channel.radius is not None:
        rate = factor_of("angular rate", unit)
        if rate is None:
            raise InputError(
                f"{received} and a radius",
                "an angular unit: rad/s, rpm, °/s",
                "correct the unit or remove radius",
            )
        return channel.scale * rate * channel.radius
    if channel.ratio is not None:
        angle = factor_of("angle", unit)
        if angle is None:
            raise InputError(f"{received} and a ratio", "an angle: deg, rad", "name the unit or remove ratio")
        return channel.scale * angle / channel.ratio
    factor = to_si(quantity, unit)
    if factor is None:
        raise InputError(received, accepted_units(quantity), _remedy(quantity, unit))
    return channel.scale * factor


def _remedy(quantity: str, unit: str) -> str:
    if unit and quantity in _ROLLING and factor_of("angular rate", unit) is not None:
        return "give the rolling radius of the wheel in m, as radius = 0.31"
    near = near_unit(quantity, unit)
    if near:
        return f"did you mean {near!r}? Any other factor goes into scale"
    return "name the unit, and put any other factor into scale"
