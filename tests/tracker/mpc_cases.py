"""Tracks, drives and programmes that the tests of the predictive law share."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

import tracks
from tracker.envelope import Envelope, EnvelopeValues
from tracker.laws.base import View
from tracker.laws.mpc import MPC, MPCRunner
from tracker.prediction import rear_slip
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


def tyred(**changes) -> Response:
    """Give a vehicle whose tyres are known: A5 of Rajamani's example car (second-hand), with a lag of the steering."""
    known = {
        "wheelbase": 2.68, "lag": 0.15, "width": 1.9, "mass": 1573.0, "yaw_inertia": 2873.0,
        "front_axle_distance": 1.1, "cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3,
    }  # fmt: skip
    known |= changes
    m, a, length = known["mass"], known["front_axle_distance"], known["wheelbase"]
    front, rear = known["cornering_stiffness_front"], known["cornering_stiffness_rear"]
    gradient = m * ((length - a) * rear - a * front) / (length * front * rear)
    return Response(understeer_gradient=gradient, **known)


def view_of(
    track: tracks.Track, s: float, speed: float, error: float = 0.0, heading_error: float = 0.0, asked: float = 0.0,
    response: Response = RESPONSE, **moves,
) -> View:  # fmt: skip
    """Give the view of a vehicle at s with errors [m, rad]; `moves` replace the steady turn along the path."""
    p = evaluate(track.path.arrays, s)
    slip = float(rear_slip(response.values, speed, p.curvature))
    steady = {
        "curvature": p.curvature, "yaw_rate": speed * p.curvature, "rear_velocity": -speed * slip,
        "steered": p.curvature,
    }  # fmt: skip
    steady |= moves
    return View(
        time=0.0, x=p.x - error * p.tangent_y, y=p.y + error * p.tangent_x, heading=p.heading + heading_error,
        speed=speed, s=s, lateral_error=error, heading_error=heading_error, path_curvature=p.curvature,
        ahead_curvature=p.curvature, slip=slip, steering_angle=0.0, asked=asked, turning=steady["curvature"],
        since=PERIOD, **steady,
    )  # fmt: skip


def on_path(
    track: tracks.Track, s: float, speed: float, error: float = 0.0, heading_error: float = 0.0, **moves
) -> View:
    """Give the view of a vehicle at s that drives the path's curvature and was asked for it, with errors [m, rad]."""
    asked = float(evaluate(track.path.arrays, s).curvature)
    return view_of(track, s, speed, error, heading_error, **{"asked": asked, **moves})


class Drive(NamedTuple):
    """What was driven, each (steps,).

    Time s, lateral and heading error (of the body), curvature driven and asked, path's, speed asked (NaN: none).
    """

    time: np.ndarray
    lateral_error: np.ndarray
    heading_error: np.ndarray
    driven: np.ndarray
    asked: np.ndarray
    path_curvature: np.ndarray
    speed: np.ndarray
    speed_asked: np.ndarray


class _Moves:
    """The vehicle of a test: steering with a first-order lag; nonlinear kinematics; tyres linear in the slip angle.

    Written out at the centre of gravity, unlike the law's model.
    """

    def __init__(self, response: Response, x: float, y: float, heading: float, curvature: float, v: float):
        self.r, self.x, self.y, self.heading, self.steered = response, x, y, heading, curvature
        slip = float(rear_slip(response.values, v, curvature))
        self.yaw_rate = v * curvature
        rear = response.wheelbase - (response.front_axle_distance or 0.0)
        self.sideways = -v * slip + rear * self.yaw_rate if response.mass else 0.0
        self.heading += slip

    def rates(self, state: np.ndarray, v: float, asked: float) -> np.ndarray:
        """Give the rates of (x, y, heading, steered, lateral velocity of the centre of gravity, yaw rate)."""
        r, (_, _, heading, steered, sideways, yaw_rate) = self.r, state
        follow = (asked - steered) / r.lag if r.lag else 0.0
        if not r.mass:
            turn = v * steered
            return np.array([v * math.cos(heading), v * math.sin(heading), turn, follow, 0.0, 0.0])
        a, b = r.front_axle_distance, r.wheelbase - r.front_axle_distance
        angle = math.atan(steered * (r.wheelbase + r.understeer_gradient * v * v))
        front = r.cornering_stiffness_front * (angle - math.atan((sideways + a * yaw_rate) / v))
        rear = -r.cornering_stiffness_rear * math.atan((sideways - b * yaw_rate) / v)
        w = sideways - b * yaw_rate
        return np.array([
            v * math.cos(heading) - w * math.sin(heading), v * math.sin(heading) + w * math.cos(heading), yaw_rate,
            follow, (front * math.cos(angle) + rear) / r.mass - v * yaw_rate,
            (a * front * math.cos(angle) - b * rear) / r.yaw_inertia,
        ])  # fmt: skip

    def advance(self, v: float, asked: float, span: float) -> None:
        """Drive `span` [s] in four steps of the classical Runge-Kutta method."""
        state = np.array([self.x, self.y, self.heading, self.steered, self.sideways, self.yaw_rate])
        if not self.r.lag:
            state[3] = asked
        h = span / 4
        for _ in range(4):
            k1 = self.rates(state, v, asked)
            k2 = self.rates(state + 0.5 * h * k1, v, asked)
            k3 = self.rates(state + 0.5 * h * k2, v, asked)
            k4 = self.rates(state + h * k3, v, asked)
            state = state + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        self.x, self.y, self.heading, self.steered, self.sideways, self.yaw_rate = state.tolist()
        if not self.r.mass:
            self.yaw_rate = v * self.steered


