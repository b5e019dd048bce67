"""How an accelerometer sits: a constant part (tilt, bank, gravity), and axes that are turned or exchanged.

In the plane a_x = v̇ and a_y = v r; an axis turned by α about the vertical mixes them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch
from tuning.logs.physics.turning import turning
from tuning.logs.physics.units import GRAVITY

__all__ = ["mounting_of"]

Array = NDArray[np.float64]

# Judgements, no source.
_WORTH_SAYING = 0.3  # m/s², 1.8 deg of tilt
_IMPOSSIBLE = 3.0  # m/s², 18 deg: neither a road's bank nor a tilt of the sensor that was meant
_MOVED = 0.15  # m/s², standard deviation of v̇ and of v r from which axes can be told apart
_TURNED, _TURNED_BADLY = np.radians(5.0), np.radians(20.0)
_LEAST_TIME = 30.0  # s, to tell a turned sensor
_EXPLAINED = 0.6  # R² of both axes


def mounting_of(stretches: Sequence[Stretch]) -> list[Finding]:
    """Say what the accelerometer shows that neither speed nor turning explains."""
    return [*_axes(stretches), *_constant(stretches)]


def _turn(s: Stretch) -> Array | None:
    for channel in ("yaw_rate", "heading"):
        if s.has(channel):
            return turning(s, channel, 0, 1.0)
    return None


def _constant(stretches: Sequence[Stretch]) -> list[Finding]:
    found = []
    for channel in ("lateral_acceleration", "longitudinal_acceleration"):
        rest: list[Array] = []
        for s in stretches:
            turn = _turn(s)
            if s.has(channel, "speed") and turn is not None:
                expected = s.speed * turn if channel == "lateral_acceleration" else s.rates["speed"]
                # Slow curves: what a scale or slip gets wrong is small there.
                calm = np.abs(expected) < 0.5
                rest.append((s.values[channel] - expected)[calm])
        every = np.concatenate([np.zeros(0), *rest])
        if every.size < 100:
            continue
        offset = float(np.median(every))
        if abs(offset) < _WORTH_SAYING:
            continue
        tilt = np.degrees(np.arcsin(min(abs(offset) / GRAVITY, 1.0)))
        text = f"{channel} is {offset:+.2f} m/s² where the motion asks for none"
        if abs(offset) > _IMPOSSIBLE:
            why = f"it holds gravity, as of a sensor tilted by {tilt:.0f} deg or of another axis; check which axis this is"
            found.append(Finding("mounting", (channel,), f"{text}: {why}"))
        else:
            why = f"a tilt or bank of {tilt:.1f} deg does that, or an offset of the sensor; level it, or take the offset off"
            found.append(Finding("mounting", (channel,), f"{text}: {why}", "finding"))
    return found


def _axes(stretches: Sequence[Stretch]) -> list[Finding]:
    """Fit both axes to v̇ and v r."""
    having = [
        s for s in stretches
        if s.has("lateral_acceleration", "longitudinal_acceleration", "speed") and _turn(s) is not None
    ]  # fmt: skip
    if not having:
        return []
    along, across, a_x, a_y = (
        np.concatenate(parts)
        for parts in (
            [s.rates["speed"] - np.mean(s.rates["speed"]) for s in having],
            [_less_mean(s.speed * _sure(_turn(s))) for s in having],
            [_less_mean(s.values["longitudinal_acceleration"]) for s in having],
            [_less_mean(s.values["lateral_acceleration"]) for s in having],
        )
    )
    moved = min(float(np.std(along)), float(np.std(across)))
    if moved < _MOVED or abs(np.corrcoef(along, across)[0, 1]) > 0.7:
        return []
    base = np.column_stack([along, across])
    x, y = (np.linalg.lstsq(base, v, rcond=None)[0] for v in (a_x, a_y))
    explained = [1.0 - float(np.var(v - base @ c) / max(np.var(v), 1e-300)) for v, c in ((a_x, x), (a_y, y))]
    names = ("lateral_acceleration", "longitudinal_acceleration")
    size = np.hypot(*x), np.hypot(*y)
    if min(explained) < _EXPLAINED or not 0.5 < min(size) <= max(size) < 2.0:
        return []
    if min(abs(x[1]), abs(y[0])) > 0.6 and max(abs(x[0]), abs(y[1])) < 0.4:
        return [
            Finding(
                "mounting",
                names,
                f"longitudinal_acceleration follows speed × yaw rate ({x[1]:+.2f} times) and lateral_acceleration the change of "
                f"speed ({y[0]:+.2f} times): the axes of the accelerometer look swapped; exchange their columns",
            )
        ]
    if sum(s.speed.size * s.step for s in having) < _LEAST_TIME:
        return []
    turned = float(np.arctan2(x[1] - y[0], x[0] + y[1]))
    # A mixing of one axis alone is roll or pitch, and no turned sensor.
    if x[1] * y[0] > 0.0 or abs(turned) < _TURNED or min(abs(x[1]), abs(y[0])) < 0.5 * abs(np.sin(turned)):
        return []
    if x[0] < 0.0 and y[1] < 0.0:
        return []  # both negated: the signs say so
    return [
        Finding(
            "mounting",
            names,
            f"the accelerometer looks turned by {np.degrees(turned):.0f} deg about the vertical: its x holds {x[1]:+.2f} of "
            f"speed × yaw rate, its y {y[0]:+.2f} of the change of speed; align it, or turn its axes in the log",
            "doubt" if abs(turned) > _TURNED_BADLY else "finding",
        )
    ]


def _less_mean(values: Array) -> Array:
    return values - np.mean(values)


def _sure(values: Array | None) -> Array:
    assert values is not None  # `having` was chosen so
    return values
