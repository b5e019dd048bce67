"""Limits: the bound on each measure, each with where it comes from.

A usage is measure / limit; the binding limit is the one with the largest usage.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from tracks.errors import FileError, InputError
from tracks.file_access import read_toml, write_atomically
from tracks.validation import file_error
from tuning.measures.registry import MEASURES

__all__ = ["Limits"]

_NO_SOURCE = "common practice, no source"
_OPEN = "none"  # how a limits file says that a measure has no limit; TOML has no null


def _bound(default: float | None, source: str = "") -> Any:
    return Field(default, gt=0.0, allow_inf_nan=False, description=source or "no limit unless one is given")


class Limits(BaseModel):
    """The largest allowed value of each measure, in the measure's unit; None leaves a measure free.

    The defaults suit a passenger car on a road. Longitudinal measures are free: the speed plan decides
    them, and a limit that no gain can move would hide the differences beneath it. Small vehicles need lateral limits of
    their own size: `Limits(lateral_error_max=0.05, ...)`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    overshoot: float | None = _bound(10.0, f"%; {_NO_SOURCE}")
    settling_distance: float | None = _bound(None)
    lateral_error_rms: float | None = _bound(0.15, f"m; {_NO_SOURCE}")
    lateral_error_95: float | None = _bound(0.30, f"m; {_NO_SOURCE}")
    lateral_error_max: float | None = _bound(
        0.50, f"m; a body 2 m wide in a lane of 3.5 m then keeps 0.25 m; {_NO_SOURCE}"
    )
    heading_error_rms: float | None = _bound(None)
    heading_error_max: float | None = _bound(None)
    corner_cutting: float | None = _bound(None)
    corridor_used: float | None = _bound(100.0, "%; the body touches the corridor's edge")
    lateral_acceleration_r79: float | None = _bound(
        3.0, "m/s²; UN R79 and ISO 11270, lane keeping (read in a secondary source)"
    )
    lateral_jerk_r79: float | None = _bound(
        5.0, "m/s³; UN R79 and ISO 11270, lane keeping (read in a secondary source)"
    )
    lateral_acceleration_max: float | None = _bound(None)
    lateral_acceleration_rms: float | None = _bound(None)
    lateral_jerk_max: float | None = _bound(None)
    lateral_jerk_rms: float | None = _bound(None)
    longitudinal_acceleration_max: float | None = _bound(None)
    longitudinal_acceleration_rms: float | None = _bound(None)
    longitudinal_jerk_max: float | None = _bound(None)
    longitudinal_jerk_rms: float | None = _bound(None)
    steering_rate_rms: float | None = _bound(0.20, f"rad/s of the road wheels; {_NO_SOURCE}")
    time_saturated: float | None = _bound(5.0, f"%; {_NO_SOURCE}")
    steering_reversals: float | None = _bound(None)
    stopping_distance: float | None = _bound(None)
    stopping_excursion: float | None = _bound(None)

    @field_validator("*", mode="before")
    @classmethod
    def _open_by_name(cls, value: Any) -> Any:
        """Take "none" for no limit, and refuse text and truth values, which pydantic would turn into numbers."""
        if isinstance(value, (str, bool)) and value != _OPEN:
            raise InputError(f"received {value!r}", f'a number above 0, or "{_OPEN}"', "correct the value")
        return None if value == _OPEN else value

    @classmethod
    def gentle(cls, **changes: float | None) -> Self:
        """Give limits for public transport with people who stand, with changes by name.

        Lateral acceleration 1.5 m/s² (0.15 g, the upper end of 0.11-0.15 g) and jerk 3 m/s³ (about 0.3 g/s) are
        those of Hoberock 1977, from memory. Bae 2019, from memory, asks for 0.9 m/s² and 0.6 m/s³, which the
        turns of a campus need walking pace for. The errors are two thirds of a car's: common practice, no source.
        """
        gentle = {
            "lateral_acceleration_r79": 1.5,
            "lateral_jerk_r79": 3.0,
            "lateral_error_rms": 0.10,
            "lateral_error_95": 0.20,
            "lateral_error_max": 0.33,
        }
        return cls.model_validate({**gentle, **changes})

    @property
    def active(self) -> dict[str, float]:
        """The limits that are set, by the name of their measure."""
        return {name: bound for name, bound in dict(self).items() if bound is not None}

    def usage(self, measures: Mapping[str, float]) -> dict[str, float]:
        """Give measure / limit for every limit that is set and applies to the run (its measure is not NaN)."""
        return {
            name: measures[name] / bound
            for name, bound in self.active.items()
            if not math.isnan(measures[name])
        }

    def binding(self, measures: Mapping[str, float]) -> tuple[str, float]:
        """Give (name, usage) of the binding limit; ("", 0) where no limit applies."""
        usage = self.usage(measures)
        name = max(usage, key=usage.__getitem__, default="")
        return name, usage.get(name, 0.0)

    @classmethod
    def load(cls, path: str | FilePath) -> Self:
        """Read limits from a TOML file of lines `measure = bound`; "none" frees a measure, others keep their default.

        Raises:
            FileError: not TOML, an unknown measure, or a bound that is not above 0.
        """
        data = read_toml(path, "limits file", "lines such as lateral_error_max = 0.5")
        unknown = next((name for name in data if name not in cls.model_fields), None)
        if unknown is not None:
            nearest = difflib.get_close_matches(unknown, cls.model_fields, n=1)
            remedy = f'write "{nearest[0]}" if that was meant' if nearest else "remove the line"
            expected = f"one of {', '.join(cls.model_fields)}"
            raise FileError(path, unknown, "there is no limit of this name", expected, remedy)
        try:
            return cls.model_validate(data)
        except ValidationError as error:
            raise file_error(path, error) from None

    def save(self, path: str | FilePath) -> None:
        """Write every limit to a TOML file, with units and sources as comments; whole or not at all."""
        lines = ["# Limits on the measures of a run, each in the unit of its measure.", ""]
        for name, field in type(self).model_fields.items():
            bound = getattr(self, name)
            value = f'"{_OPEN}"' if bound is None else repr(float(bound))
            changed = bound != field.default
            note = MEASURES[name].unit if changed else f"{field.description}"
            lines.append(f"{name} = {value}  # {MEASURES[name].meaning}; {note}")
        write_atomically(path, "\n".join(lines) + "\n")
