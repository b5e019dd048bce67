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

__all__ = ["doubts_of_channels", "doubts_of_fit", "doubts_of_gain", "unjudged"]

Array = NDArray[np.float64]

# The thresholds are judgements, no source: far from what noise, slip and understeer do to sound logs.
_LEAST_FIT = 50.0  # %, below which an output is not explained
_VARIED = 0.3  # of the training spread: held-out driving that varies, or is missed, by less judges nothing
_OPPOSITE = -0.5  # correlation below which one of two signals is taken to be negated
_ALIKE = 0.7  # correlation from which a ratio of spreads means something
_UNIT_ROOM = 0.15  # either side of a ratio of units
_MOST_RATIO = 3.0  # between two channels that should be equal: slip and understeer stay well within
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


def doubts_of_channels(logs: Sequence[Log], known: Mapping[str, Any]) -> list[str]:
    """Say where the measured channels contradict each other, whatever a fit would make of them.

    Speed × yaw rate is the lateral acceleration, and speed × steering angle / wheelbase the yaw rate, but for slip and
    noise. Where both pairs have opposite signs, the yaw rate that they share is the odd one.

    Args:
        logs: drives with a speed.
        known: values by dotted name; without `body.wheelbase` the steering angle's size is not compared.
    """
    doubts: list[str] = []
    (turning,) = _joined(logs, "yaw_rate")
    if turning.size and np.ptp(turning) == 0.0:
        doubts.append(
            f"yaw_rate is {turning[0]:.3g} rad/s in every sample: it measures nothing; check its column in the channel file"
        )
    wheelbase = known.get("body.wheelbase")
    speed, yaw, sideways = _joined(logs, "speed", "yaw_rate", "lateral_acceleration")
    across = (speed * yaw, sideways)
    speed, yaw, angle = _joined(logs, "speed", "yaw_rate", "steering_angle")
    along = (yaw, speed * angle / float(wheelbase or 1.0))
    first, second = _correlation(*across), _correlation(*along)
    if first < _OPPOSITE and second < _OPPOSITE:
        doubts.append(
            "yaw_rate has the opposite sign of both lateral_acceleration and steering_angle: yaw_rate looks negated "
            "(scale = -1 in the channel file turns it)"
        )
    elif first < _OPPOSITE:
        odd = "lateral_acceleration looks negated" if second > -_OPPOSITE else "one of them is negated"
        doubts.append(f"yaw_rate × speed and lateral_acceleration have opposite signs: {odd}")
    elif second < _OPPOSITE:
        odd = "steering_angle looks negated" if first > -_OPPOSITE else "one of them is negated"
        doubts.append(f"steering_angle and yaw_rate have opposite signs: {odd}")
    doubts += _unequal(*across, "yaw_rate × speed", ("yaw_rate", "speed"), "lateral_acceleration", ())
    if wheelbase is not None:
        doubts += _unequal(
            *along,
            "yaw_rate",
            ("yaw_rate",),
            "speed × steering_angle / wheelbase",
            ("steering_angle", "speed"),
        )
    return doubts


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


def _joined(logs: Sequence[Log], *quantities: str) -> list[Array]:
    """Give quantities of the logs that hold all of them, one log after the other."""
    having = [log for log in logs if log.has(*quantities)]
    return [np.concatenate([np.zeros(0), *(log[name] for log in having)]) for name in quantities]


def _correlation(a: Array, b: Array) -> float:
    if a.size < _LEAST_SAMPLES or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _unequal(
    a: Array, b: Array, left: str, above: tuple[str, ...], right: str, below: tuple[str, ...]
) -> list[str]:
    """Give the doubt where two signals go together in shape but not in size.

    `above` and `below` name the channels that a too large, or too small, ratio of a to b may be due to.
    """
    if abs(_correlation(a, b)) < _ALIKE:
        return []
    ratio = float(np.std(a) / np.std(b))
    if 1.0 / _MOST_RATIO <= ratio <= _MOST_RATIO:
        return []
    looks = [_unit(name, ratio) for name in above]
    looks += [_unit(name, 1.0 / ratio) for name in (*below, *(() if below else (right,)))]
    hint = " or ".join(look for look in looks if look) or "check the units of these channels"
    return [f"{left} is {ratio:.3g} times {right}, where about 1 is expected: {hint}"]


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
