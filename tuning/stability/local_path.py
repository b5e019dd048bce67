"""A path of constant curvature in closed form, for tracing what tracker and laws do on it.

The path passes the origin along the x axis at s = 0. On such a path every place is like every other, so errors
against it obey equations that do not change with time. It stands in for `evaluate`, `nearest`, `project` and
`heading_at`, whose search over cells is no smooth function; on the same path they give the same to rounding.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from tracker.laws.mpc_preview import heading_at
from tracks.geometry import PathPoint, evaluate, nearest, project

__all__ = ["LocalPath", "on_local_path"]

# 1/m, below which a path is straight: at 100 m the difference is 5e-9 m.
_STRAIGHT = 1e-12


class LocalPath(NamedTuple):
    """A path through the origin along x; `curvature` in 1/m, + left, a number or a CasADi symbol."""

    curvature: Any


def on_local_path() -> dict[Any, Any]:
    """Give what stands in for the equations of a path, for `traced(..., instead=...)`."""
    return {evaluate: _evaluate, nearest: _nearest, project: _project, heading_at: _heading_at}


def _evaluate(path: LocalPath, s: Any) -> PathPoint:
    import casadi

    k, straight, divisor = _split(path.curvature)
    turn = k * s
    x = casadi.if_else(straight, s, casadi.sin(turn) / divisor)
    y = casadi.if_else(straight, 0.5 * k * s * s, (1.0 - casadi.cos(turn)) / divisor)
    return PathPoint(x, y, turn, k, casadi.cos(turn), casadi.sin(turn))


def _heading_at(path: LocalPath, s: Any) -> Any:
    return path.curvature * s


def _nearest(path: LocalPath, x: Any, y: Any, near: Any) -> tuple[Any, Any, PathPoint]:
    """1 − κ e is the distance from the centre over the radius; s is the angle there times the radius.

    Seen from the point at `near`, so that the angle is the one within half a turn of it.
    """
    import casadi

    k, straight, divisor = _split(path.curvature)
    start = _evaluate(path, near)
    dx, dy = x - start.x, y - start.y
    along = dx * start.tangent_x + dy * start.tangent_y
    across = dy * start.tangent_x - dx * start.tangent_y
    share = casadi.sqrt((k * along) ** 2 + (1.0 - k * across) ** 2)
    offset = (2.0 * across - k * (along * along + across * across)) / (1.0 + share)
    turned = casadi.atan2(k * along, 1.0 - k * across) / divisor
    s = near + casadi.if_else(straight, along, turned)
    return s, offset, _evaluate(path, s)


def _project(path: LocalPath, x: Any, y: Any, near: Any) -> tuple[Any, Any]:
    s, offset, _ = _nearest(path, x, y, near)
    return s, offset


def _split(curvature: Any) -> tuple[Any, Any, Any]:
    """Give the curvature, whether it is none, and what may be divided by in either case."""
    import casadi

    k = casadi.SX(curvature)
    straight = casadi.fabs(k) < _STRAIGHT
    return k, straight, casadi.if_else(straight, 1.0, k)
