"""Numbers and tables as plain text."""

from __future__ import annotations

import math

import pytest

from tuning.text import number, spoken, text_table


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 3, "0.00"),
        (1.0, 3, "1.00"),
        (0.09996, 3, "0.100"),
        (-12.345, 3, "-12.3"),
        (123456.0, 3, "123456"),
        (1.5e7, 3, "1.50e+07"),
        (2.5e-5, 2, "2.5e-05"),
        (math.nan, 3, "-"),
        (math.inf, 3, "inf"),
        (None, 3, "-"),
    ],
)
def test_numbers_keep_their_significant_digits(value, digits, text):
    """Three digits tell a small number as well as a large one, without exponent where that is readable."""
    assert number(value, digits) == text


def test_names_are_spoken():
    """Abbreviations are written as engineers write them."""
    assert spoken("lateral_error_rms") == "lateral error RMS"
    assert spoken("lateral_jerk_r79") == "lateral jerk (UN R79)"
    assert spoken("lateral_error_95") == "lateral error 95 %"


def test_a_table_is_aligned():
    """Words stand flush left, numbers flush right, and no line ends in spaces."""
    lines = text_table(("law", "usage"), [("MPC", "9 %"), ("PurePursuit", "100 %")]).splitlines()
    assert lines == [
        "law          usage",
        "-----------  -----",
        "MPC            9 %",
        "PurePursuit  100 %",
    ]
