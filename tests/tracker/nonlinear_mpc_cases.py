"""Vehicles, views and an independent statement of the nonlinear programme, which the tests of the nonlinear law share."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import casadi
import numpy as np
from numpy.typing import NDArray
from views import view_beside

import tracker
import tracks
import tuning
from tracker.laws.base import View
from tracker.laws.nonlinear_mpc import NonlinearMPC
from tracker.laws.nonlinear_mpc_model import path_rates
from tracker.laws.nonlinear_mpc_runner import NonlinearMPCRunner
from tracker.laws.nonlinear_mpc_values import (
    crossing_weight,
    input_weight,
    rate_limit,
    rate_weight,
)
from tracker.prediction import rear_slip
from tracks.geometry import evaluate, project
from tracks.one_source import plain, traced, wrap_angle

PERIOD = 0.02

# The example car of R. Rajamani, Vehicle Dynamics and Control, ch. 2 and 3, as published; its steering is invented.
CAR = tuning.Vehicle.model_validate(
    {
        "body": {
            "wheelbase": 2.68, "mass": 1573.0, "yaw_inertia": 2873.0, "front_axle_distance": 1.1, "width": 1.8,
        },
        "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
        "steering": {"dead_time": 0.1, "lag": 0.1, "rate_limit": 0.8},
        "drive": {},
    }
)  # fmt: skip
WITH_TYRES = CAR.response
WITHOUT = tracker.Response(wheelbase=2.8, lag=0.15, width=2.1)


def limits(response: tracker.Response, lateral_acceleration: float = 3.0, **others: Any):
    """Give an envelope's values for a vehicle."""
    return tracker.Envelope(lateral_acceleration=lateral_acceleration, **others).values(response)


def runner_of(
    track: tracks.Track, response: tracker.Response, lateral_acceleration: float = 3.0, others: Any = None,
    **settings: Any,
) -> NonlinearMPCRunner:  # fmt: skip
    """Start the law on a track."""
    envelope = limits(response, lateral_acceleration, **(others or {}))
    return NonlinearMPC(**settings).start(response, envelope, track, PERIOD, 1.0)


def steady_view(
    track: tracks.Track, response: tracker.Response, s: float, speed: float, **others: Any
) -> View:
    """Give the view of a vehicle in the steady turn of the path's curvature at s [m], as the tracker would."""
    curvature = float(evaluate(track.path.arrays, s).curvature)
    slip = float(rear_slip(response.values, speed, curvature))
    view = view_beside(
        track.path.arrays, s, speed, others.pop("error", 0.0), others.pop("heading_error", 0.0)
    )
    return view._replace(slip=slip, rear_velocity=-speed * slip, yaw_rate=speed * curvature, **others)


class Drive(NamedTuple):
    """What was driven, each (steps,): lateral and heading error, m and rad, and the curvature asked for, 1/m."""

    lateral_error: NDArray[np.float64]
    heading_error: NDArray[np.float64]
    asked: NDArray[np.float64]


def drive(
    runner: NonlinearMPCRunner, track: tracks.Track, seconds: float, speed: float, offset: float = 0.0,
    heading: float = 0.0,
) -> Drive:  # fmt: skip
    """Drive `WITHOUT` at constant speed from the path's start: kinematic, with the lag of its steering.

    Between two commands the pose is integrated in 10 midpoint steps, the lag exactly.
    """
    path = track.path.arrays
    start = evaluate(path, 0.0)
    x, y = start.x - offset * start.tangent_y, start.y + offset * start.tangent_x
    heading, s, dt = start.heading + heading, 0.0, PERIOD / 10
    rows, curvature, asked, left = [], 0.0, 0.0, math.exp(-dt / WITHOUT.lag)
    for k in range(round(seconds / PERIOD)):
        s, error = project(path, x, y, s)
        turned = float(wrap_angle(heading - evaluate(path, s).heading))
        view = view_beside(path, s, speed, error, turned, curvature, asked=asked, time=k * PERIOD)
        asked = runner.curvature(view)
        rows.append((error, turned, asked))
        for _ in range(10):
            following = asked + (curvature - asked) * left
            mean = asked + (curvature - asked) * WITHOUT.lag / dt * (1.0 - left)
            middle = heading + 0.5 * dt * speed * mean
            x, y = x + dt * speed * math.cos(middle), y + dt * speed * math.sin(middle)
            heading, curvature = heading + dt * speed * mean, following
    return Drive(*np.array(rows).T)


