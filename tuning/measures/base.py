"""What a measure is, what it needs of a run, and the part of the work that measures share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.simulation.events import DriverTakesOver

if TYPE_CHECKING:
    from tracks import Section, Track
    from tuning.simulation import Scenario
    from tuning.simulation.happenings import Happening

__all__ = ["LOWEST_RATE", "Array", "Drive", "Measure", "Recording", "settling_band"]

LOWEST_RATE = 100.0  # Hz: UN R79 samples lateral acceleration at no less
SMALLEST_BAND = 0.05  # m, and
BAND_SHARE = 0.05  # of the step: within the larger of the two a vehicle has settled
# s: a start off the path that no section judges is over by then (common practice, no source).
START_UP_TIME = 5.0
_EVEN = 1e-6  # share of a sampling period by which samples may stray from even spacing

Array = NDArray[np.float64]
Counted = slice | NDArray[np.bool_]  # which samples count


class Measure(NamedTuple):
    """A number taken from a run.

    Attributes:
        name: in results and in `Limits`.
        unit: of the number.
        meaning: in one phrase.
        source: of the definition, or that it has none.
    """

    name: str
    unit: str
    meaning: str
    source: str


class Drive(Protocol):
    """What measures need of a run: arrays of one shape (n,), SI units, lateral error + left of the path."""

    @property
    def time(self) -> Array: ...
    @property
    def s(self) -> Array: ...
    @property
    def lateral_error(self) -> Array: ...
    @property
    def heading_error(self) -> Array: ...
    @property
    def path_curvature(self) -> Array: ...
    @property
    def lateral_acceleration(self) -> Array: ...
    @property
    def longitudinal_acceleration(self) -> Array: ...
    @property
    def steering_angle(self) -> Array: ...
    @property
    def steering_rate(self) -> Array: ...
    @property
    def rate_limit(self) -> float: ...
    @property
    def angle_limit(self) -> float: ...
    @property
    def width(self) -> float | None: ...
    @property
    def as_meant(self) -> bool: ...
    @property
    def happenings(self) -> Sequence[Happening]: ...
    @property
    def track(self) -> Track: ...
    @property
    def scenario(self) -> Scenario: ...


_CHANNELS = (
    "s", "lateral_error", "heading_error", "path_curvature", "lateral_acceleration",
    "longitudinal_acceleration", "steering_angle", "steering_rate",
)  # fmt: skip


def settling_band(step: float) -> float:
    """Give the lateral error within which a vehicle has settled after a step of this size, m."""
    return max(SMALLEST_BAND, BAND_SHARE * abs(step))


@dataclass(frozen=True, slots=True)
class Recording:
    """A run made ready: evenly sampled arrays of shape (n,), and where its start-up ends.

    Attributes:
        rate: samples a second, Hz.
        judged: the samples whose errors count: those after start-up, less those that a driver answers for.
        track: that was driven.
        rate_limit, angle_limit: of the road wheels, rad/s and rad.
        width: of the body, m; 0 where it is not known.
        others: as in `Drive`.
    """

    rate: float
    s: Array
    lateral_error: Array
    heading_error: Array
    path_curvature: Array
    lateral_acceleration: Array
    longitudinal_acceleration: Array
    steering_angle: Array
    steering_rate: Array
    judged: Counted
    happenings: tuple[Happening, ...]
    track: Track
    rate_limit: float
    angle_limit: float
    width: float

    @classmethod
    def of(cls, run: Drive) -> Recording:
        """Prepare a run; unevenly sampled ones are resampled linearly at their mean rate.

        Raises:
            InputError: fewer than two samples, or fewer than 100 a second.
        """
        time = run.time
        if time.size < 2:
            raise InputError(f"the run has {time.size} samples", "two or more", "record for longer")
        period = float(time[-1] - time[0]) / (time.size - 1)
        if not 0.0 < period * LOWEST_RATE < 1.001:
            raise InputError(
                f"the run is sampled every {period:g} s", f"{LOWEST_RATE:g} or more samples a second",
                "record faster: lateral acceleration in the UN R79 way needs it",
            )  # fmt: skip
        channels: dict[str, Array] = {name: getattr(run, name) for name in _CHANNELS}
        if np.abs(np.diff(time) - period).max() > _EVEN * period:
            even = np.linspace(time[0], time[-1], time.size)
            channels = {name: np.interp(even, time, channel) for name, channel in channels.items()}
        return cls(
            rate=1.0 / period,
            judged=_judged(channels["s"], channels["lateral_error"], 1.0 / period, run),
            happenings=tuple(run.happenings),
            track=run.track,
            rate_limit=run.rate_limit,
            angle_limit=run.angle_limit,
            width=run.width or 0.0,
            **channels,
        )


def _starts_with(section: Section, s: float) -> bool:
    """Tell whether the section judges a step with which the run starts."""
    return section.step is not None and section.start <= s + SMALLEST_BAND and section.end > s


def _judged(s: Array, error: Array, rate: float, run: Drive) -> Counted:
    """Give the samples whose errors count.

    While a driver steers the errors are the driver's; what is left of them at the hand-back does not count until the
    vehicle first comes within the settling band, but no longer than `START_UP_TIME`.
    """
    first = _end_of_start_up(s, error, rate, run)
    spans = [
        (h.begun, h.ended) for h in run.happenings if isinstance(h.event, DriverTakesOver) and h.happened
    ]
    if not spans:
        return slice(first, None)
    counts = np.arange(error.size) >= first
    for begun, ended in spans:
        start = int(np.ceil((begun - run.time[0]) * rate - 1e-6))
        end = error.size if ended == math.inf else int(np.ceil((ended - run.time[0]) * rate - 1e-6))
        end = min(end, error.size)
        longest = min(end + int(START_UP_TIME * rate), error.size)
        settled = np.flatnonzero(np.abs(error[end:longest]) <= SMALLEST_BAND)
        counts[start : end + int(settled[0]) if settled.size else longest] = False
    return counts


def _end_of_start_up(s: Array, error: Array, rate: float, run: Drive) -> int:
    """Give the index of the first sample whose error counts.

    A run that starts off the path, because its first section has a step or the scenario moves it aside, has
    an error that no law can help. It does not count until the vehicle first comes within the settling band,
    but no longer than the section, or `START_UP_TIME` where no section judges the start.
    """
    sections = [section for section in run.track.sections if _starts_with(section, float(s[0]))]
    if sections:
        longest = int(np.searchsorted(s, sections[0].end))
        band = settling_band(sections[0].step or 0.0)
    elif run.scenario.lateral_offset != 0.0:
        longest = int(START_UP_TIME * rate)
        band = settling_band(float(error[0]))
    else:
        return 0
    inside = np.flatnonzero(np.abs(error[:longest]) <= band)
    crossed = np.flatnonzero(error[:longest] * error[0] < 0.0)  # a fast crossing may leap over the band
    return int(min(longest, *inside[:1], *crossed[:1], error.size))
