"""Segments of a path (straight, arc, clothoid) and their exact integration to nodes.

Notation, as in the formulas below: s arc length m, θ heading rad, κ curvature 1/m (+ left). In a segment of length ℓ
κ(s) = κ₀ + (κ₁ − κ₀) s/ℓ, so θ(s) = θ₀ + κ₀ s + (κ₁ − κ₀) s²/(2ℓ) in closed form, and
x(s) = x₀ + ∫ cos θ ds, y(s) = y₀ + ∫ sin θ ds (Fresnel integrals when κ₁ ≠ κ₀).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tracks.nodes import Nodes, cell_steps
from tracks.validation import check_finite, check_positive

__all__ = ["LONGEST_CELL", "Arc", "Clothoid", "Segment", "Straight", "cell_length", "integrate"]

LONGEST_CELL = 0.25
"""Default length of a cell, m: a shuttle at 7 m/s passes two in a control period of 0.07 s."""

_CELLS_PER_RADIUS = 40  # the Hermite interpolation of `evaluate` is then exact to 1e-12 of the radius
_MOST_CELLS = 2_000_000  # some 200 MB; more can only come from a mistaken curvature or spacing


@dataclass(frozen=True, slots=True)
class Straight:
    """A straight of `length` m."""

    length: float

    def __post_init__(self) -> None:
        check_positive("the length of a straight", self.length, "m")

    @property
    def curvature_start(self) -> float:
        """0, 1/m."""
        return 0.0

    @property
    def curvature_end(self) -> float:
        """0, 1/m."""
        return 0.0


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular arc of `length` m and constant `curvature` 1/m (+ left)."""

    length: float
    curvature: float

    def __post_init__(self) -> None:
        check_positive("the length of an arc", self.length, "m")
        check_finite("the curvature of an arc", self.curvature, "1/m")

    @property
    def curvature_start(self) -> float:
        """The curvature, 1/m."""
        return self.curvature

    @property
    def curvature_end(self) -> float:
        """The curvature, 1/m."""
        return self.curvature


@dataclass(frozen=True, slots=True)
class Clothoid:
    """A clothoid of `length` m whose curvature goes linearly from `curvature_start` to `curvature_end`, 1/m."""

    length: float
    curvature_start: float
    curvature_end: float

    def __post_init__(self) -> None:
        check_positive("the length of a clothoid", self.length, "m")
        check_finite("the start curvature of a clothoid", self.curvature_start, "1/m")
        check_finite("the end curvature of a clothoid", self.curvature_end, "1/m")


Segment = Straight | Arc | Clothoid


def cell_length(largest_curvature: float, longest: float = LONGEST_CELL) -> float:
    """Give the length of cells, m: `longest`, or a fortieth of the tightest radius where that is shorter."""
    return min(longest, 1.0 / (_CELLS_PER_RADIUS * max(abs(largest_curvature), 1e-12)))


def integrate(
    segments: Iterable[Segment],
    start: tuple[float, float, float] = (0.0, 0.0, 0.0),
    spacing: float | None = None,
) -> Nodes:
    """Lay segments end to end and give the nodes, exact to rounding; every segment's end is a node.

    Args:
        segments: the segments in driving order; curvature may jump between them.
        start: x [m], y [m], heading [rad] of the first node.
        spacing: longest cell, m (default 0.25); cells are also at most a fortieth of the tightest radius.

    Raises:
        InputError: no segments, something else than segments, or more than two million cells.
    """
    pieces = list(segments)
    for piece in pieces:
        if not isinstance(piece, (Straight, Arc, Clothoid)):
            raise InputError(
                f"{piece!r} is not a segment", "Straight, Arc or Clothoid", "build the path of these"
            )
    if not pieces:
        raise InputError("the list of segments is empty", "one segment or more", "add a segment")
    x0, y0, heading0 = (check_finite(n, v) for n, v in zip(("x", "y", "heading"), start, strict=True))
    lengths = np.array([piece.length for piece in pieces], dtype=np.float64)
    first = np.array([piece.curvature_start for piece in pieces], dtype=np.float64)
    last = np.array([piece.curvature_end for piece in pieces], dtype=np.float64)
    tightest = float(np.max(np.abs([first, last])))
    longest = cell_length(
        tightest, LONGEST_CELL if spacing is None else check_positive("spacing", spacing, "m")
    )
    if np.sum(lengths) / longest > _MOST_CELLS:
        raise InputError(
            f"the path needs {np.sum(lengths) / longest:.3g} cells of {longest:.3g} m",
            f"at most {_MOST_CELLS}",
            "check the largest curvature and the spacing",
        )

    # A tiny allowance keeps 30 m / 0.25 m at 120 cells in spite of rounding.
    counts = np.maximum(np.ceil(lengths / longest - 1e-9), 1).astype(np.int64)
    piece_of_cell = np.repeat(np.arange(len(pieces)), counts)
    first_cell = np.concatenate([[0], np.cumsum(counts)])
    index = np.arange(first_cell[-1]) - first_cell[piece_of_cell]
    u0, u1 = index / counts[piece_of_cell], (index + 1) / counts[piece_of_cell]

    def inside(values_first: NDArray[np.float64], values_last: NDArray[np.float64], u: NDArray[np.float64]):
        return values_first[piece_of_cell] + (values_last - values_first)[piece_of_cell] * u

    bends = lengths * 0.5 * (first + last)
    s_piece = np.concatenate([[0.0], np.cumsum(lengths)])
    heading_piece = heading0 + np.concatenate([[0.0], np.cumsum(bends)])
    s = np.append(inside(s_piece[:-1], s_piece[1:], u0), s_piece[-1])
    turned = lengths[piece_of_cell] * (
        first[piece_of_cell] * u0 + 0.5 * (last - first)[piece_of_cell] * u0 * u0
    )
    heading = np.append(heading_piece[piece_of_cell] + turned, heading_piece[-1])
    curvature_start, curvature_end = inside(first, last, u0), inside(first, last, u1)
    dx, dy = cell_steps(heading[:-1], (lengths / counts)[piece_of_cell], curvature_start, curvature_end)
    x = np.concatenate([[x0], x0 + np.cumsum(dx)])
    y = np.concatenate([[y0], y0 + np.cumsum(dy)])
    return Nodes(s, x, y, heading, curvature_start, curvature_end)
