"""Where the vehicle points against where it goes, and whether it says so when it goes backwards."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch
from tuning.logs.physics.turning import turning

__all__ = ["frames_of", "reversing_of"]

Array = NDArray[np.float64]

# Judgements, no source.
_MOST_OFFSET = 0.3  # rad: side-slip and an antenna off the middle stay below
_WORTH_SAYING = 0.05  # rad
_SETTLED = 0.9  # mean resultant length of an offset that is one
_LEAST_TIME = 1.0  # s of driving backwards that count
_ALIKE = 0.85  # correlation of turning and steering within one way of driving
_LEAST_TURNING = 0.15  # of all the turning, that a way of driving must have to be judged


def frames_of(stretches: Sequence[Stretch], moves: float) -> list[Finding]:
    """Say how far heading is off the direction of travel of x, y."""
    offsets: list[NDArray[np.complex128]] = [np.zeros(0, dtype=complex)]
    for s in stretches:
        if s.has("x", "y", "heading"):
            way = s.rates["x"] + 1j * s.rates["y"]
            fast = np.abs(way) > 2.0 * moves
            forward = np.where(s.speed[fast] < 0.0, -1.0, 1.0)
            offsets.append(forward * way[fast] / np.abs(way[fast]) * np.exp(-1j * s.values["heading"][fast]))
    every = np.concatenate(offsets)
    if every.size < 60 or abs(np.mean(every)) < _SETTLED:
        return []
    offset = float(np.angle(np.mean(every)))
    degrees = np.degrees(offset)
    if abs(offset) < _WORTH_SAYING:
        return []
    text = f"the direction of travel of x, y is {degrees:.0f} deg from heading on average"
    names = ("heading", "x", "y")
    if abs(offset) < _MOST_OFFSET:
        more = "; an antenna off the middle, a constant side-slip or a heading that is not aligned do that"
        return [Finding("frame", names, text + more, "finding")]
    if abs(abs(offset) - np.pi) < _MOST_OFFSET:
        why = "heading looks turned round by 180 deg, or the vehicle went backwards with a speed without sign"
    elif abs(abs(offset) - 0.5 * np.pi) < _MOST_OFFSET:
        why = "heading looks counted from another axis than x; add or take off 90 deg"
    else:
        why = "heading and x, y look like two frames; turn one of them into the other's"
    return [Finding("frame", names, f"{text}: {why}")]


def reversing_of(stretches: Sequence[Stretch], moves: float) -> list[Finding]:
    """Say where the vehicle drives backwards and its speed does not turn negative."""
    for s in stretches:
        if s.has("speed", "speed_command"):
            asked = s.values["speed_command"] < -moves
            wrong = asked & (s.speed > moves)
            if np.count_nonzero(wrong) > 0.6 * np.count_nonzero(asked) and _seconds(wrong, s) > _LEAST_TIME:
                return [
                    _finding(
                        f"speed_command is negative for {_seconds(asked, s):.1f} s while speed is positive"
                    )
                ]
    backwards = 0.0
    for s in stretches:
        if s.has("speed", "x", "y", "heading"):
            way = s.rates["x"] + 1j * s.rates["y"]
            along = np.real(way * np.exp(-1j * s.values["heading"]))
            fast = np.abs(way) > moves
            if np.count_nonzero(fast) < 30 or np.mean(np.abs(along[fast]) > 0.9 * np.abs(way[fast])) < 0.9:
                continue
            if (
                np.mean(along[fast] < 0.0) < 0.8
            ):  # beyond it the heading is turned round, which `frames_of` says
                backwards += _seconds((along < -moves) & (s.speed > moves), s)
    if backwards > _LEAST_TIME:
        return [_finding(f"x, y go backwards along heading for {backwards:.1f} s while speed is positive")]
    return _by_turning(stretches, moves)


def _finding(evidence: str) -> Finding:
    return Finding(
        "reverse",
        ("speed",),
        f"{evidence}: speed looks without a sign; log it negative in reverse, or cut the driving in reverse out",
    )


def _seconds(mask: NDArray[np.bool_], stretch: Stretch) -> float:
    return float(np.count_nonzero(mask)) * stretch.step


def _by_turning(stretches: Sequence[Stretch], moves: float) -> list[Finding]:
    """Tell a way of driving, between two standstills, in which the vehicle turns against its steering."""
    forward, backward = 0.0, 0.0
    for s in stretches:
        if not s.has("yaw_rate", "steering_angle", "speed") or np.min(s.speed) < -moves:
            continue
        r, asked = s.values["yaw_rate"], turning(s, "steering_angle", 0, 1.0)
        whole = float(np.sqrt(np.mean(r**2)))
        for way in _ways(s.speed > moves):
            if (way.stop - way.start) * s.step < 2.0:
                continue
            one, other = r[way], asked[way]
            size = float(np.sqrt(np.mean(one**2)))
            if size < max(_LEAST_TURNING * whole, 0.03):
                continue
            # Not centred: a way of driving in reverse may be one single curve.
            alike = float(one @ other / np.sqrt(max((one @ one) * (other @ other), 1e-300)))
            seconds = (way.stop - way.start) * s.step
            if alike > _ALIKE:
                forward += seconds
            elif alike < -_ALIKE:
                backward += seconds
    if backward > 2.0 and forward > 2.0:
        return [
            _finding(
                f"for {backward:.1f} s, between standstills, the vehicle turns against its steering and for {forward:.1f} s "
                "with it, while speed is never negative"
            )
        ]
    return []


def _ways(going: NDArray[np.bool_]) -> list[slice]:
    """Give the runs of samples in motion."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], going.astype(int), [0]))))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
