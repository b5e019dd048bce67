"""`Path`: the geometry that a vehicle should follow, by arc length."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracks.geometry import PathArrays, PathPoint, evaluate, project
from tracks.locate import evaluate_all, follow, search
from tracks.nodes import Nodes, assemble, check_nodes, close
from tracks.segments import Segment, integrate
from tracks.smoothing import smooth
from tracks.validation import check_finite, check_same_length, check_vector

__all__ = ["Path"]


@dataclass(frozen=True, eq=False)
class Path:
    """A path by arc length: n cells between n + 1 nodes, curvature linear in each cell (straight, arc, clothoid).

    Build one with `from_segments`, `from_points` or `from_nodes`. Attributes:
        arrays: the same path for compiled code (`tracks.geometry.PathArrays`); treat its arrays as read-only.
        deviation: the largest distance of the points given to `from_points` from the path, m; 0 for other paths.
        deviation_rms: the RMS of these distances, m.
    """

    arrays: PathArrays
    deviation: float = 0.0
    deviation_rms: float = 0.0

    @classmethod
    def from_segments(
        cls,
        segments: Iterable[Segment],
        start: tuple[float, float, float] = (0.0, 0.0, 0.0),
        closed: bool = False,
        spacing: float | None = None,
    ) -> Path:
        """Lay `Straight`, `Arc` and `Clothoid` segments end to end; every node is exact to rounding.

        Args:
            segments: the segments in driving order.
            start: x [m], y [m], heading [rad] of the start.
            closed: the end is the start; the segments must come back to it by themselves.
            spacing: longest cell, m (default 0.25, and never above a fortieth of the tightest radius).

        Raises:
            InputError: unusable segments, or a closed path that does not close within 1e-6 of its length.
        """
        nodes = integrate(segments, start, spacing)
        return cls(assemble(close(nodes) if closed else nodes, closed))

    @classmethod
    def from_points(
        cls, x: ArrayLike, y: ArrayLike, closed: bool = False, smoothing: float | None = None
    ) -> Path:
        """Fit a path of continuous curvature to points that may be uneven, noisy or repeated.

        The result is evenly spaced by arc length; a closed one has no seam. See `tracks.smoothing` for the method.

        Args:
            x, y: points in driving order, m, shape (m,).
            closed: join the last point to the first (the first may be repeated at the end, or not).
            smoothing: RMS distance up to which the path may leave the points for the sake of smoothness, m; noise
                above it is smoothed away as well. None (the default): only as much as tells noise from shape
                (fewer than ten points: not at all). 0: through every point.

        Raises:
            InputError: fewer than two (closed: four) different points, or values that are not finite.
        """
        x, y = check_vector("x", x, unit="m"), check_vector("y", y, unit="m")
        check_same_length(("x", "y"), (x, y))
        fit = smooth(x, y, closed, smoothing)
        path = cls(assemble(fit.nodes, closed))
        _, offset = path.follow(x, y, fit.s_of_points)
        return cls(path.arrays, float(np.max(np.abs(offset))), float(np.sqrt(np.mean(offset**2))))

    @classmethod
    def from_nodes(
        cls,
        s: ArrayLike,
        x: ArrayLike,
        y: ArrayLike,
        heading: ArrayLike,
        curvature_start: ArrayLike,
        curvature_end: ArrayLike,
        closed: bool = False,
        deviation: float = 0.0,
        deviation_rms: float = 0.0,
    ) -> Path:
        """Take over nodes as they are, say from a file.

        Args:
            s, x, y: arc length from 0 and position of the nodes, m, (n + 1,); a closed path repeats the first node.
            heading: rad, not wrapped, (n + 1,).
            curvature_start, curvature_end: at the two ends of each cell, 1/m, (n,).
            closed, deviation, deviation_rms: as the attributes.

        Raises:
            InputError: lengths differ, s does not rise from 0, or a cell's nodes contradict its heading and curvature.
        """
        names = ("s", "x", "y", "heading", "curvature_start", "curvature_end")
        given = (s, x, y, heading, curvature_start, curvature_end)
        vectors = [check_vector(name, values) for name, values in zip(names, given, strict=True)]
        check_same_length(names[:4], vectors[:4])
        check_same_length(("cells", *names[4:]), (vectors[0][1:], *vectors[4:]))
        nodes = Nodes(*vectors)
        check_nodes(nodes)
        return cls(assemble(close(nodes) if closed else nodes, closed), deviation, deviation_rms)

    @cached_property
    def s(self) -> NDArray[np.float64]:
        """Arc length at the nodes, m, (n + 1,)."""
        return _read_only(self.arrays.s)

    @cached_property
    def x(self) -> NDArray[np.float64]:
        """Position at the nodes, m, (n + 1,)."""
        return _read_only(self.arrays.x)

    @cached_property
    def y(self) -> NDArray[np.float64]:
        """Position at the nodes, m, (n + 1,)."""
        return _read_only(self.arrays.y)

    @cached_property
    def heading(self) -> NDArray[np.float64]:
        """Heading at the nodes, rad, anticlockwise from x, not wrapped, (n + 1,)."""
        return _read_only(self.arrays.heading)

    @cached_property
    def curvature(self) -> NDArray[np.float64]:
        """Curvature at the nodes, 1/m, + left, (n + 1,): where it jumps the value ahead, at the last node behind."""
        return _read_only(np.append(self.arrays.curvature_start, self.arrays.curvature_end[-1]))

    @property
    def length(self) -> float:
        """Length, m (once round for a closed path)."""
        return self.arrays.length

    @property
    def closed(self) -> bool:
        """Whether the end is the start."""
        return self.arrays.closed > 0.0

    @cached_property
    def smallest_radius(self) -> float:
        """Radius of the tightest bend, m (infinite for a straight)."""
        largest = max(np.max(np.abs(self.arrays.curvature_start)), np.max(np.abs(self.arrays.curvature_end)))
        return float(1.0 / largest) if largest > 0.0 else float("inf")

    def at(self, s: ArrayLike) -> PathPoint:
        """Give the `PathPoint` at arc length s [m], of floats or, for s of shape (m,), of arrays (m,).

        s wraps round a closed path; an open one goes on straight beyond its ends.
        """
        if np.ndim(s) == 0:
            return evaluate(self.arrays, check_finite("s", s, "m"))
        return PathPoint(*evaluate_all(self.arrays, check_vector("s", s, unit="m")))  # type: ignore[arg-type]  # arrays

    @overload
    def locate(  # type: ignore[overload-overlap]  # floats are ArrayLike too, and give floats
        self, x: float, y: float, near: float | None = None, heading: float | None = None
    ) -> tuple[float, float]: ...
    @overload
    def locate(
        self, x: ArrayLike, y: ArrayLike, near: float | None = None, heading: ArrayLike | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...

    def locate(self, x, y, near=None, heading=None):
        """Give arc length and lateral offset (m, + left) of a point, or of points of shape (m,).

        Args:
            x, y: the point, m; or points, (m,).
            near: where it must be, m: the search stays on the branch there, whatever else comes near, takes the
                same time on every path, and gives s continuous with `near` (on a closed path it goes on beyond the
                length). For points: where the first is; each of the others is searched near the one before.
            heading: the way the vehicle points, rad, used without `near`: of all places where the distance is
                smallest locally the one wins that has the least distance + tightest radius · |heading difference|.
                Without both hints it is the globally nearest place, the lowest s of equally near ones.

        Beyond the ends of an open path s is below 0 or above the length, along the straight continuation.
        """
        if np.ndim(x) == 0 and np.ndim(y) == 0:
            x, y = check_finite("x", x, "m"), check_finite("y", y, "m")
            if near is not None:
                return project(self.arrays, x, y, check_finite("near", near, "m"))
            return self._nearest(x, y, None if heading is None else check_finite("heading", heading, "rad"))
        x, y = check_vector("x", x, unit="m"), check_vector("y", y, unit="m")
        check_same_length(("x", "y"), (x, y))
        if near is not None:
            starts = np.full(x.size, np.nan)
            starts[:1] = check_finite("near", near, "m")
            return follow(self.arrays, x, y, starts)
        headings = [None] * x.size if heading is None else check_vector("heading", heading, x.size, "rad")
        pairs = [self._nearest(float(a), float(b), h) for a, b, h in zip(x, y, headings, strict=True)]
        return np.array([s for s, _ in pairs]), np.array([offset for _, offset in pairs])

    def follow(
        self, x: NDArray[np.float64], y: NDArray[np.float64], near: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give s and lateral offset (m,) of points (m,), each searched near `near[i]` (NaN: near the one before)."""
        return follow(self.arrays, x, y, near)

    def _nearest(self, x: float, y: float, heading: float | None) -> tuple[float, float]:
        if heading is None:
            return search(self.arrays, x, y, 0.0, 0.0)
        radius = min(self.smallest_radius, self.length)
        return search(self.arrays, x, y, float(heading), radius)

    def scaled(self, factor: float) -> Path:
        """Give the same shape `factor` times as large."""
        a = self.arrays
        nodes = Nodes(
            a.s * factor,
            a.x * factor,
            a.y * factor,
            a.heading,
            a.curvature_start / factor,
            a.curvature_end / factor,
        )
        return Path(assemble(nodes, self.closed), self.deviation * factor, self.deviation_rms * factor)


def _read_only(array: NDArray[np.float64]) -> NDArray[np.float64]:
    # A view: the flag on the array itself would give numba a second type, and so a second compilation.
    view = array.view()
    view.flags.writeable = False
    return view
