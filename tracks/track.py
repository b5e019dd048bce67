"""`Track`: a path with its speed plan, corridor and named sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple, Unpack

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracks.errors import InputError
from tracks.geometry import PathArrays, cell_at, wrap_arc_length
from tracks.one_source import clip, equation, select
from tracks.path import Path
from tracks.speed_plan import TOP_SPEED, PlanLimits, plan_speed
from tracks.validation import check_finite, check_positive, check_vector

__all__ = ["Corridor", "Section", "Track", "TrackArrays", "corridor_at", "planned_speed", "room_beside"]

_SAME = 1e-6  # relative: what the two ends of a closed track may differ through decimals in a file


class TrackArrays(NamedTuple):
    """A track as arrays for compiled code.

    `speed` [m/s], `corridor_left`, `corridor_right` [m, distances to the edges, inf without a corridor]: (n + 1,).
    `direction`: 1.0 forward, −1.0 in reverse.
    """

    path: PathArrays
    speed: np.ndarray
    corridor_left: np.ndarray
    corridor_right: np.ndarray
    direction: float


@equation
def planned_speed(track, s):
    """Give (speed m/s, acceleration m/s²) of the plan at arc length s [m]; v² is linear in each cell.

    s wraps round a closed track; beyond the ends of an open one the speed stays and the acceleration is 0.
    """
    path = track.path
    s = wrap_arc_length(path, s)
    inside = clip(s, 0.0, path.length)
    i = cell_at(path, inside)
    h = path.s[i + 1] - path.s[i]
    start = track.speed[i] * track.speed[i]
    end = track.speed[i + 1] * track.speed[i + 1]
    squared = start + (end - start) * (inside - path.s[i]) / h
    return np.sqrt(np.maximum(squared, 0.0)), select(s == inside, 0.5 * (end - start) / h, 0.0)


@equation
def corridor_at(track, s):
    """Give the distances (left, right) [m] from the path to the corridor's edges at s [m]; linear between nodes."""
    path = track.path
    inside = clip(wrap_arc_length(path, s), 0.0, path.length)
    i = cell_at(path, inside)
    u = (inside - path.s[i]) / (path.s[i + 1] - path.s[i])
    left_0, left_1 = track.corridor_left[i], track.corridor_left[i + 1]
    right_0, right_1 = track.corridor_right[i], track.corridor_right[i + 1]
    # The select spares infinite edges from ∞ − ∞.
    left = select(left_1 == left_0, left_0, left_0 + (left_1 - left_0) * u)
    right = select(right_1 == right_0, right_0, right_0 + (right_1 - right_0) * u)
    return left, right


@equation
def room_beside(track: TrackArrays, s, offset, half_width):
    """Give the room (m) beside a vehicle in the middle of the path, on the side of an offset (m, + left).

    From the side of its body, `half_width` [m] from the path, to the corridor's edge.
    """
    left, right = corridor_at(track, s)
    return (left if offset > 0.0 else right) - half_width


@dataclass(frozen=True, slots=True)
class Section:
    """A named stretch of a track, from `start` to `end` [m along the path] (`end` beyond the length: past the seam).

    `step` is the signed size of the lateral move that a vehicle has just made or must make at `start`, m, + left
    (the exit of a lane change, an offset start): overshoot and settling are measured there. None: no such move.
    """

    name: str
    start: float
    end: float
    step: float | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a section has no name", "a name", "name it")
        start = check_positive(f"the start of section {self.name!r}", self.start, "m", zero=True)
        end = check_finite(f"the end of section {self.name!r}", self.end, "m")
        object.__setattr__(self, "start", start)
        object.__setattr__(self, "end", end)
        if end <= start:
            raise InputError(
                f"section {self.name!r} runs from {start:g} m to {end:g} m",
                "an end past the start",
                "mend it",
            )
        if (
            self.step is not None
            and check_finite(f"the step of section {self.name!r}", self.step, "m") == 0.0
        ):
            raise InputError(
                f"the step of section {self.name!r} is 0 m", "a step other than 0, or None", "drop it"
            )


@dataclass(frozen=True, eq=False)
class Corridor:
    """The room to drive in: distances (> 0, m) from the path to the left and the right edge, at nodes (n + 1,)."""

    left: NDArray[np.float64]
    right: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("left", "right"):
            values = np.array(getattr(self, name), dtype=np.float64, order="C")
            if values.ndim != 1 or not np.all(values > 0.0):
                raise InputError(
                    f"the {name} edge of the corridor lies on or beyond the path",
                    "distances above 0 m",
                    "widen it",
                )
            values.flags.writeable = False
            object.__setattr__(self, name, values)

    @classmethod
    def of_width(cls, path: Path, left: float, right: float | None = None) -> Corridor:
        """Give a corridor of constant distances to the left and right edge, m (right: as left)."""
        right = left if right is None else right
        return cls(np.full(path.s.size, float(left)), np.full(path.s.size, float(right)))


