"""What the user already knows: names of vehicle values, long or short."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from typing import Annotated, Any, cast

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from tracks.errors import InputError
from tracks.validation import check_finite, explain
from tuning.identification.sensors import SENSORS, bank_name
from tuning.vehicle.tables import Body, Drive, Steering, Tyres

__all__ = ["NOT_VEHICLE", "TABLES", "refusals_in_words", "resolve", "resolve_priors", "short_names"]

TABLES = {"body": Body, "tyres": Tyres, "steering": Steering, "drive": Drive}
NOT_VEHICLE = ("sensors", "road")  # tables of what is fitted but does not belong to the vehicle
_MOST_LOGS = 100  # whose road may be known


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
    outside = [*SENSORS, *(bank_name(number) for number in range(_MOST_LOGS))]
    return {name: name for name in (*dotted, *outside)} | short


def resolve(known: Mapping[str, Any] | None) -> dict[str, Any]:
    """Give known values by dotted name, each checked as the vehicle file would check it.

    Raises:
        InputError: an unknown or twice given name, or a value that the vehicle's field does not take.
    """
    names = short_names()
    found: dict[str, Any] = {}
    for name, value in (known or {}).items():
        _check_name(name, names, "known")
        _once(names[name], found, "known")
        found[names[name]] = value
    if ("steering.map_command" in found) != ("steering.map_angle" in found):
        raise InputError(
            "known gives half of the steering's static map",
            "steering.map_command and steering.map_angle together",
            "add the other half",
        )
    for name, value in found.items():
        table, field = name.split(".")
        if table in NOT_VEHICLE:
            found[name] = check_finite(f"known {name}", value)
        else:
            found[name] = _checked(name, TABLES[table].model_fields[field], value)
    return found


def resolve_priors(
    prior: Mapping[str, tuple[float, float]] | None, known: Mapping[str, Any]
) -> dict[str, tuple[float, float]]:
    """Give priors by dotted name, each as mean and standard deviation.

    Args:
        prior: as the user gave them, by long or short name.
        known: what is known already, by dotted name.

    Raises:
        InputError: an unknown or twice given name, a value that is known too, one that is no number or not a pair, or a
            standard deviation that is not positive.
    """
    names = short_names()
    found: dict[str, tuple[float, float]] = {}
    for name, pair in (prior or {}).items():
        _check_name(name, names, "prior")
        dotted = names[name]
        _once(dotted, found, "prior")
        if dotted in known:
            raise InputError(
                f"{dotted} is given as known and with a prior",
                "one of the two",
                "remove it from known or from prior",
            )
        if not isinstance(pair, (tuple, list)) or len(pair) != 2:
            raise InputError(
                f"prior {dotted} is {pair!r}",
                "mean and standard deviation, SI",
                f"give {{{name!r}: (2.9, 0.05)}}",
            )
        mean, error = (check_finite(f"prior {dotted}", value) for value in pair)
        if error <= 0.0:
            raise InputError(
                f"the standard deviation of prior {dotted} is {error:g}",
                "a positive number",
                "give the value in known where it is certain",
            )
        table, field = dotted.split(".")
        if table not in NOT_VEHICLE:
            mean = _checked(dotted, TABLES[table].model_fields[field], mean)
        if not isinstance(mean, float):
            raise InputError(
                f"prior {dotted} is not a single number", "a value of one number", "give it in known"
            )
        found[dotted] = (mean, error)
    return found


def _check_name(name: str, names: Mapping[str, str], what: str) -> None:
    if name not in names:
        near = get_close_matches(name, names, n=1)
        # The roads of the first hundred logs have names, too many to list.
        listed = [one for one in names if not one.startswith("road.")]
        raise InputError(
            f"{what} names {name!r}, which no vehicle has",
            f"one of {', '.join(listed)}, road.bank[0] and so on by log",
            f"did you mean {near[0]!r}?" if near else "correct the name",
        )


def _once(name: str, found: Mapping[str, Any], what: str) -> None:
    if name in found:
        raise InputError(
            f"{what} gives {name} twice", "every value once", "remove the short or the long name"
        )


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
