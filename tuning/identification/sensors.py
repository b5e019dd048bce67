"""What stands between a motion and its record: lag and offset of a sensor, and the bank of the road.

Offsets and banks are told from the steering's own offset, and lags from its dead time, only where outputs and speeds
differ enough. They therefore start from priors: what a mounted and calibrated sensor, or a drained road, is commonly
like. Where the logs say no more, the intervals of what trades with them show it.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tracks.one_source import array_loop
from tuning.identification.unknowns import Unknown

if TYPE_CHECKING:
    from tuning.identification.records import Recording

__all__ = ["REFERENCE", "SENSORS", "bank_name", "late", "sensor_unknowns", "slopes"]

Array = NDArray[np.float64]

# Name -> unit, bound either way, standard deviation of the prior about 0: common practice, no source.
SENSORS: dict[str, tuple[str, float, float]] = {
    "sensors.yaw_rate_offset": ("rad/s", 0.1, 0.004),
    "sensors.lateral_acceleration_offset": ("m/s²", 3.0, 0.3),  # mostly the tilt of its mount: 0.03 rad
    "sensors.steering_angle_offset": ("rad", 0.3, 0.02),
    "sensors.yaw_rate_lag": ("s", 0.4, 0.04),
    "sensors.lateral_acceleration_lag": ("s", 0.4, 0.04),
    "sensors.steering_angle_lag": ("s", 0.4, 0.08),
}
_BANK = ("rad", 0.15, 0.02)  # roads are drained to either side by about 2 %
_MOST_BANKS = 6  # logs with a bank of their own; of more, only the mean of each is taken off
# Model -> the output whose lag is taken as 0. To a kinematic body the yaw rate must be it: what a real body lags behind
# its steering then counts as dead time and lag of the steering, for a controller feels it, and not as a sensor's.
REFERENCE = {"kinematic": "yaw_rate", "single-track": "steering_angle"}


def bank_name(log: int) -> str:
    """Give the name of the bank of a log, by its number."""
    return f"road.bank[{log}]"


def sensor_unknowns(
    model: str, outputs: Collection[str], heading: bool, logs: int, known: Collection[str]
) -> tuple[Unknown, ...]:
    """Give what is unknown of the sensors and of the road.

    Args:
        model: "kinematic" or "single-track".
        outputs: names of the measured answers that are compared.
        heading: whether the yaw rate is a differenced heading, which has no offset.
        logs: how many there are.
        known: dotted names of what is not to be found.
    """
    if len(outputs) == 1 and "yaw_rate" not in outputs:
        return ()  # nothing to tell a sensor's offset from the steering's by
    reference = REFERENCE[model] if REFERENCE[model] in outputs else next(iter(outputs))
    names = []
    for output in outputs:
        if output != reference:
            names.append(f"sensors.{output}_lag")
        if not (output == "yaw_rate" and heading):
            names.append(f"sensors.{output}_offset")
    if "lateral_acceleration" in outputs and logs > _MOST_BANKS:
        names.remove("sensors.lateral_acceleration_offset")
    found = [_about_zero(name, *SENSORS[name]) for name in names]
    if "lateral_acceleration" in outputs and logs <= _MOST_BANKS:
        found += [_about_zero(bank_name(number), *_BANK) for number in range(logs)]
    return tuple(unknown for unknown in found if unknown.name not in known)


def _about_zero(name: str, unit: str, bound: float, error: float) -> Unknown:
    return Unknown(name, unit, -bound, bound, 0.0, prior=(0.0, error))


def slopes(values: Array, clock: Array, first: NDArray[np.int64]) -> Array:
    """Give the derivative of a signal by central differences within each recording, shape (n,), per second."""
    return _slopes(values, clock, first)


def late(
    values: Array, slope: Array | None, recording: Recording, at: NDArray[np.int64], lag: float
) -> Array:
    """Give a signal at the samples `at`, as it was `lag` seconds before, by cubic Hermite pieces; shape (m,).

    Args:
        values: at every sample, shape (n,).
        slope: its derivative where known, shape (n,); None takes differences.
        recording: the clock; before a recording's start its first value is given.
        at: indices of samples, shape (m,).
        lag: s; negative ones look ahead, and beyond a recording's end give its last value.
    """
    if lag == 0.0:
        return values[at]
    clock, first = recording.clock, recording.drives.first
    if slope is None:
        slope = _slopes(values, clock, first)
    return _late(values, slope, clock, first, recording.last, at, float(lag))


@array_loop
def _slopes(values, clock, first):
    n = values.size
    slope = np.zeros(n)
    for i in range(n):
        before = i - 1 if i > 0 and first[i - 1] == first[i] else i
        after = i + 1 if i + 1 < n and first[i + 1] == first[i] else i
        if before == i or after == i:
            if after > before:
                slope[i] = (values[after] - values[before]) / (clock[after] - clock[before])
        else:
            # Second order on an uneven clock: the nearer difference counts for more.
            back, ahead = clock[i] - clock[before], clock[after] - clock[i]
            slope[i] = (
                back * (values[after] - values[i]) / ahead + ahead * (values[i] - values[before]) / back
            ) / (back + ahead)
    return slope


@array_loop
def _late(values, slope, clock, first, last, at, lag):
    found = np.empty(at.size)
    for k in range(at.size):
        i = at[k]
        begin, end = first[i], last[i]
        moment = min(max(clock[i] - lag, clock[begin]), clock[end])
        left = i
        while left > begin and clock[left] > moment:
            left -= 1
        while left + 1 < end and clock[left + 1] <= moment:
            left += 1
        left = max(min(left, end - 1), begin)
        right = left + 1
        step = clock[right] - clock[left]
        t = (moment - clock[left]) / step
        s = 1.0 - t
        found[k] = (
            s * s * (1.0 + 2.0 * t) * values[left]
            + t * t * (1.0 + 2.0 * s) * values[right]
            + step * s * t * (s * slope[left] - t * slope[right])
        )
    return found
