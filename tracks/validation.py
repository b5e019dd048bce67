"""Checks shared by every room: validate once, in the constructor, and say in words what is wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path as FilePath
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from tracks.errors import FileError, InputError

__all__ = [
    "check_finite",
    "check_positive",
    "check_same_length",
    "check_vector",
    "explain",
    "file_error",
]

_EXPECTED = {
    "missing": "a value for this field",
    "extra_forbidden": "only the documented fields",
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "text",
    "finite_number": "a finite number",
    "model_type": "a table of fields",
    "model_attributes_type": "a table of fields",
    "dict_type": "a table of fields",
    "list_type": "a list",
    "tuple_type": "a list",
    "too_short": "a longer list",
}
_REMEDIES = {
    "missing": "add the field",
    "extra_forbidden": "remove the field or correct its spelling",
}


def explain(error: ValidationError) -> tuple[str, str, str, str]:
    """Say in words what the first fault of a pydantic `ValidationError` is.

    Returns:
        `(field, what, expected, remedy)`: the dotted name of the field (empty for a rule across fields), what was
        received, what was expected, and what to do.
    """
    fault = error.errors(include_url=False)[0]
    kind = fault["type"]
    # A choice between kinds of values ("a number", "a schedule") is no part of a field's name.
    field = ".".join(str(part) for part in fault["loc"] if not str(part).startswith("a "))
    received = _shown(fault.get("input"))
    original = fault.get("ctx", {}).get("error")
    if isinstance(original, InputError):
        return field, original.what, original.expected, original.remedy
    remedy = _REMEDIES.get(kind, "correct the value")
    if kind == "missing":
        return field, "the field is missing", _EXPECTED[kind], remedy
    if kind == "extra_forbidden":
        return field, f"the field is unknown (received {received})", _EXPECTED[kind], remedy
    if kind == "value_error":
        what = str(original) if original is not None else fault["msg"]
        return field, what, "", "" if field == "" else remedy
    expected = _EXPECTED.get(kind, _as_expectation(fault["msg"]))
    if kind == "float_type" and "a number" in fault["loc"]:
        expected = 'a number, or a schedule over speed: {"speeds": [2, 8], "values": [1.5, 1.0]}'
    return field, f"received {received}", expected, remedy


def file_error(file: str | FilePath, error: ValidationError, prefix: str = "") -> FileError:
    """Turn a pydantic `ValidationError` into a `FileError` that names the file and the field.

    Args:
        file: the file that was read.
        error: what pydantic raised.
        prefix: the table in which the model stands, put before the field ("steering").
    """
    field, what, expected, remedy = explain(error)
    where = ".".join(part for part in (prefix, field) if part)
    return FileError(file, where, what, expected, remedy)


def _as_expectation(message: str) -> str:
    """Turn "Input should be greater than 0" into "a value greater than 0"."""
    if message.startswith("Input should be a valid "):
        return f"a {message.removeprefix('Input should be a valid ')}"
    if message.startswith("Input should be "):
        return f"a value {message.removeprefix('Input should be ')}"
    return message


def _shown(value: Any, longest: int = 60) -> str:
    text = repr(value)
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


def check_finite(name: str, value: Any, unit: str = "") -> float:
    """Give `value` as a float, or raise `InputError` when it is not a finite number."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise InputError(f"{name} is {_shown(value)}", f"a finite number{_in(unit)}", f"give {name} a number")
    return number


def check_positive(name: str, value: Any, unit: str = "", zero: bool = False) -> float:
    """Give `value` as a float, or raise `InputError` unless it is finite and above 0 (or 0 itself with `zero`)."""
    number = check_finite(name, value, unit)
    if number < 0.0 or (number == 0.0 and not zero):
        bound = "of 0 or more" if zero else "above 0"
        raise InputError(
            f"{name} is {number:g}{_unit(unit)}", f"a value {bound}{_unit(unit)}", f"raise {name}"
        )
    return number


def check_vector(
    name: str, values: ArrayLike, shape: int | None = None, unit: str = ""
) -> NDArray[np.float64]:
    """Give `values` as a fresh contiguous float64 array of shape (n,), every entry finite.

    Args:
        shape: the length that the array must have, if it is fixed.

    Raises:
        InputError: not one-dimensional, of another length, or with an entry that is not finite (its index is named).
    """
    try:
        array = np.array(values, dtype=np.float64, order="C")
    except (TypeError, ValueError) as error:
        raise InputError(
            f"{name} is not an array of numbers ({error})", "numbers", "convert it first"
        ) from error
    if array.ndim != 1:
        raise InputError(f"{name} has shape {array.shape}", "a one-dimensional array", "flatten it")
    if shape is not None and array.size != shape:
        raise InputError(
            f"{name} has {array.size} entries", f"{shape} entries", f"give {name} one value a node"
        )
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        where = int(bad[0])
        raise InputError(
            f"{name}[{where}] is {array[where]}",
            f"finite numbers{_in(unit)}",
            "remove or repair these entries",
        )
    return array


def check_same_length(names: Sequence[str], arrays: Sequence[NDArray[Any]]) -> None:
    """Raise `InputError` unless all arrays have the same number of entries."""
    sizes = [array.size for array in arrays]
    if len(set(sizes)) > 1:
        listed = ", ".join(f"{name} has {size}" for name, size in zip(names, sizes, strict=True))
        raise InputError(
            f"the lengths differ: {listed} entries", "one value of each a point", "align the arrays"
        )


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


def _in(unit: str) -> str:
    return f" in {unit}" if unit else ""
