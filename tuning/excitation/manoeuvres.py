"""Manoeuvres: what is commanded between run-up and stop, in pieces each of which ends as it began.

A manoeuvre of the steering gives curvature in parts of the amplitude that limits and space allow; one of the speed gives
levels in parts of the top speed. `STEERING` and `SPEED` list them; a new one is a function and a line there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.excitation.signals import (  # fmt: skip
    balanced,
    double_step,
    faded,
    linear_sweep,
    multisine,
    random_phases,
    schroeder_phases,
)

__all__ = ["SPEED", "STEERING", "Setting", "SpeedProgramme"]

Array = NDArray[np.float64]

PERIOD = 0.02  # s, between two commands
_SLOWEST, _QUICKEST = (
    0.15,
    1.6,
)  # Hz, of sweeps and multisines: what road vehicles steer by. Common practice, no source
_FADE = 0.8  # s
_SWEEP = 16.0  # s, of a whole sweep or multisine
_SHORTEST = 3.0  # s, of a piece of one


@dataclass(frozen=True)
class Setting:
    """What a manoeuvre of the steering is made for.

    Attributes:
        seconds: longest piece that fits on one pass, s.
        amplitude: largest curvature, 1/m.
        rate: fastest change of curvature, 1/(m s).
    """

    seconds: float
    amplitude: float
    rate: float


def steps(setting: Setting) -> list[Array]:
    """Give a double step to the left, the right and back, then one the other way round at half the size.

    Steps of the steering: ISO 7401 (from memory).
    """
    return _double_steps(setting, (1.0, -0.5), 0.5, 1.2)


def long_steps(setting: Setting) -> list[Array]:
    """Give one double step of half the amplitude, held as long as the pass allows: it shows gain and understeer."""
    return _double_steps(setting, (0.5,), 1.3, 3.0)


def _double_steps(setting: Setting, sizes: tuple[float, ...], least: float, most: float) -> list[Array]:
    """Give double steps of sizes in parts of the amplitude, with plateaus of `least` to `most` seconds, those that fit."""
    pieces = []
    for size in sizes:
        level = size * setting.amplitude
        hold = min(most, (setting.seconds - 7.0 * abs(level) / setting.rate) / 4.0)
        if hold >= least:
            pieces.append(double_step(level, hold, setting.rate, PERIOD))
    return pieces


def sweep(setting: Setting) -> list[Array]:
    """Give a sine from slow to quick (ISO 7401, from memory), cut into as many pieces as passes."""
    return _cut(setting, lambda time: linear_sweep(time, _SLOWEST, _QUICKEST, _SWEEP))


def low_crest(setting: Setting) -> list[Array]:
    """Give a multisine with Schroeder phases."""
    frequencies = _harmonics()
    return _cut(setting, lambda time: multisine(time, frequencies, schroeder_phases(frequencies.size)))


def random_phase(setting: Setting) -> list[Array]:
    """Give a multisine with random phases, always the same ones."""
    frequencies = _harmonics()
    return _cut(setting, lambda time: multisine(time, frequencies, random_phases(frequencies.size, 1)))


def _harmonics() -> Array:
    return np.arange(np.ceil(_SLOWEST * _SWEEP), np.floor(_QUICKEST * _SWEEP) + 1.0) / _SWEEP


def _cut(setting: Setting, signal: Callable[[Array], Array]) -> list[Array]:
    """Cut a signal into pieces of equal length that fit, each faded and balanced, within amplitude and rate."""
    if setting.seconds < _SHORTEST:
        return []
    count = int(np.ceil(_SWEEP / setting.seconds))
    pieces = []
    for i in range(count):
        time = np.arange(i * _SWEEP / count, (i + 1) * _SWEEP / count, PERIOD)
        shape = balanced(time, faded(time, signal(time), _FADE))
        steepest = float(np.max(np.abs(np.diff(shape)))) / PERIOD
        size = min(setting.amplitude / float(np.max(np.abs(shape))), setting.rate / steepest)
        pieces.append(size * shape)
    return pieces


STEERING: dict[str, Callable[[Setting], list[Array]]] = {
    "steps": steps,
    "long steps": long_steps,
    "sweep": sweep,
    "multisine": low_crest,
    "random phase": random_phase,
}


@dataclass(frozen=True)
class SpeedProgramme:
    """Speeds commanded at once, one after the other, from standstill to standstill.

    Attributes:
        levels: shares of the top speed; the last is 0.
        hold: s, how long each is held, the last until standstill.
        eased: whether the first level is reached by a ramp with feed-forward, so that what follows is braking alone.
    """

    levels: tuple[float, ...]
    hold: float
    eased: bool = False


SPEED: dict[str, SpeedProgramme] = {
    "speed steps": SpeedProgramme((0.5, 1.0, 0.6, 0.0), 4.0),
    "braking step": SpeedProgramme((1.0, 0.0), 3.0, eased=True),
    "braking steps": SpeedProgramme((1.0, 0.5, 0.0), 3.0, eased=True),
}
