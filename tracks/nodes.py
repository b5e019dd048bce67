"""Nodes of a path: the integration of one cell, closure, consistency, and the arrays for compiled code."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tracks.geometry import PathArrays

__all__ = ["Nodes", "assemble", "cell_steps", "check_nodes", "close"]

# m and rad, relative to the length in m: far above rounding, far below what a survey can tell.
_CLOSURE = 1e-6
_CELL_GAP = 0.01  # m per m and rad: what nodes of a file may differ from the clothoid through each cell
_MOST_BUCKETS_PER_CELL = 8  # bounds the memory of the look-up where one cell is much shorter than the rest
_FINE_SAMPLES, _FINE_WEIGHTS = np.polynomial.legendre.leggauss(8)
_SAMPLES = 0.5 * (_FINE_SAMPLES + 1.0)  # Gauss-Legendre on [0, 1]
_WEIGHTS = 0.5 * _FINE_WEIGHTS


class Nodes(NamedTuple):
    """The nodes of a path: s, x, y [m], heading [rad, not wrapped] (n + 1,); curvatures of each cell's ends (n,)."""

    s: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    heading: NDArray[np.float64]
    curvature_start: NDArray[np.float64]
    curvature_end: NDArray[np.float64]


def cell_steps(
    heading: NDArray[np.float64],
    length: NDArray[np.float64],
    curvature_start: NDArray[np.float64],
    curvature_end: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give (Δx, Δy) [m] over cells of linear curvature; all arguments have shape (n,), heading at the cell's start.

    Gauss-Legendre with 8 points: its error is below rounding, since a cell turns by 1/40 rad at most.
    """
    u = _SAMPLES[:, None]
    bend = curvature_start * u + 0.5 * (curvature_end - curvature_start) * u * u
    theta = heading + length * bend
    return length * (_WEIGHTS @ np.cos(theta)), length * (_WEIGHTS @ np.sin(theta))


def assemble(nodes: Nodes, closed: bool) -> PathArrays:
    """Give the arrays for compiled code, with buckets that find the cell of an arc length in a few steps."""
    s, x, y, heading, curvature_start, curvature_end = (np.ascontiguousarray(a, np.float64) for a in nodes)
    length = float(s[-1])
    shortest = float(np.min(np.diff(s)))
    bucket = max(shortest, length / (_MOST_BUCKETS_PER_CELL * (s.size - 1)))
    starts = np.arange(int(np.floor(length / bucket)) + 1) * bucket
    cells = np.clip(np.searchsorted(s, starts, side="right") - 1, 0, s.size - 2).astype(np.int64)
    return PathArrays(
        s, x, y, heading, np.cos(heading), np.sin(heading), curvature_start, curvature_end,
        cells, float(bucket), length, 1.0 if closed else 0.0,
    )  # fmt: skip


def close(nodes: Nodes) -> Nodes:
    """Make the last node the first one (heading: plus whole turns), or raise `InputError` if it is elsewhere."""
    s, x, y, heading, curvature_start, curvature_end = nodes
    turn = 2.0 * np.pi * np.round((heading[-1] - heading[0]) / (2.0 * np.pi))
    gap = float(np.hypot(x[-1] - x[0], y[-1] - y[0]))
    kink = float(heading[-1] - heading[0] - turn)
    if gap > _CLOSURE * s[-1] or abs(kink) > _CLOSURE * max(1.0, s[-1]):
        raise InputError(
            f"the closed path ends {gap:.3g} m and {np.degrees(kink):.3g}° off its start",
            "an end at the start",
            "change a segment, or make it an open path",
        )
    # The residue is rounding (or that of a file's decimals); spread over the lap it is no kink anywhere.
    share = s / s[-1]
    return Nodes(
        s,
        np.append((x - share * (x[-1] - x[0]))[:-1], x[0]),
        np.append((y - share * (y[-1] - y[0]))[:-1], y[0]),
        np.append((heading - share * kink)[:-1], heading[0] + turn),
        curvature_start,
        curvature_end,
    )


def check_nodes(nodes: Nodes) -> None:
    """Raise `InputError` unless s rises from 0 and every cell's nodes fit its heading and curvature."""
    s, x, y, heading, curvature_start, curvature_end = nodes
    if s.size < 2:
        raise InputError(f"the path has {s.size} node", "two nodes or more", "add nodes")
    cell = np.diff(s)
    if s[0] != 0.0:
        raise InputError(f"s starts at {s[0]:g} m", "s from 0", "subtract the first value from s")
    if np.any(cell <= 0.0):
        i = int(np.argmax(cell <= 0.0)) + 1
        raise InputError(f"s[{i}] is {s[i]:g} m after {s[i - 1]:g} m", "s that rises", "remove this node")
    dx, dy = cell_steps(heading[:-1], cell, curvature_start, curvature_end)
    gap = np.hypot(np.diff(x) - dx, np.diff(y) - dy) / cell
    kink = np.abs(np.diff(heading) - 0.5 * cell * (curvature_start + curvature_end))
    wrong = (gap > _CELL_GAP) | (kink > _CELL_GAP)
    if np.any(wrong):
        i = int(np.argmax(wrong))
        raise InputError(
            f"nodes {i} and {i + 1} (s = {s[i]:g} m) do not fit heading and curvature there",
            "x, y, heading and curvature of one and the same path",
            "drop the columns s, heading and curvature so that they are computed from x and y",
        )
