"""Whether logs and fit can be believed: wrong signs and units show where channels, or fit and measurement, disagree.

Nothing is repaired: every doubt is a sentence for the reader, who alone can correct the channel file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.quality import Trace, agreement
from tuning.logs.log import Log
from tuning.logs.physics import check_physics

__all__ = ["doubts_of_channels", "doubts_of_fit", "doubts_of_gain", "unjudged"]

Array = NDArray[np.float64]

# The thresholds are judgements, no source: far from what noise, slip and understeer do to sound logs.
_LEAST_FIT = 50.0  # %, below which an output is not explained
_VARIED = 0.3  # of the training spread: held-out driving that varies, or is missed, by less judges nothing
_OPPOSITE = -0.5  # correlation below which one of two signals is taken to be negated
_ALIKE = 0.7  # correlation from which a ratio of spreads means something
_UNIT_ROOM = 0.15  # either side of a ratio of units
_GAIN = (0.7, 1.4)  # achieved over commanded road-wheel angle
_LEAST_SAMPLES = 20

_DEGREES, _GRAVITY, _KMH = 180.0 / np.pi, 9.81, 3.6
_JUDGED = ("yaw_rate", "steering_angle", "speed")  # a noisy accelerometer fits badly in sound logs too

# Output -> ratio of measured to expected -> what it looks like.
_LOOKS: dict[str, dict[float, str]] = {
    "yaw_rate": {
        _DEGREES: "yaw_rate looks like deg/s labelled rad/s",
        1.0 / _DEGREES: "yaw_rate looks like rad/s labelled deg/s",
    },
    "steering_angle": {
        _DEGREES: "steering_angle looks like deg labelled rad",
        1.0 / _DEGREES: "steering_angle looks like rad labelled deg",
    },
    "lateral_acceleration": {
        _GRAVITY: "lateral_acceleration looks like m/s² labelled g",
        1.0 / _GRAVITY: "lateral_acceleration looks like g labelled m/s²",
    },
    "speed": {
        _KMH: "speed looks like km/h labelled m/s",
        1.0 / _KMH: "speed looks like m/s labelled km/h",
    },
}


def doubts_of_channels(logs: Sequence[Log], known: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """Say where the measured channels contradict physics, whatever a fit would make of them (`tuning.logs.physics`).

    Args:
        logs: drives with a speed.
        known: values by dotted name; without `body.wheelbase` the steering angle's size is judged only roughly.

    Returns:
        The doubts, which end trust, and what else the channels show.
    """
    found = check_physics(logs, known)
    return [one.text for one in found if one.is_doubt], [one.text for one in found if not one.is_doubt]


def unjudged(
    held_out: Mapping[str, Trace], training: Mapping[str, Trace], left_open: Sequence[str]
) -> list[str]:
    """Give the outputs of which what was held out cannot judge the fit: they hardly vary there, or were left open.

    Args:
        held_out, training: what was measured and simulated, by output; `training` with the final values.
        left_open: outputs of which the fit that was judged left a value undetermined that the final fit, to all of the
            driving, could find.
    """
    return [
        name
        for name, trained in training.items()
        if name not in held_out
        or name in left_open
        or float(np.std(held_out[name].measured)) < _VARIED * float(np.std(trained.measured))
    ]


def doubts_of_fit(
    held_out: Mapping[str, Trace],
    training: Mapping[str, Trace],
    by_training: Sequence[str],
    excused: Sequence[str] = (),
) -> list[str]:
    """Say which outputs the fit does not explain, and what the difference looks like.

    The outputs in `by_training` are judged by what was fitted, the others by what was held out; `excused` ones, which
    were not excited, are not judged.
    """
    doubts: list[str] = []
    for name, trained in training.items():
        if name in excused:
            continue
        trace = trained if name in by_training else held_out[name]
        least = _VARIED * float(np.std(trained.measured))
        numbers = agreement(trace.measured, trace.simulated)
        if numbers["fit_percent"] >= _LEAST_FIT or numbers["rmse"] <= least:
            continue
        look = _look(name, trace)
        if name not in _JUDGED and not look:
            continue
        doubts.append(
            f"the fit explains only {max(numbers['fit_percent'], 0.0):.0f} % of {name}: do not tune on this vehicle; "
            f"check the column, unit and sign of {name} in the channel file{look}"
        )
    return doubts


def doubts_of_gain(found: Mapping[str, float]) -> list[str]:
    """Say it where the found steering gain is so far from 1 that a unit rather than a vehicle explains it."""
    gain = found.get("steering.gain", 1.0)
    if _GAIN[0] <= gain <= _GAIN[1]:
        return []
    return [
        f"the steering gain of {gain:.3g} is far from 1: check whether speed is in km/h, the command in degrees or at "
        "the steering wheel, or the wheelbase wrong"
    ]


def _correlation(a: Array, b: Array) -> float:
    if a.size < _LEAST_SAMPLES or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _look(name: str, trace: Trace) -> str:
    """Give what the difference of a measurement from its simulation looks like, or nothing."""
    alike = _correlation(trace.measured, trace.simulated)
    looks = [f"{name} looks negated (scale = -1 turns it)"] if alike < _OPPOSITE else []
    if abs(alike) >= _ALIKE:
        looks.append(_unit(name, float(np.std(trace.measured) / np.std(trace.simulated))))
    return "".join(f"; {look}" for look in looks if look)


def _unit(name: str, ratio: float) -> str:
    for unit, text in _LOOKS.get(name, {}).items():
        if abs(ratio / unit - 1.0) <= _UNIT_ROOM:
            return text
    return ""
