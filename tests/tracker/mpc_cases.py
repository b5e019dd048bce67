"""Tracks, drives and programmes that the tests of the predictive law share."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from views import view_beside

import tracks
from tracker.envelope import Envelope, EnvelopeValues
from tracker.laws.base import View
from tracker.laws.mpc import MPC, MPCRunner
from tracker.response import Response
from tracks.geometry import evaluate, project
from tracks.one_source import wrap_angle

PERIOD = 0.02
RESPONSE = Response(wheelbase=2.8, lag=0.15, width=2.1)


def limits(response: Response = RESPONSE, lateral_acceleration: float = 3.0) -> EnvelopeValues:
    """Give an envelope's values for a vehicle."""
    return Envelope(lateral_acceleration=lateral_acceleration).values(response)


def track_of(*segments, speed=8.0, corridor: float | None = None, closed: bool = False) -> tracks.Track:
    """Give a track of constant speed from segments, with a symmetric corridor [m] or none."""
    path = tracks.Path.from_segments(segments, closed=closed)
    edges = None if corridor is None else tracks.Corridor.of_width(path, corridor)
    return tracks.Track("test", path, np.full(path.s.size, float(speed)), edges)


def bends(speed: float = 10.0, corridor: float | None = None) -> tracks.Track:
    """Give a straight, a bend of 50 m between clothoids, and one of 20 m without: its curvature jumps."""
    return track_of(
        tracks.Straight(60.0),
        tracks.Clothoid(20.0, 0.0, 1 / 50),
        tracks.Arc(60.0, 1 / 50),
        tracks.Clothoid(20.0, 1 / 50, 0.0),
        tracks.Straight(20.0),
        tracks.Arc(20.0, -1 / 20),
        tracks.Straight(60.0),
        speed=speed,
        corridor=corridor,
    )


def on_path(
    track: tracks.Track, s: float, speed: float, error: float = 0.0, heading_error: float = 0.0
) -> View:
    """Give the view of a vehicle at s that drives the path's curvature, with errors [m, rad]."""
    return view_beside(track.path.arrays, s, speed, error, heading_error)


class Drive(NamedTuple):
    """What was driven, each (steps,): time s, lateral and heading error, curvature driven and asked, path's."""

    time: np.ndarray
    lateral_error: np.ndarray
    heading_error: np.ndarray
    driven: np.ndarray
    asked: np.ndarray
    path_curvature: np.ndarray


def drive(
    runner: MPCRunner, track: tracks.Track, seconds: float, speed: float, response: Response = RESPONSE,
    offset: float = 0.0, heading: float = 0.0, curvature: float = 0.0, each=None,
) -> Drive:  # fmt: skip
    """Drive the nonlinear kinematic model with a lag from the path's start; `each(view, runner)` sees every step.

    Between two commands the pose is integrated in 10 midpoint steps, the lag exactly.
    """
    path = track.path.arrays
    start = evaluate(path, 0.0)
    x, y = start.x - offset * start.tangent_y, start.y + offset * start.tangent_x
    heading, s, dt, rows = start.heading + heading, 0.0, PERIOD / 10, []
    left = math.exp(-dt / response.lag) if response.lag else 0.0
    for k in range(round(seconds / PERIOD)):
        s, error = project(path, x, y, s)
        point = evaluate(path, s)
        turned = wrap_angle(heading - point.heading)
        view = view_beside(path, s, speed, error, turned, curvature)._replace(
            time=k * PERIOD, x=x, y=y, heading=heading
        )
        asked = runner.curvature(view)
        rows.append((view.time, error, turned, curvature, asked, point.curvature))
        if each is not None:
            each(view, runner)
        for _ in range(10):
            following = asked + (curvature - asked) * left
            mean = asked + (curvature - asked) * response.lag / dt * (1.0 - left)
            middle = heading + 0.5 * dt * speed * mean
            x, y = x + dt * speed * math.cos(middle), y + dt * speed * math.sin(middle)
            heading, curvature = heading + dt * speed * mean, following
    return Drive(*np.array(rows).T)


def runner_of(track: tracks.Track, law: MPC | None = None, response: Response = RESPONSE) -> MPCRunner:
    """Start a law (default: `MPC()`) on a track."""
    return (law or MPC()).start(response, limits(response), track, PERIOD, 1.0)


class Programme(NamedTuple):
    """A copy of a quadratic programme and of what the runner gave for it."""

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    plan: np.ndarray


def programmes(track: tracks.Track, seconds: float, speed: float, every: int, **start) -> list[Programme]:
    """Record every `every`-th programme of a drive."""
    runner, found, count = runner_of(track), [], [0]

    def record(_view: View, runner: MPCRunner) -> None:
        if count[0] % every == 0 and runner._plan is not None:
            work = runner._work
            found.append(
                Programme(*(np.array(a) for a in (work.hessian, work.gradient, work.rows, work.upper, work.lower,
                                                  work.kinds, runner._plan)))
            )  # fmt: skip
        count[0] += 1

    drive(runner, track, seconds, speed, each=record, **start)
    return found
