"""What the nonlinear predictive law starts a step from: the last plan carried forward, and what lies along it."""

from __future__ import annotations

import numpy as np

from tracker.laws.mpc_preview import heading_at
from tracker.laws.nonlinear_mpc_terminal import look_up
from tracker.laws.nonlinear_mpc_values import (
    ACCELERATION,
    ALONG,
    ASKED,
    HEADING,
    OFFSET,
    SPEED,
    STATES,
    STEERED,
    VELOCITY,
    YAW_RATE,
    NonlinearMpcValues,
    rate_limit,
)
from tracker.laws.nonlinear_mpc_work import Plan, Work
from tracker.motion.steady import steady_lateral
from tracks.geometry import evaluate
from tracks.one_source import clip, equation
from tracks.track import TrackArrays, corridor_at, planned_speed

__all__ = ["carry_forward", "look_ahead", "start_plan"]

_BLEND = 1.0  # s: with which a first guess goes to the path; a rule of thumb
# 1/m, beside the fastest way back: with none the programme's only solution is a point, which a solver takes for none.
_ROOM = 1e-6
_SHORTEST = 1e-3  # m: below this the mean curvature of a stretch is that at its start
# rad: an iterate may not point further across the path. Beyond, its linearisation would turn the vehicle round.
_FURTHEST = 1.2


@equation
def start_plan(
    values: NonlinearMpcValues, track: TrackArrays, work: Work, plan: Plan, s: float, now: np.ndarray
):
    """Write a first guess: at its speed, the vehicle comes to the path with a time constant."""
    nodes = plan.nodes
    for i in range(STATES):
        nodes[0, i] = now[i]
    nodes[0, ACCELERATION] = 0.0
    for k in range(work.spans.shape[0]):
        left, speed = np.exp(-work.spans[k] / _BLEND), nodes[0, SPEED]
        nodes[k + 1, ALONG] = nodes[k, ALONG] + speed * work.spans[k]
        bend = evaluate(track.path, s + nodes[k + 1, ALONG]).curvature
        asked = clip(bend, -values.curvature, values.curvature)
        turn = steady_lateral(values.body, speed, asked)
        nodes[k + 1, OFFSET] = nodes[k, OFFSET] * left
        nodes[k + 1, HEADING] = nodes[k, HEADING] * left + (1.0 - left) * turn.slip
        nodes[k + 1, VELOCITY], nodes[k + 1, YAW_RATE] = turn.lateral_velocity, turn.yaw_rate
        nodes[k + 1, STEERED] = nodes[k + 1, ASKED] = plan.asked[k] = asked
        nodes[k + 1, SPEED], nodes[k + 1, ACCELERATION], plan.jerks[k] = speed, 0.0, 0.0
        if values.body.stiffness_front == 0.0:
            nodes[k + 1, VELOCITY], nodes[k + 1, YAW_RATE] = 0.0, 0.0


@equation
def _of_plan(work: Work, plan: Plan, time, i):
    """Give state i of a plan at a time [s] after its start; past the end it stays, but for the arc length."""
    times, nodes, n = work.times, plan.nodes, work.spans.shape[0]
    if time >= times[n]:
        return nodes[n, i] + ((time - times[n]) * nodes[n, SPEED] if i == ALONG else 0.0)
    k = 0 if time < times[1] else min(int((time - times[1]) / work.spans[n - 1]) + 1, n - 1)
    return nodes[k, i] + (nodes[k + 1, i] - nodes[k, i]) * clip((time - times[k]) / work.spans[k], 0.0, 1.0)


@equation
def _block_jerk(values: NonlinearMpcValues, work: Work, last: Plan, elapsed, first, acceleration):
    """Give the jerk [m/s³] of the block of steps that begins with step `first`: the last plan's at its middle.

    One for all its steps, as the programme has it, and less where it would lead beyond the limits of acceleration.
    """
    end, n = first, work.spans.shape[0]
    while end < n and work.block[end, 1] == work.block[first, 1]:
        end += 1
    time = work.times[end] - work.times[first]
    middle = elapsed + work.times[first] + 0.5 * time
    at = 0 if middle < work.times[1] else min(int((middle - work.times[1]) / values.step) + 1, n)
    jerk = last.jerks[at] if at < n else 0.0
    return (clip(acceleration + time * jerk, -values.deceleration, values.acceleration) - acceleration) / time


