"""The channel file: which column of a log is which quantity, in which unit, with which sign."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from tracks.errors import InputError
from tracks.file_access import read_toml
from tracks.validation import file_error
from tuning.logs.channel import Channel, check_unit
from tuning.logs.units import QUANTITIES

__all__ = ["Channel", "Channels"]


class Channels(BaseModel):
    """The columns of a log by quantity: one optional `Channel` for each name in `QUANTITIES`.

    `time` may be left out where the files have clocks of their own (MDF, MCAP) or every channel names its `time`.

    Raises:
        InputError (inside pydantic's `ValidationError` when constructed directly): an unknown quantity, a unit that
            or a key that does not fit the quantity, or one column given to two quantities.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: Channel | None = None
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
        seen: dict[tuple[str, str], str] = {}
        for quantity, channel in self.items():
            check_unit(quantity, channel)
            place = (channel.file, channel.column)
            if place in seen:
                raise InputError(
                    f"column {channel.column!r} is given to both {seen[place]} and {quantity}",
                    "one quantity a column",
                    "remove one of the two tables",
                )
            seen[place] = quantity
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