def drive(
    runner: MPCRunner, track: tracks.Track, seconds: float, speed: float | None = None,
    response: Response = RESPONSE, offset: float = 0.0, heading: float = 0.0, curvature: float = 0.0, each=None,
    limit: EnvelopeValues | None = None,
) -> Drive:  # fmt: skip
    """Drive a nonlinear model with a lag from the path's start; `each(view, runner)` sees every step.

    The speed is constant, or, with None, that which law and plan ask for, whichever is lower, reached at once.
    """
    path, factor = track.path.arrays, runner._values.speed_factor
    start = evaluate(path, 0.0)
    v = speed or factor * track.planned_speed(0.0)[0]
    vehicle = _Moves(
        response, start.x - offset * start.tangent_y, start.y + offset * start.tangent_x, start.heading + heading,
        curvature, v,
    )  # fmt: skip
    s, asked, rows = 0.0, curvature, []
    for k in range(round(seconds / PERIOD)):
        s, error = project(path, vehicle.x, vehicle.y, s)
        point = evaluate(path, s)
        slip = float(rear_slip(response.values, v, point.curvature))
        turned = wrap_angle(vehicle.heading - point.heading)
        rear = (response.wheelbase - response.front_axle_distance) if response.mass else 0.0
        driven = vehicle.yaw_rate / v
        view = View(
            time=k * PERIOD, x=vehicle.x, y=vehicle.y, heading=vehicle.heading - slip, speed=v, curvature=driven, s=s,
            lateral_error=error, heading_error=turned - slip, path_curvature=point.curvature,
            ahead_curvature=point.curvature, yaw_rate=vehicle.yaw_rate,
            rear_velocity=vehicle.sideways - rear * vehicle.yaw_rate, slip=slip, steering_angle=0.0,
            steered=vehicle.steered, asked=asked, turning=driven, since=PERIOD,
        )  # fmt: skip
        wanted = runner.curvature(view)
        asked = wanted if math.isfinite(wanted) else asked
        own = runner.speed[0] if runner.speed else math.nan
        rows.append((view.time, error, turned, driven, asked, point.curvature, v, own))
        if each is not None:
            each(view, runner)
        if speed is None:
            v = max(min(factor * track.planned_speed(s)[0], own if runner.speed else math.inf), 0.3)
        vehicle.advance(v, asked, PERIOD)
    return Drive(*np.array(rows).T)


def runner_of(
    track: tracks.Track, law: MPC | None = None, response: Response = RESPONSE, factor: float = 1.0,
    lateral_acceleration: float = 3.0,
) -> MPCRunner:  # fmt: skip
    """Start a law (default: `MPC()`) on a track at `factor` times its planned speed."""
    return (law or MPC()).start(response, limits(response, lateral_acceleration), track, PERIOD, factor)


class Programme(NamedTuple):
    """A copy of a quadratic programme, of what the runner gave for it, and of the multipliers."""

    hessian: np.ndarray
    gradient: np.ndarray
    rows: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    kinds: np.ndarray
    plan: np.ndarray
    multipliers: np.ndarray


def programmes(
    track: tracks.Track, seconds: float, speed: float | None, every: int, runner: MPCRunner | None = None,
    response: Response = RESPONSE, **start,
) -> list[Programme]:  # fmt: skip
    """Record every `every`-th programme of a drive."""
    runner, found, count = runner or runner_of(track, response=response), [], [0]

    def record(_view: View, runner: MPCRunner) -> None:
        if count[0] % every == 0 and runner._plan is not None:
            w = runner._work
            arrays = (w.hessian, w.gradient, w.rows, w.upper, w.lower, w.kinds, runner._plan,
                      runner._solver.info["lam"])  # fmt: skip
            found.append(Programme(*(np.array(a) for a in arrays)))
        count[0] += 1

    drive(runner, track, seconds, speed, response, each=record, **start)
    return found


def recorded_drives(every: int) -> list[Programme]:
    """Record programmes of closed-loop drives, with and without tyres, corridors and free speed, some at every limit.

    Double lane change, slalom and campus loop as the courses have them and with a corridor; bends too fast; far starts.
    """
    car = tyred()
    narrow = _beside(tracks.campus_loop(), 1.2)
    fixed = MPC(plans_speed=False)
    found = []
    for track, seconds, speed, response, law, start in (
        (bends(9.0), 8.0, 9.0, RESPONSE, MPC(), {"offset": 2.0}),
        (bends(13.0, corridor=1.5), 14.0, 13.0, car, fixed, {}),
        (bends(8.0, corridor=1.3), 8.0, 8.0, car, MPC(moves=30), {"offset": -0.5, "heading": 0.2}),
        (
            track_of(tracks.Straight(200.0), speed=3.0),
            6.0,
            3.0,
            RESPONSE,
            MPC(),
            {"offset": 4.0, "heading": 0.5},
        ),
        (tracks.double_lane_change(speed=20.0), 12.0, None, car, MPC(), {}),
        (_beside(tracks.slalom(), 1.3), 12.0, None, car, MPC(), {"offset": 0.4}),
        (narrow, 20.0, None, car, MPC(), {"offset": 1.0}),
    ):
        runner = runner_of(track, law, response)
        found += programmes(track, seconds, speed, every, runner, response, **start)
    return found


def _beside(track: tracks.Track, corridor: float) -> tracks.Track:
    """Give a track with a symmetric corridor [m]."""
    return tracks.Track(track.name, track.path, track.speed, tracks.Corridor.of_width(track.path, corridor))


class Failing:
    """A model of the solver that reports an infeasible programme, or NaN."""

    def __init__(self, flag: int, cost: float) -> None:
        self.flag, self.cost = flag, cost

    def update(self, *_problem) -> int:
        """Accept any programme."""
        return 0

    def solve(self):
        """Give an answer that must not be used."""
        return np.full(30, 9.9), self.cost, self.flag, {}
