"""Units by name, through the library pint, whose radian is here a dimension of its own.

By the SI the radian is the number 1: pint then takes a bare number for an angle, and a hertz for a radian per second,
which would be wrong by 2π. With an angle as a base dimension neither fits, and rpm, °/s and turn/s still do.
"""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from tokenize import TokenError
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pint import UnitRegistry

__all__ = ["factor_by_name"]

# What a unit looks like: names with small powers, divided or multiplied. pint would evaluate "9**9**9" as well.
_TERM = r"\(*(?:1|[A-Za-zµμ°%‰][\wµμ°]{0,30})(?:(?:\^|\*\*)?\(?[-+]?\d\)?|⁻?[¹²³⁴])?\)*"
_UNIT = re.compile(rf"{_TERM}(?:\s*(?:/|\*|·|⋅|\s)\s*{_TERM}){{0,5}}")

# Signs that stand for a degree in exports, beside the true one.
_DEGREES = str.maketrans({"º": "°", "˚": "°"})

# A name of a unit, and then a digit without a sign of a power: m/s2 is common in exports.
_BARE_POWER = re.compile(r"(?<=[A-Za-z])([2-4])(?![\d.])")


@cache
def _registry() -> UnitRegistry:
    from pint import UnitRegistry  # costs a quarter of a second, and most logs do without

    # Loaded by hand: a registry that loads its definitions itself keeps what it worked out with the radian as 1.
    registry = UnitRegistry(None, on_redefinition="ignore")  # pyright: ignore[reportArgumentType]: None is "empty"
    registry.load_definitions(str(resources.files("pint") / "default_en.txt"))
    registry.define("radian = [angle] = rad")
    return registry


@cache
def factor_by_name(unit: str, dimensions: tuple[str, ...]) -> float | None:
    """Give the factor that turns a value in `unit` into the first of `dimensions` that it fits.

    Args:
        unit: as a person writes it: "knot", "rpm", "1/km", "g0".
        dimensions: units of factor 1.

    Returns:
        The factor, or None: no unit that is known, or of another dimension, or one with a zero point of its own.
    """
    spelt = unit.translate(_DEGREES)
    if not _UNIT.fullmatch(spelt):
        return None
    import pint

    registry = _registry()
    spelt = _BARE_POWER.sub(r"^\1", spelt)
    try:
        parsed = registry.parse_units(spelt)
        for dimension in dimensions:
            wanted = registry.parse_units(dimension)
            if parsed.dimensionality == wanted.dimensionality:
                return float(registry.convert(1.0, parsed, wanted))
    # What pint's reader raises for text that is no unit, by trial with random texts.
    except (pint.PintError, ValueError, TypeError, AttributeError, AssertionError, SyntaxError, TokenError):
        return None
    except (KeyError, IndexError, ArithmeticError, RecursionError):
        return None
    return None
