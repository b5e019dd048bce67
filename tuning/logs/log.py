"""A drive log in SI units on one clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracks.errors import InputError
from tracks.validation import check_vector
from tuning.logs.units import QUANTITIES

__all__ = ["GAP_FACTOR", "Log"]

# A step of the clock this many times the median one counts as a gap: beyond jitter and a few lost messages.
GAP_FACTOR = 10.0

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Log:
    """What was commanded and measured during one drive.

    Attributes:
        name: what to call the log in messages and reports.
        data: quantity name -> array of shape (n,), SI units and radians, axes of ISO 8855; holds `time` (s), which
            starts at 0 and increases strictly. The mapping and its arrays are read-only.
        steering_unit: "rad" when `steering_command` is an angle, None when it is a number without a unit.
        start: reading of the file's own clock at time 0, s.
        findings: what the reader noticed and mended, in plain words.
        fresh: quantity name -> at which samples it was read, shape (n,), for a quantity with a rate of its own; between
            them `data` holds its last reading. A quantity that is not named here was read at every sample.
        gaps: indices of the first sample after each gap of the clock.

    Raises:
        InputError: no `time`, an unknown quantity, lengths that differ, values that are not finite, a clock that does
            not increase, or `fresh` of another quantity or length.
    """

    name: str
    data: Mapping[str, Array]
    steering_unit: str | None = None
    start: float = 0.0
    findings: tuple[str, ...] = ()
    fresh: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)
    gaps: tuple[int, ...] = field(init=False)

    def __post_init__(self) -> None:
        if "time" not in self.data:
            raise InputError(f"log {self.name!r} has no time", "a clock, s", "give the quantity 'time'")
        unknown = [name for name in self.data if name not in QUANTITIES]
        if unknown:
            raise InputError(
                f"log {self.name!r} has the unknown quantity {unknown[0]!r}",
                f"one of {', '.join(QUANTITIES)}",
                "rename or remove it",
            )
        if self.steering_unit not in (None, "rad"):
            raise InputError(
                f"steering_unit is {self.steering_unit!r}", '"rad" or None', "convert to radians"
            )
        size = np.size(self.data["time"])
        data = {name: check_vector(f"{name} of log {self.name!r}", x, size) for name, x in self.data.items()}
        start, step = _checked_clock(self.name, data["time"])
        data["time"] -= start
        for values in data.values():
            values.flags.writeable = False
        fresh = _checked_masks(self.name, self.fresh, data)
        object.__setattr__(self, "data", MappingProxyType(data))
        object.__setattr__(self, "fresh", MappingProxyType(fresh))
        object.__setattr__(self, "start", self.start + start)
        gaps = np.flatnonzero(step > GAP_FACTOR * _usual_step(data, fresh)) + 1
        object.__setattr__(self, "gaps", tuple(int(i) for i in gaps))

    def __getitem__(self, quantity: str) -> Array:
        """Give one quantity, shape (n,), SI; raises `InputError` listing what there is when the log lacks it."""
        if quantity not in self.data:
            raise InputError(
                f"log {self.name!r} has no {quantity}",
                f"a log with it (this one has {', '.join(self.data)})",
                f"add a [{quantity}] table to the channel file",
            )
        return self.data[quantity]

    def __len__(self) -> int:
        return self.data["time"].size

    def __reduce__(self) -> tuple[Any, ...]:
        """Take the log apart for pickling and copying, which a read-only mapping does not allow as it is."""
        parts = (dict(self.data), self.steering_unit, self.start, self.findings, dict(self.fresh))
        return Log, (self.name, *parts)

    def read_at(self, quantity: str) -> NDArray[np.bool_]:
        """Say at which samples a quantity was read, shape (n,); all where it has no rate of its own."""
        mask = self.fresh.get(quantity)
        return np.ones(len(self), dtype=bool) if mask is None else mask

    def has(self, *quantities: str) -> bool:
        """Say whether the log holds all of these quantities."""
        return all(name in self.data for name in quantities)

    @property
    def duration(self) -> float:
        """Time from the first to the last sample, s."""
        return float(self.data["time"][-1])

    @property
    def segments(self) -> list[slice]:
        """The runs of samples between gaps of the clock, as slices in order."""
        edges = [0, *self.gaps, len(self)]
        return [slice(a, b) for a, b in pairwise(edges)]

    def subset(self, mask: ArrayLike | None = None, *, window: tuple[float, float] | None = None) -> Log:
        """Cut out part of the log.

        Args:
            mask: booleans of shape (n,): the samples to keep.
            window: instead, the first and last time to keep, s on this log's clock.

        Returns:
            A log whose time starts at 0 again and whose `start` says where it was cut.

        Raises:
            InputError: neither or both given, a mask of another length, or fewer than two samples left.
        """
        if (mask is None) == (window is None):
            raise InputError("subset was given neither or both of mask and window", "one of them", "give one")
        time = self.data["time"]
        if window is not None:
            keep = (time >= window[0]) & (time <= window[1])
        else:
            keep = np.asarray(mask, dtype=bool)
            if keep.shape != time.shape:
                raise InputError(
                    f"the mask has shape {keep.shape}", f"shape {time.shape}", "give one boolean a sample"
                )
        if np.count_nonzero(keep) < 2:
            raise InputError(
                f"the subset of log {self.name!r} keeps {np.count_nonzero(keep)} samples",
                f"2 or more of {len(self)} (time 0 to {self.duration:g} s)",
                "widen the window",
            )
        data = {name: values[keep] for name, values in self.data.items()}
        fresh = {name: mask[keep] for name, mask in self.fresh.items()}
        return Log(self.name, data, self.steering_unit, self.start, self.findings, fresh)


def _checked_masks(
    name: str, fresh: Mapping[str, NDArray[np.bool_]], data: Mapping[str, Array]
) -> dict[str, NDArray[np.bool_]]:
    """Give copies of the masks, read-only, or raise `InputError` where one does not belong to the data."""
    masks: dict[str, NDArray[np.bool_]] = {}
    for quantity, mask in fresh.items():
        masks[quantity] = np.array(mask, dtype=bool)
        masks[quantity].flags.writeable = False
        if quantity not in data or masks[quantity].shape != data["time"].shape:
            raise InputError(
                f"log {name!r} has a fresh of {quantity} with shape {masks[quantity].shape}",
                f"one of a quantity of the log, of shape {data['time'].shape}",
                "give one boolean a sample, or leave it out",
            )
    return masks


def _usual_step(data: Mapping[str, Array], fresh: Mapping[str, NDArray[np.bool_]]) -> float:
    """Give the median step of the quantity that is read most often, s.

    Where clocks are merged, the steps between the stamps of two of them may be as short as one likes.
    """
    time = data["time"]
    steps = [
        float(np.median(np.diff(time if name not in fresh else time[fresh[name]])))
        for name in data
        if name != "time" and (name not in fresh or np.count_nonzero(fresh[name]) > 1)
    ]
    return min(steps, default=float(np.median(np.diff(time))))


def _checked_clock(name: str, time: Array) -> tuple[float, Array]:
    """Give the first reading and the steps of a clock, or raise `InputError` when it does not increase strictly."""
    if time.size < 2:
        raise InputError(f"log {name!r} has {time.size} samples", "2 or more", "record a longer drive")
    step = np.diff(time)
    bad = np.flatnonzero(step <= 0.0)
    if bad.size:
        at = int(bad[0]) + 1
        raise InputError(
            f"time of log {name!r} goes from {time[at - 1]:.9g} to {time[at]:.9g} s at sample {at}",
            "a clock that increases",
            "merge repeated stamps and sort the samples",
        )
    return float(time[0]), step