def programme_by_ipopt(runner: NonlinearMPCRunner) -> tuple[NDArray[np.float64], ...]:
    """Solve the programme that a runner has prepared, stated anew, with IPOPT: states (n + 1, 9), asked, jerks (n,).

    The cost and the limits as the module docstrings define them, over all states and inputs; the steps by a Runge-Kutta
    method of its own, written in CasADi, of as many substeps.
    """
    values, work = runner._values, runner._work
    n = work.spans.size
    count = work.gradient.size
    tyres = int(values.body.stiffness_front > 0.0)
    start = runner._next.nodes.copy()
    x, free = casadi.SX.sym("x", 9, n + 1), casadi.SX.sym("y", count)
    rates, jerks = ([free[int(j)] for j in work.block[:, c]] for c in (0, 1))
    slack = casadi.SX.sym("s", n)
    equal, low, high, bounded = [x[:, 0] - start[0]], [], [], []
    cost: Any = 0.0
    for k in range(n):
        h, v = float(work.spans[k]), float(work.speeds[k])
        asked = x[6, k] + work.changes[k] * rates[k]
        equal.append(x[:, k + 1] - _step(runner, tyres, x[:, k], asked, jerks[k], k))
        node = x[:, k + 1]
        across = traced(path_rates)(tyres, values.body, *(node[i] for i in (1, 2, 3, 4, 5, 7)), 0.0)[1]
        after = float(work.speeds[k + 1])
        cost += h * (
            values.lateral_weight * node[1] ** 2
            + plain(crossing_weight)(values, after) * across**2
            + values.speed_weight * (node[7] - work.planned[k + 1, 0]) ** 2
            + values.thrust_weight * (node[8] - work.planned[k + 1, 1]) ** 2
            + plain(input_weight)(values, v) * (asked - work.steady[k]) ** 2
            + values.push_weight * jerks[k] ** 2
        )
        cost += work.changes[k] * plain(rate_weight)(values, v) * rates[k] ** 2
        quick = float(plain(rate_limit)(values, v))
        for what, least, most in (
            (rates[k], -quick, quick), (jerks[k], -values.jerk, values.jerk),
            (node[8], -values.deceleration, values.acceleration),
        ):  # fmt: skip
            bounded.append(what), low.append(least), high.append(most)
        if v * v * values.curvature > values.lateral_acceleration:
            most = values.lateral_acceleration
            bounded.append(asked * x[7, k] ** 2)
        else:
            most = values.curvature
            bounded.append(asked)
        low.append(-most), high.append(most)
        if runner._corridor and k > 0:
            cost += h * values.corridor_weight * slack[k] ** 2
            (
                bounded.append(node[1] + slack[k]),
                low.append(work.edges[k + 1, 0]),
                high.append(work.edges[k + 1, 1]),
            )
        else:
            cost += slack[k] ** 2
    z = x[1:7, n] - work.end
    push = x[7:9, n] - work.planned[n]
    cost += casadi.bilin(casadi.DM(work.terminal), z, z) + casadi.bilin(casadi.DM(work.push), push, push)
    unknown = casadi.vertcat(casadi.vec(x), free, slack)
    fixed = casadi.vertcat(*equal)
    problem = {"x": unknown, "f": 0.5 * cost, "g": casadi.vertcat(fixed, *bounded)}
    options = {"print_time": False, "ipopt": {"print_level": 0, "tol": 1e-11, "sb": "yes"}}
    guess = np.concatenate([start.ravel(), np.zeros(count + n)])
    zeros = np.zeros(fixed.numel())
    solver = casadi.nlpsol("solver", "ipopt", problem, options)
    found = solver(x0=guess, lbg=np.concatenate([zeros, low]), ubg=np.concatenate([zeros, high]))
    assert solver.stats()["success"]
    best = np.asarray(found["x"].full(), dtype=float).ravel()
    states = best[: 9 * (n + 1)].reshape(n + 1, 9)
    return states, states[1:, 6].copy(), best[9 * (n + 1) :][work.block[:, 1]]


def _step(runner: NonlinearMPCRunner, tyres: int, x: Any, asked: Any, jerk: Any, k: int) -> Any:
    """One step of the model by Runge-Kutta in CasADi, written out independently of the law's integrator."""
    values, work = runner._values, runner._work
    rates, h = traced(path_rates), float(work.spans[k]) / runner.substeps
    mean, slope, middle = (float(b) for b in work.bends[k])

    def moving(y: Any, time: float) -> Any:
        steered = asked + (x[5] - asked) * np.exp(-time / values.lag)
        speed = x[7] + time * x[8] + 0.5 * time**2 * jerk
        bend = mean + slope * (y[0] - middle)
        return casadi.vertcat(*rates(tyres, values.body, y[1], y[2], y[3], y[4], steered, speed, bend))

    y = x[:5]
    for i in range(runner.substeps):
        t = i * h
        a = moving(y, t)
        b = moving(y + 0.5 * h * a, t + 0.5 * h)
        c = moving(y + 0.5 * h * b, t + 0.5 * h)
        d = moving(y + h * c, t + h)
        y = y + h / 6.0 * (a + 2.0 * b + 2.0 * c + d)
    span = float(work.spans[k])
    return casadi.vertcat(
        y, asked + (x[5] - asked) * np.exp(-span / values.lag), asked,
        x[7] + span * x[8] + 0.5 * span**2 * jerk, x[8] + span * jerk,
    )  # fmt: skip


__all__ = [
    "CAR", "PERIOD", "WITHOUT", "WITH_TYRES", "Drive", "drive", "limits", "programme_by_ipopt", "runner_of", "steady_view",
]  # fmt: skip
