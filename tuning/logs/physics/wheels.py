"""Wheel speeds against the speed and against each other: in a curve v_right − v_left = yaw rate × track."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch
from tuning.logs.physics.turning import turning, wheelbase_of

__all__ = ["wheels_of"]

Array = NDArray[np.float64]

# Judgements, no source.
_GENTLE = 1.0  # m/s² sideways
_BLURRED = 8.0  # condition of the three parts of a difference
_ODD = 0.03  # a tyre's radius, relative: worn or low tyres differ by less
_WRONG = 0.12  # no tyre differs as much
_SURE = 5.0  # standard deviations of the slope that gives the track
_CLEAR = 0.5  # correlation of the difference with turning


def wheels_of(stretches: Sequence[Stretch], known: Mapping[str, Any], moves: float) -> list[Finding]:
    """Say which wheel speeds are out of scale, and whether their differences fit a track and a wheelbase.

    Exchanged sides of an axle are a matter of signs (`signs.py`).
    """
    return [*_scales(stretches, moves), *_tracks(stretches, known), *_axles(stretches, moves)]


def _scales(stretches: Sequence[Stretch], moves: float) -> list[Finding]:
    """Compare every wheel with the speed: v_wheel − v is a share of v for its tyre, and of the yaw rate for its place."""
    found = []
    for axle in ("front", "rear"):
        for side in ("left", "right"):
            wheel = f"wheel_speed_{axle}_{side}"
            parts: list[Array] = [np.zeros((0, 4))]
            for s in (s for s in stretches if s.has(wheel, "speed")):
                turn = _turn(s)
                gentle = (np.abs(s.speed) > 3.0 * moves) & (np.abs(s.speed * turn) < _GENTLE)
                speed, turn = np.abs(s.speed)[gentle], (turn * np.sign(s.speed))[gentle]
                difference = np.abs(s.values[wheel])[gentle] - speed
                # The longer way of the front wheels grows with the square of the curvature.
                parts.append(np.column_stack([difference, speed, turn, turn**2 / speed]))
            difference, *columns = np.concatenate(parts).T
            if difference.size < 60:
                continue
            base = np.column_stack([column / max(float(np.std(column)), 1e-9) for column in columns])
            # Through the origin: a wheel that is too quick is so by a share, at every speed.
            base[:, 0] = columns[0]
            unit = base / np.maximum(np.sqrt(np.sum(base**2, axis=0)), 1e-300)
            if np.linalg.cond(unit[:, np.any(unit, axis=0)]) > _BLURRED:
                continue  # always the same curve: a tyre and a track look alike
            share = float(np.linalg.lstsq(base, difference, rcond=None)[0][0])
            # A unit's factor is said elsewhere, of all wheels together.
            if abs(share) > _ODD and -0.25 < share < 0.33:
                text = (
                    f"{wheel} is {1.0 + share:.3f} times speed on the straight: its tyre's radius looks {100 * abs(share):.0f} % "
                    f"{'smaller' if share > 0.0 else 'larger'} than the one it is counted with; put the factor into scale"
                )
                found.append(Finding("wheels", (wheel,), text, "doubt" if abs(share) > _WRONG else "finding"))
    return found


def _turn(s: Stretch) -> Array:
    """Give a yaw rate, from the gyro, the heading, or (with a wheelbase of 1 m) the steering, shape (m,)."""
    for channel in ("yaw_rate", "heading", "steering_angle"):
        if s.has(channel):
            return turning(s, channel, 0, 1.0)
    return np.zeros_like(s.speed)


def _tracks(stretches: Sequence[Stretch], known: Mapping[str, Any]) -> list[Finding]:
    """Find the track in the difference of an axle's wheels."""
    found = []
    for axle in ("front", "rear"):
        left, right = f"wheel_speed_{axle}_left", f"wheel_speed_{axle}_right"
        having = [s for s in stretches if s.has(left, right) and s.has("yaw_rate")]
        turn = [s.values["yaw_rate"] for s in having]
        if not having:
            having = [s for s in stretches if s.has(left, right) and s.has("heading")]
            turn = [s.rates["heading"] for s in having]
        if not having:
            continue
        r = np.concatenate(turn)
        # Tyres of unlike radius differ by a share of the speed.
        share = np.concatenate([0.5 * (s.values[left] + s.values[right]) for s in having])
        difference = np.concatenate([s.values[right] - s.values[left] for s in having])
        slope, error, alike = _slope(difference, r, share)
        if alike < _CLEAR or abs(slope) < _SURE * error or slope < 0.0:
            continue  # the signs speak of exchanged sides
        wheelbase = wheelbase_of(known)
        width = known.get("body.width", known.get("width"))
        low, high = (0.2 * wheelbase, 1.3 * wheelbase) if wheelbase else (0.02, 3.0)
        if width is not None:
            low, high = 0.5 * float(width), 1.1 * float(width)
        if not low <= slope <= high:
            found.append(
                Finding(
                    "wheels",
                    (left, right),
                    f"{right} − {left} is {slope:.2f} m times the yaw rate, and a track of {low:.2g} to {high:.2g} m is expected: "
                    "check the scales of the wheel speeds, or of the yaw rate",
                    "finding",
                )
            )
    return found


def _slope(y: Array, x: Array, other: Array) -> tuple[float, float, float]:
    """Give the slope of y over x beside `other`, its standard deviation (for one independent sample in 25) and
    the partial correlation, by least squares."""
    base = np.column_stack([np.ones_like(other), other])
    rest_y, rest_x = (v - base @ np.linalg.lstsq(base, v, rcond=None)[0] for v in (y, x))
    power = float(rest_x @ rest_x)
    if power < 1e-12 or y.size < 60:
        return 0.0, np.inf, 0.0
    slope = float(rest_x @ rest_y) / power
    left = rest_y - slope * rest_x
    error = float(np.sqrt(25.0 * (left @ left) / (y.size * power)))
    alike = abs(slope) * np.sqrt(power / max(float(rest_y @ rest_y), 1e-300))
    return slope, error, float(alike)


def _axles(stretches: Sequence[Stretch], moves: float) -> list[Finding]:
    """Front wheels run the longer way in a curve: by v (1/cos δ − 1) on average; the sign tells swapped axles."""
    wheels = [f"wheel_speed_{axle}_{side}" for axle in ("front", "rear") for side in ("left", "right")]
    having = [
        s
        for s in stretches
        if s.has(*wheels, "steering_angle") and np.max(np.abs(s.values["steering_angle"])) < 1.0
    ]
    if not having:
        return []
    going = [np.abs(s.speed) > moves for s in having]
    longer, speed, difference = (
        np.concatenate(parts)
        for parts in (
            [
                (s.speed * (1.0 / np.cos(s.values["steering_angle"]) - 1.0))[g]
                for s, g in zip(having, going, strict=True)
            ],
            [s.speed[g] for s, g in zip(having, going, strict=True)],
            [
                0.5
                * (s.values[wheels[0]] + s.values[wheels[1]] - s.values[wheels[2]] - s.values[wheels[3]])[g]
                for s, g in zip(having, going, strict=True)
            ],
        )
    )
    slope, error, alike = _slope(difference, longer, speed)
    if slope < 0.0 and abs(slope) > _SURE * error and alike > _CLEAR and abs(slope) > 0.3:
        return [
            Finding(
                "wheels",
                tuple(wheels),
                f"the front wheels are slower than the rear ones in curves ({slope:.2f} times what the longer way of the front "
                "axle asks for): front and rear look swapped; exchange their columns",
            )
        ]
    return []
