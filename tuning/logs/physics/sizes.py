"""Ratios of channels that should be equal, and sizes that no vehicle reaches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tuning.logs.log import Log
from tuning.logs.physics.comparing import compare
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch
from tuning.logs.physics.turning import POSITIONS, TURNING, WHEELS, Pair, wheelbase_of
from tuning.logs.physics.units import Ratio, units_of

__all__ = ["impossible", "sizes_of"]

# Judgements, no source.
_ALIKE = 0.7  # correlation from which a ratio of spreads means something
_STRENGTH = 4.0
_MOST_UNDERSTEER = 0.008  # rad/(m/s²), 4.5 deg/g: beyond the cars known here
_MOST_GRIP = 15.0  # m/s²: no road tyre holds a vehicle against more
_LARGEST_STEERING = 1.05  # rad, 60 deg: road wheels of a vehicle steered at one axle turn less
_WHEELBASES = (0.04, 15.0)  # m, behind which a wheelbase that is not known is taken to lie


def sizes_of(
    stretches: Sequence[Stretch],
    pairs: Mapping[tuple[str, str], Pair],
    known: Mapping[str, Any],
    moves: float,
) -> list[Finding]:
    """Say which units are wrong, from how the turning channels compare and from how the channels along the way do."""
    told = [
        pair
        for pair in pairs.values()
        if not pair.second.endswith("command")
        and not {pair.first, pair.second} & set(WHEELS)
        and pair.likeness.strength >= _STRENGTH
        and abs(pair.likeness.correlation) >= _ALIKE
        and pair.likeness.sign
    ]
    # The bend of a path is blurred: it is asked only where nothing else tells.
    sharp = [pair for pair in told if POSITIONS not in (pair.first, pair.second)] or told
    ratios = [_ratio(pair, known, stretches, moves) for pair in sharp]
    return units_of([*ratios, *_along(stretches, moves)])


def _ratio(pair: Pair, known: Mapping[str, Any], stretches: Sequence[Stretch], moves: float) -> Ratio:
    slow = pair.slow
    steering = pair.second == "steering_angle"
    use_slow = (
        steering and slow is not None and abs(slow.correlation) >= _ALIKE and slow.strength >= _STRENGTH
    )
    likeness = slow if use_slow and slow is not None else pair.likeness
    powers: dict[str, float] = {}
    for name, side in ((pair.first, 1.0), (pair.second, -1.0)):
        for channel, power in _powers(name, pair.power).items():
            powers[channel] = powers.get(channel, 0.0) + side * power
    low, high = _band(pair, known, stretches, moves)
    # Noise in one of the two makes its spread up to 1/ρ too large.
    noisy = abs(likeness.correlation)
    low, high = low * noisy, high / noisy
    return Ratio(*pair.words, likeness.gain, {c: p for c, p in powers.items() if p}, low, high)


def _powers(channel: str, power: int) -> dict[str, float]:
    """Give with which powers factors of channels enter what a turning channel says of yaw rate × speed^power."""
    if channel == POSITIONS:
        return {"time": -3.0}
    extra = float(power - TURNING[channel])
    if channel == "heading":
        return {"heading": 1.0, "time": -1.0, "speed": extra}
    if channel == "steering_angle":
        return {"steering_angle": 1.0, "speed": 1.0 + extra}
    return {channel: 1.0, "speed": extra}


def _band(
    pair: Pair, known: Mapping[str, Any], stretches: Sequence[Stretch], moves: float
) -> tuple[float, float]:
    """Give the ratios that sound channels may show."""
    blurred = POSITIONS in (pair.first, pair.second)
    if pair.second == "steering_angle":
        wheelbase = wheelbase_of(known)
        if wheelbase is None:
            return 1.0 / (2.0 * _WHEELBASES[1]), 1.0 / _WHEELBASES[0]
        speeds = np.abs(np.concatenate([s.speed for s in stretches]))
        speed = float(np.median(speeds[speeds > moves])) if np.any(speeds > moves) else 0.0
        low = (0.3 if blurred else 0.6) * wheelbase / (wheelbase + _MOST_UNDERSTEER * speed**2)
        return low, 3.3 if blurred else 1.9
    if blurred:
        return (
            0.3,
            3.3,
        )  # noise of positions grows twice when differentiated, smoothing takes from their bends
    if "lateral_acceleration" in (pair.first, pair.second):
        return 0.55, 1.85  # a body that rolls leans into gravity, a noisy sensor adds
    return 0.75, 1.33


def _along(stretches: Sequence[Stretch], moves: float) -> list[Ratio]:
    """Give ratios of speed, path, wheels, acceleration and command."""
    found: list[Ratio] = []
    measured = [s for s in stretches if s.has("speed")]
    with_path = [s for s in measured if s.has("x", "y")]
    if with_path:
        path = np.concatenate([np.hypot(s.rates["x"], s.rates["y"]) for s in with_path])
        speed = np.abs(np.concatenate([s.speed for s in with_path]))
        ratio = _level(speed, path)
        if ratio is not None:
            found.append(
                Ratio("speed", "the speed along x, y", ratio, {"speed": 1.0, "time": 1.0}, 0.75, 1.33)
            )
    wheels = [f"wheel_speed_{axle}_{side}" for axle in ("rear", "front") for side in ("left", "right")]
    rolling = [(s, [w for w in wheels if s.has(w)]) for s in measured]
    rolling = [(s, on) for s, on in rolling if on]
    if rolling:
        mean = np.concatenate([np.mean([np.abs(s.values[w]) for w in on], axis=0) for s, on in rolling])
        ratio = _level(mean, np.abs(np.concatenate([s.speed for s, _ in rolling])))
        if ratio is not None:
            powers = {"wheel speeds": 1.0, "speed": -1.0}
            found.append(Ratio("the mean of the wheel speeds", "speed", ratio, powers, 0.75, 1.33))
    pushed = [s for s in measured if s.has("longitudinal_acceleration")]
    if pushed:
        a = [s.values["longitudinal_acceleration"] for s in pushed]
        b = [s.rates["speed"] for s in pushed]
        alike = compare(a, b, [s.log for s in pushed], pushed[0].step)
        if alike is not None and alike.sign and alike.strength >= _STRENGTH and abs(alike.correlation) >= 0.8:
            powers = {"longitudinal_acceleration": 1.0, "speed": -1.0, "time": 1.0}
            words = ("longitudinal_acceleration", "the change of speed")
            found.append(Ratio(*words, alike.gain, powers, 0.5, 2.0))
    return found


def _level(a: np.ndarray, b: np.ndarray) -> float | None:
    """Give the median ratio of two speeds, m/s, where both are well above standstill and go together."""
    fast = (a > 0.3 * np.percentile(a, 95.0)) & (b > 0.3 * np.percentile(b, 95.0))
    if np.count_nonzero(fast) < 60 or min(np.percentile(a, 95.0), np.percentile(b, 95.0)) < 0.02:
        return None
    return float(np.median(a[fast] / b[fast]))


def impossible(logs: Sequence[Log], said: Sequence[Finding], known: Mapping[str, Any]) -> list[Finding]:
    """Say which sizes no road vehicle reaches, where nothing was said of these channels' units yet."""
    about = {name for finding in said if finding.kind in ("unit", "size") for name in finding.channels}
    found: list[Finding] = []
    if "steering_angle" not in about:
        largest = max(
            (_usual_peak(log["steering_angle"]) for log in logs if log.has("steering_angle")), default=0.0
        )
        if largest > _LARGEST_STEERING:
            found.append(
                Finding(
                    "unit",
                    ("steering_angle",),
                    f"steering_angle reaches {largest:.3g} rad ({np.degrees(largest):.0f} deg), beyond any road wheel: "
                    "steering_angle looks like deg labelled rad, or like the hand wheel's: correct the unit or give the "
                    "steering ratio",
                )
            )
    if not about & {"speed", "yaw_rate"}:
        sideways = max(
            (_usual_peak(log["speed"] * log["yaw_rate"]) for log in logs if log.has("speed", "yaw_rate")),
            default=0.0,
        )
        if sideways > _MOST_GRIP:
            found.append(
                Finding(
                    "unit",
                    ("yaw_rate", "speed"),
                    f"speed × yaw_rate reaches {sideways:.3g} m/s², beyond any road tyre: yaw_rate looks like deg/s labelled "
                    "rad/s, or speed like km/h labelled m/s; correct the unit in the channel file",
                )
            )
    for pedal in ("throttle_command", "brake_command"):
        largest = max((float(np.max(np.abs(log[pedal]))) for log in logs if log.has(pedal)), default=0.0)
        if largest > 1.5:
            found.append(
                Finding(
                    "unit",
                    (pedal,),
                    f"{pedal} reaches {largest:.4g}, and 1 is a full pedal: {pedal} looks like percent; give it the unit %",
                )
            )
    return found


def _usual_peak(values: np.ndarray) -> float:
    return float(np.percentile(np.abs(values), 99.0))
