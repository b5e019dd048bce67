"""What a law may know of the vehicle."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from tracker.response import Response, ResponseValues


def test_defaults_describe_an_ideal_vehicle():
    """Without values a vehicle answers at once and exactly."""
    values = Response().values
    assert (values.dead_time, values.lag, values.gain, values.offset) == (0.0, 0.0, 1.0, 0.0)
    assert values.wheelbase == 2.8


def test_values_carry_every_field_as_a_float():
    """Compiled code gets every field, as floats, and 0.0 for what is not known."""
    assert tuple(Response.model_fields) == ResponseValues._fields
    values = Response(wheelbase=3, mass=2000, width=None).values
    assert {type(value) for value in values} == {float}
    assert (values.wheelbase, values.mass, values.width, values.cornering_stiffness_rear) == (3, 2000, 0, 0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"wheelbase": 0.0},
        {"dead_time": -0.1},
        {"lag": float("nan")},
        {"angle_limit": float("inf")},
        {"rate_limit": 0.0},
        {"mass": -1.0},
        {"offset": 0.5, "angle_limit": 0.4},
        {"wheelbase": 2.5, "front_axle_distance": 2.5},
        {"wheel_base": 2.5},
    ],
)
def test_impossible_values_are_refused(wrong):
    """A value that no vehicle has is refused when it is given."""
    with pytest.raises(ValidationError):
        Response(**wrong)


def test_survives_json():
    """A parameter file carries the response without loss."""
    response = Response(wheelbase=0.1 + 0.2, mass=1.58, lag=1 / 3)
    assert Response.model_validate_json(response.model_dump_json()) == response


def test_is_frozen():
    """A response is a value: it does not change once given to a law."""
    with pytest.raises(ValidationError, match="frozen"):
        Response().mass = 1.0
