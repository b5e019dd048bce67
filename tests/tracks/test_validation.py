"""Shared checks: what they let through, and what they say."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from tracks import FileError, InputError
from tracks.validation import (
    check_finite,
    check_positive,
    check_vector,
    explain,
    file_error,
)


class Inner(BaseModel):
    """A table within a model."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    dead_time: float = Field(ge=0.0, allow_inf_nan=False)


class Outer(BaseModel):
    """A model with every kind of rule."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    steering: Inner
    count: int = Field(default=1, gt=0)
    name: str = ""

    @field_validator("name")
    @classmethod
    def _check(cls, value: str) -> str:
        if value == "bad":
            raise InputError("name is 'bad'", "a good name", "rename it")
        if value == "worse":
            raise ValueError("worse than bad")
        return value


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ({}, ("steering", "the field is missing", "a value for this field", "add the field")),
        (
            {"steering": {"dead_time": -0.1}},
            (
                "steering.dead_time",
                "received -0.1",
                "a value greater than or equal to 0",
                "correct the value",
            ),
        ),
        (
            {"steering": {"dead_time": "fast"}},
            ("steering.dead_time", "received 'fast'", "a number", "correct the value"),
        ),
        (
            {"steering": {"dead_time": float("nan")}},
            ("steering.dead_time", "received nan", "a finite number", "correct the value"),
        ),
        (
            {"steering": {"dead_time": 0.1, "lag": 1}},
            (
                "steering.lag",
                "the field is unknown (received 1)",
                "only the documented fields",
                "remove the field or correct its spelling",
            ),
        ),
        ({"steering": 3}, ("steering", "received 3", "a table of fields", "correct the value")),
        (
            {"steering": {"dead_time": 0}, "count": 1.5},
            ("count", "received 1.5", "a whole number", "correct the value"),
        ),
        (
            {"steering": {"dead_time": 0}, "name": "bad"},
            ("name", "name is 'bad'", "a good name", "rename it"),
        ),
        (
            {"steering": {"dead_time": 0}, "name": "worse"},
            ("name", "worse than bad", "", "correct the value"),
        ),
    ],
)
def test_faults_of_models_are_explained(data, expected) -> None:
    """Field, value received, expectation and remedy come out of pydantic's error in plain words."""
    with pytest.raises(ValidationError) as caught:
        Outer.model_validate(data)
    assert explain(caught.value) == expected


def test_faults_of_files_name_file_and_field() -> None:
    """The field of a model in a file is given with its table."""
    with pytest.raises(ValidationError) as caught:
        Inner.model_validate({"dead_time": -1})
    error = file_error("vehicle.toml", caught.value, prefix="steering")
    assert isinstance(error, FileError)
    assert str(error) == (
        "vehicle.toml: steering.dead_time: received -1; expected a value greater than or equal to 0; "
        "to mend it: correct the value"
    )


def test_numbers_are_checked() -> None:
    """Good numbers come back as floats; others are named with unit."""
    assert check_finite("x", "3") == 3.0
    assert check_positive("v", np.float32(2.0), "m/s") == 2.0
    assert check_positive("v", 0, zero=True) == 0.0
    with pytest.raises(
        InputError, match="v is 'fast'; expected a finite number in m/s; to mend it: give v a number"
    ):
        check_finite("v", "fast", "m/s")
    with pytest.raises(InputError, match="v is None"):
        check_positive("v", None)
    with pytest.raises(InputError, match="v is 0 m/s; expected a value above 0 m/s; to mend it: raise v"):
        check_positive("v", 0.0, "m/s")


def test_vectors_are_copies() -> None:
    """A checked vector is a fresh contiguous array, so later changes of the input do not reach it."""
    source = np.arange(6.0)[::2]
    checked = check_vector("a", source)
    source[0] = 9.0
    assert checked[0] == 0.0
    assert checked.flags.c_contiguous
    with pytest.raises(InputError, match="a has 3 entries; expected 4 entries"):
        check_vector("a", source, 4)
