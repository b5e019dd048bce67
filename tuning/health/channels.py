"""What each log holds: quantities, how often each is really fresh, how finely it counts, how noisy it is, where it is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.logs.log import Log
from tuning.logs.physics.resampled import fresh_readings, usual_step
from tuning.logs.units import si_unit

__all__ = ["ChannelHealth", "LogHealth", "channels_of", "logs_of"]

Array = NDArray[np.float64]

_STANDSTILL = 0.02  # m/s
_LEAST_REST = 1.0  # s of standstill from which noise is taken there


@dataclass(frozen=True)
class ChannelHealth:
    """One quantity of one log.

    Attributes:
        log: name of the log. quantity: its name. unit: SI.
        low, high: least and largest reading.
        rate: median rate of fresh readings, Hz; NaN where it hardly ever changes, and of a command that is held.
        held: whether it is sampled more rarely than the log's clock and held in between.
        resolution: smallest step between readings; 0 where it never changes, NaN where hardly any reading repeats (finer
            than the noise).
        noise: standard deviation of the noise, from third differences of the readings. noise_from: where it was taken:
            "standstill", or "driving" (where whatever is quicker than the readings counts as noise).
    """

    log: str
    quantity: str
    unit: str
    low: float
    high: float
    rate: float
    held: bool
    resolution: float
    noise: float
    noise_from: str


@dataclass(frozen=True)
class LogHealth:
    """One log as a whole: duration (s), samples, median rate of its clock (Hz), gaps as (when, how long), s."""

    name: str
    duration: float
    samples: int
    rate: float
    gaps: tuple[tuple[float, float], ...]


def logs_of(logs: Sequence[Log]) -> tuple[LogHealth, ...]:
    """Describe the clock of each log."""
    found = []
    for log in logs:
        time = log["time"]
        gaps = tuple((float(time[i - 1]), float(time[i] - time[i - 1])) for i in log.gaps)
        rate = 1.0 / usual_step(log)
        found.append(LogHealth(log.name, log.duration, len(log), rate, gaps))
    return tuple(found)


def channels_of(logs: Sequence[Log]) -> tuple[ChannelHealth, ...]:
    """Describe every quantity of every log, commands too."""
    return tuple(_channel(log, name) for log in logs for name in log.data if name != "time")


def _channel(log: Log, name: str) -> ChannelHealth:
    values, time = log[name], log["time"]
    if name == "heading":
        values = np.unwrap(values)
    fresh = fresh_readings(values, log.read_at(name))
    changes = np.count_nonzero(np.diff(values))
    held = bool(fresh.size < values.size)
    # A command that is held is not sampled more rarely: nobody asked for anything else.
    known = changes >= 8 and fresh.size > 2 and not (held and name.endswith("command"))
    rate = 1.0 / float(np.median(np.diff(time[fresh]))) if known else float("nan")
    levels = np.unique(values)
    steps = np.diff(levels)
    steps = steps[
        steps > 1e-9 * max(float(np.max(np.abs(values))), 1e-300)
    ]  # roundings of the conversion to SI
    resolution = float(np.min(steps)) if steps.size else 0.0
    if levels.size > 0.5 * fresh.size > 20:
        resolution = float("nan")
    noise, where = _noise(log, name, values, fresh)
    return ChannelHealth(
        log.name, name, _unit(log, name), float(np.min(values)), float(np.max(values)), rate,
        held, resolution, noise, where,
    )  # fmt: skip


def _unit(log: Log, name: str) -> str:
    return (log.steering_unit or "") if name == "steering_command" else si_unit(name)


def _noise(log: Log, name: str, values: Array, fresh: NDArray[np.int64]) -> tuple[float, str]:
    """Give the standard deviation of the noise and where it was taken."""
    if name.endswith("command"):
        return 0.0, ""
    if fresh.size < 20:
        return float("nan"), ""
    third = np.diff(values[fresh], 3)
    if log.has("speed"):
        still = np.abs(log["speed"]) < _STANDSTILL
        seconds = float(np.sum(np.diff(log["time"], append=log["time"][-1])[still]))
        # All four readings at rest.
        rest = np.lib.stride_tricks.sliding_window_view(still[fresh], 4).all(axis=1)
        if seconds >= _LEAST_REST and np.count_nonzero(rest) >= 20:
            return _white(third[rest]), "standstill"
    return _white(third), "driving"


def _white(third: Array) -> float:
    """Give the standard deviation of white noise from third differences.

    Var(x_k − 3 x_{k+1} + 3 x_{k+2} − x_{k+3}) = 20 σ²; what is smooth is gone. By the median, since steps do not count; by the mean
    square where most readings repeat.
    """
    middle = float(np.median(np.abs(third))) / 0.6745
    spread = middle if middle > 0.0 else float(np.sqrt(np.mean(third**2)))
    return spread / float(np.sqrt(20.0))
