"""What the user already knows: names of vehicle values, long or short."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from typing import Annotated, Any, cast

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from tracks.errors import InputError
from tracks.validation import explain
from tuning.vehicle.tables import Body, Drive, Steering, Tyres

__all__ = ["TABLES", "refusals_in_words", "resolve", "short_names"]

TABLES = {"body": Body, "tyres": Tyres, "steering": Steering, "drive": Drive}


def short_names() -> dict[str, str]:
    """Give every name that `known` may use with the dotted name it stands for.

    A field name that only one table has is enough; where two tables have it, the steering's is meant only by its
    dotted name.
    """
    dotted = [f"{table}.{field}" for table, model in TABLES.items() for field in model.model_fields]
    # The logs say which interface they drive, and the model has an argument of its own.
    dotted = [name for name in dotted if name not in ("steering.interface", "drive.interface", "body.model")]
    fields = [name.split(".")[1] for name in dotted]
    short = {field: name for field, name in zip(fields, dotted, strict=True) if fields.count(field) == 1}
    return {name: name for name in dotted} | short


def resolve(known: Mapping[str, Any] | None) -> dict[str, Any]:
    """Give known values by dotted name, each checked as the vehicle file would check it.

    Raises:
        InputError: an unknown or twice given name, or a value that the vehicle's field does not take.
    """
    names = short_names()
    found: dict[str, Any] = {}
    for name, value in (known or {}).items():
        if name not in names:
            near = get_close_matches(name, names, n=1)
            raise InputError(
                f"known names {name!r}, which no vehicle has",
                f"one of {', '.join(names)}",
                f"did you mean {near[0]!r}?" if near else "correct the name",
            )
        if names[name] in found:
            raise InputError(
                f"known gives {names[name]} twice", "every value once", "remove the short or the long name"
            )
        found[names[name]] = value
    if ("steering.map_command" in found) != ("steering.map_angle" in found):
        raise InputError(
            "known gives half of the steering's static map",
            "steering.map_command and steering.map_angle together",
            "add the other half",
        )
    for name, value in found.items():
        table, field = name.split(".")
        found[name] = _checked(name, TABLES[table].model_fields[field], value)
    return found


@contextmanager
def refusals_in_words() -> Iterator[None]:
    """Turn a vehicle's refusal of values that do not go together, known or found, into `InputError`; also a decorator."""
    try:
        yield
    except ValidationError as error:
        field, what, expected, remedy = explain(error)
        place = f"{field}: " if field else ""
        raise InputError(
            f"no vehicle has the known values together with the found ones: {place}{what}",
            expected,
            remedy or "correct what known gives",
        ) from None


def _checked(name: str, field: FieldInfo, value: Any) -> Any:
    """Give the value as the field of the vehicle file holds it."""
    annotated: Any = Annotated[cast(Any, field.annotation), field]
    adapter: TypeAdapter[Any] = TypeAdapter(annotated)
    try:
        return adapter.validate_python(value)
    except ValidationError as error:
        _, what, expected, remedy = explain(error)
        raise InputError(f"known {name}: {what}", expected, remedy) from None
