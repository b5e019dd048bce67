"""Which quantities a log may hold, what kind of quantity each is, and the units in which a file may give them.

The usual spellings stand in a table, so that an ordinary log needs no library of units; all others go to `unit_words`.
"""

from __future__ import annotations

import math
from difflib import get_close_matches

from tuning.logs.unit_words import factor_by_name

__all__ = [
    "NO_UNIT",
    "QUANTITIES",
    "UNITS",
    "accepted_units",
    "any_unit",
    "factor_of",
    "near_unit",
    "si_unit",
    "to_si",
]

# What "no unit" is called in a channel file; a channel of a bare number may also leave its unit out.
NO_UNIT = ""

_STANDARD_GRAVITY = 9.80665  # m/s², exact by definition (CGPM 1901)
_MILE = 1609.344  # m, exact by definition (international mile)

# Kind of quantity -> usual spelling of a unit -> factor to SI. In an acceleration g is standard gravity, not the gram.
UNITS: dict[str, dict[str, float]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9},
    "length": {"m": 1.0},
    "speed": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": _MILE / 3600.0},
    "angle": {"rad": 1.0, "deg": math.pi / 180.0},
    "angular rate": {"rad/s": 1.0, "deg/s": math.pi / 180.0},
    "curvature": {"1/m": 1.0},
    "acceleration": {"m/s²": 1.0, "m/s^2": 1.0, "m/s2": 1.0, "g": _STANDARD_GRAVITY},
    "pedal": {NO_UNIT: 1.0, "%": 0.01},
    "steering": {NO_UNIT: 1.0, "rad": 1.0, "deg": math.pi / 180.0},
}

# Kind -> the dimensions it may have, as units of factor 1. A curvature is an angle per length as well.
_DIMENSIONS: dict[str, tuple[str, ...]] = {
    "time": ("s",),
    "length": ("m",),
    "speed": ("m/s",),
    "angle": ("rad",),
    "angular rate": ("rad/s",),
    "curvature": ("1/m", "rad/m"),
    "acceleration": ("m/s**2",),
    "pedal": ("",),
    "steering": ("", "rad"),
}

# Other spellings that a near match may point to.
_MORE_NAMES: dict[str, tuple[str, ...]] = {
    "time": ("min", "second"),
    "length": ("km", "cm", "mm", "ft"),
    "speed": ("knot", "kph", "ft/s", "cm/s"),
    "angle": ("°", "mrad", "turn", "degree"),
    "angular rate": ("°/s", "rpm", "mrad/s"),
    "curvature": ("1/km",),
    "acceleration": ("g0", "ft/s²", "cm/s²"),
    "pedal": ("percent",),
    "steering": ("°", "mrad", "%"),
}

# Quantity -> kind. Axes are those of ISO 8855: x forward, y left, yaw anticlockwise, left positive.
QUANTITIES: dict[str, str] = {
    "time": "time",
    "curvature_command": "curvature",
    "steering_command": "steering",
    "speed_command": "speed",
    "acceleration_command": "acceleration",
    "throttle_command": "pedal",
    "brake_command": "pedal",
    "steering_angle": "angle",
    "speed": "speed",
    "wheel_speed_front_left": "speed",
    "wheel_speed_front_right": "speed",
    "wheel_speed_rear_left": "speed",
    "wheel_speed_rear_right": "speed",
    "yaw_rate": "angular rate",
    "lateral_acceleration": "acceleration",
    "longitudinal_acceleration": "acceleration",
    "x": "length",
    "y": "length",
    "heading": "angle",
    "latitude": "angle",
    "longitude": "angle",
}


def accepted_units(quantity: str) -> str:
    """Say which units a quantity may have, for a message: the usual ones by name."""
    kind = QUANTITIES[quantity]
    names = [name if name != NO_UNIT else "no unit" for name in UNITS[kind]]
    return (
        f"one of: {', '.join(names)}, or another unit of this kind ({', '.join(_MORE_NAMES[kind][:2])} ...)"
    )


def near_unit(quantity: str, unit: str) -> str:
    """Give the spelling of a fitting unit that is nearest to a misspelt one, or nothing."""
    kind = QUANTITIES[quantity]
    names = [name for name in (*UNITS[kind], *_MORE_NAMES[kind]) if name]
    near = get_close_matches(unit.strip(" .[]()").lower(), names, n=1, cutoff=0.5)
    return near[0] if near else ""


def si_unit(quantity: str) -> str:
    """Give the SI unit of a quantity, as it is written in tables ("m/s²")."""
    return next(unit for unit, factor in UNITS[QUANTITIES[quantity]].items() if factor == 1.0)


def factor_of(kind: str, unit: str) -> float | None:
    """Give the factor that turns a value of a kind of quantity in `unit` into SI, or None when the unit does not fit.

    An angle must be named as one: "1" is no angle, and a frequency (Hz, 1/s) no angular rate.
    """
    spelt = unit.strip()
    usual = UNITS[kind].get(spelt)
    return usual if usual is not None else factor_by_name(spelt, _DIMENSIONS[kind])


def to_si(quantity: str, unit: str) -> float | None:
    """Give the factor that turns a value of a quantity in `unit` into SI, or None when the unit does not fit."""
    return factor_of(QUANTITIES[quantity], unit)


def any_unit(text: str) -> bool:
    """Say whether a text is a unit of any kind of quantity that a log may hold."""
    return any(factor_of(kind, text) is not None for kind in UNITS)
