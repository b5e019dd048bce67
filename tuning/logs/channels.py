"""The channel file: which column of a log is which quantity, in which unit, with which sign."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError, model_validator

from tracks.errors import InputError
from tracks.file_access import read_toml
from tracks.validation import file_error
from tuning.logs.units import NO_UNIT, QUANTITIES, accepted_units, to_si

__all__ = ["Channel", "Channels"]


class Channel(BaseModel):
    """Where one quantity stands in a log.

    Fields:
        column: the name of the column, as in the file's header.
        unit: the unit in the file; left out or empty for a number without a unit.
        scale: what the column is multiplied by before its unit is converted; -1 turns its sign.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    column: str = Field(min_length=1)
    unit: str = NO_UNIT
    scale: FiniteFloat = 1.0

    @model_validator(mode="after")
    def _scale_keeps_the_signal(self) -> Channel:
        if self.scale == 0.0:
            raise InputError(
                "scale is 0", "a number other than 0", "leave scale out, or use -1 to turn a sign"
            )
        return self


class Channels(BaseModel):
    """The columns of a log by quantity: one optional `Channel` for each name in `QUANTITIES`; `time` is required.

    Raises:
        InputError (inside pydantic's `ValidationError` when constructed directly): an unknown quantity, a unit that
            does not fit the quantity, or one column given to two quantities.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: Channel
    curvature_command: Channel | None = None
    steering_command: Channel | None = None
    speed_command: Channel | None = None
    acceleration_command: Channel | None = None
    throttle_command: Channel | None = None
    brake_command: Channel | None = None
    steering_angle: Channel | None = None
    speed: Channel | None = None
    wheel_speed_front_left: Channel | None = None
    wheel_speed_front_right: Channel | None = None
    wheel_speed_rear_left: Channel | None = None
    wheel_speed_rear_right: Channel | None = None
    yaw_rate: Channel | None = None
    lateral_acceleration: Channel | None = None
    longitudinal_acceleration: Channel | None = None
    x: Channel | None = None
    y: Channel | None = None
    heading: Channel | None = None
    latitude: Channel | None = None
    longitude: Channel | None = None

    @model_validator(mode="before")
    @classmethod
    def _quantities_are_known(cls, tables: Any) -> Any:
        for name in tables if isinstance(tables, dict) else ():
            if name not in QUANTITIES:
                near = get_close_matches(str(name), QUANTITIES, n=1)
                remedy = f"did you mean {near[0]}?" if near else "rename or remove the table"
                raise InputError(f"unknown quantity {name!r}", f"one of {', '.join(QUANTITIES)}", remedy)
        return tables

    @model_validator(mode="after")
    def _units_fit(self) -> Channels:
        seen: dict[str, str] = {}
        for quantity, channel in self.items():
            if to_si(quantity, channel.unit) is None:
                received = f"unit {channel.unit!r}" if channel.unit else "no unit"
                raise InputError(
                    f"{quantity} has {received}",
                    f"one of: {accepted_units(quantity)}",
                    "name the unit, and put any other factor into scale",
                )
            if channel.column in seen:
                raise InputError(
                    f"column {channel.column!r} is given to both {seen[channel.column]} and {quantity}",
                    "one quantity a column",
                    "remove one of the two tables",
                )
            seen[channel.column] = quantity
        return self

    def items(self) -> Iterator[tuple[str, Channel]]:
        """Go through the quantities that have a column, with their channels."""
        for quantity in QUANTITIES:
            channel = getattr(self, quantity)
            if channel is not None:
                yield quantity, channel

    @classmethod
    def load(cls, path: str | FilePath) -> Channels:
        """Read a channel file (TOML).

        Raises:
            FileError: missing, not TOML, or a table that does not hold; names the table or the line.
        """
        example = 'one table a quantity, as in [speed] with column = "v" and unit = "km/h"'
        tables = read_toml(path, "channel file (TOML)", example)
        try:
            return cls.model_validate(tables)
        except ValidationError as error:
            raise file_error(path, error) from None