@dataclass(frozen=True, eq=False)
class Track:
    """Where and how fast a vehicle should go.

    Attributes:
        name: of the track.
        path: its geometry.
        speed: planned speed at `path.s`, m/s, (n + 1,); v² is linear between nodes, 0 only at the ends of an open path.
        corridor: the room to drive in, or None.
        sections: named stretches, in any order, names unique.
        source: where the geometry comes from.
        start_offset: lateral offset from the path at which a run starts, m, + left.
        reverse: whether the vehicle backs up along the path. The path's heading is the direction of travel, opposite to
            the vehicle's; speeds of the plan are above 0, left is left of the direction of travel.
    """

    name: str
    path: Path
    speed: NDArray[np.float64]
    corridor: Corridor | None = None
    sections: Sequence[Section] = ()
    source: str = ""
    start_offset: float = 0.0
    reverse: bool = False

    def __post_init__(self) -> None:
        n, closed = self.path.s.size, self.path.closed
        speed = check_vector("speed", self.speed, n, "m/s")
        inner = speed if closed else speed[1:-1]
        if np.min(speed) < 0.0 or np.any(inner == 0.0):
            i = int(np.argmin(speed)) if np.min(speed) < 0.0 else int(np.argmin(inner)) + (not closed)
            raise InputError(
                f"the planned speed at s = {self.path.s[i]:g} m is {speed[i]:g} m/s",
                "speeds above 0, and 0 only at the ends of an open track",
                "correct the plan there",
            )
        if closed and abs(speed[-1] - speed[0]) > _SAME * speed[0]:
            raise InputError(
                f"a lap starts at {speed[0]:g} m/s and ends at {speed[-1]:g} m/s",
                "the same speed at both ends of a closed track",
                "plan it afresh with with_speed_plan",
            )
        speed.flags.writeable = False
        object.__setattr__(self, "speed", speed)
        object.__setattr__(self, "sections", tuple(self.sections))
        check_finite("start_offset", self.start_offset, "m")
        if self.corridor is not None and not (self.corridor.left.size == self.corridor.right.size == n):
            raise InputError(
                f"the corridor has {self.corridor.left.size} and {self.corridor.right.size} values",
                f"{n}, one a node",
                "give the corridor at path.s",
            )
        self._check_sections()

    def _check_sections(self) -> None:
        length = self.path.length
        names = [section.name for section in self.sections]
        for section in self.sections:
            if names.count(section.name) > 1:
                raise InputError(f"two sections are named {section.name!r}", "unique names", "rename one")
            last = section.start + length if self.path.closed else length
            if section.start > length or section.end > last + _SAME * length:
                raise InputError(
                    f"section {section.name!r} ends at {section.end:g} m",
                    f"an end within the track's {length:g} m",
                    "shorten it",
                )

    @cached_property
    def arrays(self) -> TrackArrays:
        """The track for compiled code; treat its arrays as read-only."""
        n = self.path.s.size
        unbounded = np.full(n, np.inf)
        left = unbounded if self.corridor is None else np.array(self.corridor.left)
        right = unbounded if self.corridor is None else np.array(self.corridor.right)
        return TrackArrays(self.path.arrays, np.array(self.speed), left, right, -1.0 if self.reverse else 1.0)

    def planned_speed(self, s: float) -> tuple[float, float]:
        """Give the planned speed [m/s] and acceleration [m/s²] at arc length s [m]."""
        return planned_speed(self.arrays, check_finite("s", s, "m"))

    def with_speed_plan(
        self, top_speed: ArrayLike = TOP_SPEED, end_speed: float | None = 0.0, **limits: Unpack[PlanLimits]
    ) -> Track:
        """Give the same track with a fresh speed plan (see `plan_speed`); an open one ends at `end_speed`."""
        end = None if self.path.closed else end_speed
        return replace(self, speed=plan_speed(self.path, top_speed, end_speed=end, **limits))

    def scaled(self, factor: float) -> Track:
        """Give the track `factor` times as large; speeds go with its root, so that accelerations stay."""
        factor = check_positive("scale", factor)
        corridor = self.corridor and Corridor(self.corridor.left * factor, self.corridor.right * factor)
        sections = [
            Section(a.name, a.start * factor, a.end * factor, None if a.step is None else a.step * factor)
            for a in self.sections
        ]
        return replace(
            self,
            path=self.path.scaled(factor),
            speed=self.speed * np.sqrt(factor),
            corridor=corridor,
            sections=sections,
            start_offset=self.start_offset * factor,
        )