@equation
def carry_forward(
    values: NonlinearMpcValues, work: Work, last: Plan, plan: Plan, elapsed: float, now: np.ndarray
):  # fmt: skip
    """Write the last plan, `elapsed` [s] later and from the state now, as the point to linearise about.

    What moves the vehicle sideways is read off the last plan; speed and acceleration are rolled out anew from the
    measured speed, under the last jerks as far as the limits allow, so that the programme has a solution near them.
    """
    nodes, n = plan.nodes, work.spans.shape[0]
    for i in range(STATES):
        nodes[0, i] = now[i]
    begin, jerk = _of_plan(work, last, elapsed, ALONG), 0.0
    for k in range(n):
        h, middle = work.spans[k], elapsed + work.times[k] + 0.5 * work.spans[k]
        if k == 0 or work.block[k, 1] != work.block[k - 1, 1]:
            jerk = _block_jerk(values, work, last, elapsed, k, nodes[k, ACCELERATION])
        plan.jerks[k] = jerk
        nodes[k + 1, ACCELERATION] = nodes[k, ACCELERATION] + h * jerk
        speed = nodes[k, SPEED] + h * (nodes[k, ACCELERATION] + 0.5 * h * jerk)
        nodes[k + 1, SPEED] = np.maximum(speed, values.creep)
        for i in range(ALONG, ACCELERATION):
            if i != SPEED:
                nodes[k + 1, i] = _of_plan(work, last, elapsed + work.times[k + 1], i)
        nodes[k + 1, ALONG] -= begin
        nodes[k + 1, HEADING] = clip(nodes[k + 1, HEADING], -_FURTHEST, _FURTHEST)
        # The input between the middles of two steps keeps the limit on rate.
        at, before_asked = middle, last.asked[n - 1]
        first = 0.5 * work.spans[0]
        if at <= first:
            before_asked = last.asked[0]
        elif n > 1 and at < work.times[n] - 0.5 * work.spans[n - 1]:
            second = work.times[1] + 0.5 * values.step
            if at < second:
                share = (at - first) / (second - first)
                before_asked = last.asked[0] + share * (last.asked[1] - last.asked[0])
            else:
                j = min(int((at - second) / values.step) + 1, n - 2)
                share = clip((at - second) / values.step - (j - 1), 0.0, 1.0)
                before_asked = last.asked[j] + share * (last.asked[j + 1] - last.asked[j])
        plan.asked[k] = before_asked
        nodes[k + 1, ASKED] = before_asked


@equation
def look_ahead(values: NonlinearMpcValues, track: TrackArrays, work: Work, plan: Plan, s: float):
    """Write what lies along a plan that starts at arc length s [m]: the parameters of the problem."""
    path, nodes, n = track.path, plan.nodes, work.spans.shape[0]
    here, heading = evaluate(path, s), heading_at(path, s)
    bend = here.curvature
    for k in range(n + 1):
        at = s + nodes[k, ALONG]
        work.speeds[k] = np.maximum(nodes[k, SPEED], values.creep)
        speed, acceleration = planned_speed(track, at)
        work.planned[k, 0] = np.maximum(values.speed_factor * speed, values.creep)
        work.planned[k, 1] = values.speed_factor * values.speed_factor * acceleration
        left, right = corridor_at(track, at)
        work.edges[k, 0], work.edges[k, 1] = values.half_width - right, left - values.half_width
        if k == n:
            break
        after = nodes[k + 1, ALONG]
        distance = after - nodes[k, ALONG]
        following, turned = evaluate(path, s + after).curvature, heading_at(path, s + after)
        mean, slope = bend, 0.0
        if distance > _SHORTEST:
            mean, slope = (turned - heading) / distance, (following - bend) / distance
        work.bends[k, 0], work.bends[k, 1], work.bends[k, 2] = mean, slope, nodes[k, ALONG] + 0.5 * distance
        work.steady[k] = _asked_in(values, work.speeds[k], mean)
        bend, heading = following, turned
    turn_back(values, work, np.abs(nodes[0, ASKED]))
    look_up(work.table, values, float(work.speeds[n]), work.terminal)
    last = work.bends[n - 1, 0]
    turn = steady_lateral(values.body, work.speeds[n], last)
    work.end[0], work.end[1], work.end[2], work.end[3] = 0.0, turn.slip, turn.lateral_velocity, turn.yaw_rate
    work.end[4] = work.end[5] = _asked_in(values, work.speeds[n], last)
    if values.body.stiffness_front == 0.0:
        work.end[2] = work.end[3] = 0.0


@equation
def turn_back(values: NonlinearMpcValues, work: Work, asked) -> None:
    """Fill how much of |u| [1/m] is left at each step when it goes to 0 as fast as the blocks of steps allow."""
    n, k = work.spans.shape[0], 0
    while k < n:
        end, time, rate = k, 0.0, values.curvature_rate
        while end < n and work.block[end, 0] == work.block[k, 0]:
            time += work.changes[end]
            rate = np.minimum(rate, rate_limit(values, work.speeds[end]))
            end += 1
        rate = np.minimum(rate, asked / time)
        while k < end:
            asked = np.maximum(asked - rate * work.changes[k], 0.0)
            work.back[k] = asked + _ROOM
            k += 1


@equation
def _asked_in(values: NonlinearMpcValues, speed, bend):
    """Give the curvature to ask for, so that the vehicle drives a curvature in a steady turn, 1/m."""
    length = values.body.wheelbase + values.body.understeer_gradient * speed * speed
    return np.tan(steady_lateral(values.body, speed, bend).angle) / length
