"""Which quantities a log may hold, what kind of quantity each is, and the units in which a file may give them."""

from __future__ import annotations

import math

__all__ = ["NO_UNIT", "QUANTITIES", "UNITS", "accepted_units", "si_unit", "to_si"]

# What "no unit" is called in a channel file; a channel of a bare number may also leave its unit out.
NO_UNIT = ""

_STANDARD_GRAVITY = 9.80665  # m/s², exact by definition (CGPM 1901)
_MILE = 1609.344  # m, exact by definition (international mile)

# Kind of quantity -> unit -> factor to SI.
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
    """List the units that a quantity may have, for a message."""
    names = list(UNITS[QUANTITIES[quantity]])
    return ", ".join(name if name != NO_UNIT else "no unit" for name in names)


def si_unit(quantity: str) -> str:
    """Give the SI unit of a quantity, as it is written in tables ("m/s²")."""
    return next(unit for unit, factor in UNITS[QUANTITIES[quantity]].items() if factor == 1.0)


def to_si(quantity: str, unit: str) -> float | None:
    """Give the factor that turns a value of a quantity in `unit` into SI, or None when the unit does not fit."""
    return UNITS[QUANTITIES[quantity]].get(unit)
