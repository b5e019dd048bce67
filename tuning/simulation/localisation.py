"""What the localisation gives: noise, wander, latency, its own rate and dropouts, drawn ahead of a run from its seed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Fixes", "Localisation", "fixes_of"]

# Keys of the random streams: each effect has its own, so that switching one on leaves the others as they were.
_WHITE, _WANDER, _DROPOUTS = 0, 1, 2


class Localisation(BaseModel):
    """Quality of the measured pose; the defaults are a perfect one."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    noise: float = Field(default=0.0, ge=0, le=100, description="m: standard deviation of x and of y, white")
    heading_noise: float = Field(
        default=0.0, ge=0, le=3, description="rad: standard deviation of the heading, white"
    )
    wander: float = Field(
        default=0.0, ge=0, le=100, description="m: standard deviation of a slow error of x and of y"
    )
    heading_wander: float = Field(
        default=0.0, ge=0, le=3, description="rad: standard deviation of a slow error of the heading"
    )
    wander_time: float = Field(
        default=30.0, gt=0, le=3600, description="s: correlation time of the slow errors (Gauss-Markov)"
    )
    period: float = Field(
        default=0.0, ge=0, le=5, description="s between two poses; 0 gives one for every command"
    )
    latency: float = Field(default=0.0, ge=0, le=1, description="s: age of a pose when it arrives")
    stamped: bool = Field(
        default=False,
        description="whether the tracker is told the age of a pose; if not, it takes each as true now",
    )
    dropouts: float = Field(
        default=0.0, ge=0, le=600, description="per minute: how often the poses stop coming, at random"
    )
    dropout_time: float = Field(default=0.3, gt=0, le=60, description="s: how long each dropout lasts")


class Fixes(NamedTuple):
    """The poses that are at hand by control step.

    Attributes:
        time: when the newest pose was true, s, shape (steps,).
        noise: its error in x [m], y [m] and heading [rad], shape (steps, 3), or (1, 3) for all alike.
    """

    time: np.ndarray
    noise: np.ndarray


def fixes_of(settings: Localisation, steps: int, period: float, seed: int) -> Fixes:
    """Draw what the localisation gives in a run of `steps` control steps of `period` [s].

    The same settings and seed give the same poses, whoever drives; a longer run begins like a shorter one.
    """
    now = period * np.arange(steps)
    own = settings.period or period
    count = int(np.ceil(steps * period / own)) + 1
    instants = own * np.arange(count)
    newest = np.floor((now - settings.latency) / own + 1e-9).astype(int)
    if settings.dropouts > 0.0:
        newest = _without(newest, _dropped(settings, instants, seed))
    # Before the first pose has come, the vehicle stands in for one at the start of the run.
    newest = np.maximum(newest, 0)
    # Poses made for every command are as old as the latency says, to the last digit.
    time = now - settings.latency if _plain(settings) else instants[newest]
    return Fixes(np.maximum(time, 0.0), _noise(settings, count, own, seed, newest))


def _plain(settings: Localisation) -> bool:
    return settings.period == 0.0 and settings.dropouts == 0.0


def _without(newest: np.ndarray, dropped: np.ndarray) -> np.ndarray:
    """Give, in place of a pose that was dropped, the last one before it that was not."""
    kept = np.where(dropped, -1, np.arange(dropped.size))
    last = np.maximum(np.maximum.accumulate(kept), 0)
    return np.where(newest >= 0, last[np.clip(newest, 0, dropped.size - 1)], newest)


def _dropped(settings: Localisation, instants: np.ndarray, seed: int) -> np.ndarray:
    """Say which poses fall into a dropout: beginnings at random, as many a minute as set."""
    random = np.random.default_rng([seed, _DROPOUTS])
    step = float(instants[1] - instants[0]) if instants.size > 1 else 1.0
    begins = random.random(instants.size) < settings.dropouts / 60.0 * step
    last = np.maximum.accumulate(np.where(begins, instants, -np.inf))
    return instants - last < settings.dropout_time - 1e-9


def _noise(settings: Localisation, count: int, own: float, seed: int, newest: np.ndarray) -> np.ndarray:
    white = np.array([settings.noise, settings.noise, settings.heading_noise])
    slow = np.array([settings.wander, settings.wander, settings.heading_wander])
    if not (white.any() or slow.any()):
        return np.zeros((1, 3))
    error = np.zeros((count, 3))
    if white.any():
        error += white * np.random.default_rng([seed, _WHITE]).standard_normal((count, 3))
    if slow.any():
        from scipy.signal import lfilter

        drawn = np.random.default_rng([seed, _WANDER]).standard_normal((count, 3))
        # First-order Gauss-Markov, exact between poses, stationary from the first one on.
        stay = np.exp(-own / settings.wander_time)
        drawn[1:] *= np.sqrt(1.0 - stay * stay)
        error += slow * lfilter([1.0], [1.0, -stay], drawn, axis=0)
    return error[newest]
