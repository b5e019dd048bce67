"""What a picture of the guide shows, as arrays and words, apart from how it is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tuning.simulation.guide.rides import ROOM
from tuning.simulation.run import Run

__all__ = [
    "Curve",
    "Driven",
    "Label",
    "Panel",
    "Sheet",
    "Span",
    "errors",
    "since",
    "speeds",
    "steering",
    "usual_axes",
]

Array = NDArray[np.float64]
Role = Literal["first", "second", "third", "wanted", "broad"]


@dataclass(frozen=True)
class Label:
    """Words beside a curve: at `x` on it, or at `y` where given, moved by `right` and `up` (points)."""

    text: str
    x: float
    right: float = 0.0
    up: float = 0.0
    y: float | None = None


@dataclass(frozen=True)
class Curve:
    """One line; x and y of shape (n,).

    Attributes:
        role: first, second and third tell drives apart; wanted is dotted, broad lies pale beneath.
        stepped: whether a value holds until the next.
        dots: whether single points are drawn in place of a line.
    """

    x: Array
    y: Array
    role: Role = "first"
    label: Label | None = None
    stepped: bool = False
    dots: bool = False


@dataclass(frozen=True)
class Panel:
    """One pair of axes.

    Attributes:
        quantity: with its unit.
        room: lateral error either way at which the body reaches the lane's edge, m, None for no lane.
        margin: free above and below what is drawn, over its height.
    """

    quantity: str
    curves: tuple[Curve, ...]
    room: float | None = None
    margin: float = 0.12


@dataclass(frozen=True)
class Span:
    """A stretch of the x axis in which an event goes on; `end` may lie beyond the picture."""

    text: str
    start: float
    end: float


@dataclass(frozen=True)
class Sheet:
    """A picture: its message, its axes over one common x axis, and what goes on when.

    Attributes:
        name: of its file, without suffix.
        message: the title, one or two lines.
        x: quantity and unit. limits: of the x axis.
        figures: what the drives gave, by name; words in `message` come from here.
        runs: the drives, in the order of the guide's scripts.
    """

    name: str
    message: str
    x: str
    limits: tuple[float, float]
    panels: tuple[Panel, ...]
    spans: tuple[Span, ...]
    figures: Mapping[str, float]
    runs: tuple[Run, ...] = ()


def since(run: Run, begin: float) -> Array:
    """Give the time of a run's samples since `begin` [s], shape (n,)."""
    return run.time - begin


def speeds(curves: tuple[Curve, ...]) -> Panel:
    """Give the axes of speed."""
    return Panel("speed, m/s", curves)


def errors(curves: tuple[Curve, ...]) -> Panel:
    """Give the axes of lateral error, with the room that the lane leaves."""
    return Panel("lateral error, m\n(+ left)", curves, ROOM)


def steering(curves: tuple[Curve, ...]) -> Panel:
    """Give the axes of the road-wheel angle; curves in degrees."""
    return Panel("road-wheel angle,\n° (+ left)", curves)


@dataclass(frozen=True)
class Driven:
    """A drive on the three usual axes: its x values, its role, and its label on each of them."""

    x: Array
    run: Run
    role: Role
    speed: Label
    error: Label
    steering: Label


def usual_axes(*drives: Driven) -> tuple[Panel, Panel, Panel]:
    """Give the axes of speed, lateral error and road-wheel angle for drives, each drawn above those before it."""
    return (
        speeds(tuple(Curve(d.x, d.run.speed, d.role, d.speed) for d in drives)),
        errors(tuple(Curve(d.x, d.run.lateral_error, d.role, d.error) for d in drives)),
        steering(tuple(Curve(d.x, np.degrees(d.run.road_wheel_angle), d.role, d.steering) for d in drives)),
    )
