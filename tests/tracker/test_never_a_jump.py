"""Whatever a vehicle may report, no law makes the command jump: random sequences of faults, seeded.

What is held is the envelope as its fields are described, reckoned here from what was measured and sent alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

import tracker
import tracks
from tracker import StopReason

LENGTH = 3.0  # m, wheelbase
TIMID = tracker.Envelope(lateral_jerk=4.0)
BRISK = tracker.Envelope(curvature_rate=0.2, lateral_acceleration=4.0, deceleration=3.0)
ROLLS = tracker.Response(wheelbase=LENGTH, dead_time=0.12, lag=0.1, brake_dead_time=0.1, drive_lag=0.3)
# Neutral (a C_f = b C_r), so that the command is the path curvature asked for.
SLIDES = tracker.Response(
    wheelbase=LENGTH, dead_time=0.08, lag=0.1, mass=2000.0, front_axle_distance=1.5,
    cornering_stiffness_front=90e3, cornering_stiffness_rear=90e3,
)  # fmt: skip
STEPS = 300
FIELDS = ("time", "x", "y", "heading", "speed", "yaw_rate", "steering_angle", "pose_age")
QUICKEST = 20.0  # m/s²: no speed that is further from the last one is believed; common practice, no source
LONGEST = 0.1  # s: a longer time between two commands lets them differ by no more


def winding(reverse: bool = False, speed: float = 8.0) -> tracks.Track:
    """An open path of straights and bends both ways, with the stop at its end in the plan."""
    pieces = [tracks.Straight(20.0), tracks.Clothoid(10.0, 0.0, 0.05), tracks.Arc(20.0, 0.05),
              tracks.Clothoid(15.0, 0.05, -0.04), tracks.Arc(20.0, -0.04), tracks.Straight(15.0)]  # fmt: skip
    path = tracks.Path.from_segments(pieces)
    return tracks.Track("winding", path, np.full(path.s.shape, speed), reverse=reverse)


def short() -> tracks.Track:
    """A path of 2 m, shorter than any lookahead or horizon."""
    path = tracks.Path.from_segments([tracks.Straight(2.0)])
    return tracks.Track("short", path, np.full(path.s.shape, 3.0))


def ring() -> tracks.Track:
    """A closed circle of 15 m radius."""
    path = tracks.Path.from_segments([tracks.Arc(2.0 * math.pi * 15.0, 1.0 / 15.0)], closed=True)
    return tracks.Track("ring", path, np.full(path.s.shape, 6.0))


CASES = {
    "bends": (winding(), ROLLS, BRISK, 0.02),
    "tyres": (winding(speed=12.0), SLIDES, TIMID, 0.02),
    "reverse": (winding(reverse=True, speed=2.0), ROLLS, TIMID, 0.02),
    "short": (short(), ROLLS, BRISK, 0.02),
    "slow clock": (ring(), ROLLS, TIMID, 0.1),
    "quick clock": (ring(), SLIDES, BRISK, 0.005),
}


@dataclass
class Vehicle:
    """A vehicle that does at once what it is told, seen along its direction of travel."""

    x: float
    y: float
    heading: float
    speed: float
    curvature: float = 0.0
    time: float = 0.0

    def drive(self, span: float, curvature: float, speed: float) -> None:
        """Drive `span` [s] on a command, with at most 4 m/s² on the way to the speed."""
        self.curvature = curvature
        self.speed += min(max(speed - self.speed, -4.0 * span), 4.0 * span)
        self.heading += 0.5 * self.speed * curvature * span
        self.x += self.speed * span * math.cos(self.heading)
        self.y += self.speed * span * math.sin(self.heading)
        self.heading += 0.5 * self.speed * curvature * span
        self.time += span

    def measured(self, direction: float) -> tracker.Measurement:
        """Give the true measurement of it on a track ahead (1) or in reverse (−1)."""
        return tracker.Measurement(
            self.time, self.x, self.y, self.heading + (math.pi if direction < 0.0 else 0.0), direction * self.speed,
            self.speed * self.curvature, direction * math.atan(LENGTH * self.curvature),
        )  # fmt: skip


def with_fault(
    random: np.random.Generator, m: tracker.Measurement, direction: float
) -> tuple[tracker.Measurement, StopReason]:
    """Give the measurement with a fault in it, and for what it must stop the vehicle, if for anything."""
    sign = float(random.choice((-1.0, 1.0)))
    kinds: list[tuple[dict[str, Any], StopReason]] = [
        ({str(random.choice(FIELDS)): float(random.choice((math.nan, math.inf, -math.inf, 1e12)))},
         StopReason.MEASUREMENT_NOT_FINITE),
        ({"pose_age": -0.1}, StopReason.MEASUREMENT_NOT_FINITE),
        ({"time": m.time - float(random.choice((1.0, 1e3)))}, StopReason.TIME_NOT_INCREASING),
        ({"speed": -direction * 1.0}, StopReason.ROLLING_BACK),
        ({"x": m.x + sign * 40.0, "y": m.y - 60.0}, StopReason.NONE),
        ({"x": sign * 9e9}, StopReason.NONE),
        ({"heading": m.heading + 3.0 * sign}, StopReason.NONE),
        ({"speed": direction * 60.0}, StopReason.NONE),
        ({"speed": 0.0}, StopReason.NONE),
        ({"yaw_rate": sign * 30.0}, StopReason.NONE),
        ({"yaw_rate": sign * 9e9}, StopReason.NONE),
        ({"steering_angle": sign * 0.5 * math.pi}, StopReason.NONE),
        ({"steering_angle": sign * 0.6, "yaw_rate": -sign * 2.0}, StopReason.NONE),
        ({"pose_age": 3.0}, StopReason.NONE),
        ({"pose_age": 0.2}, StopReason.NONE),
    ]  # fmt: skip
    change, reason = kinds[random.integers(len(kinds))]
    return replace(m, **change), reason


def placed(track: tracks.Track, share: float, off: float, time: float = 0.0) -> Vehicle:
    """Put a vehicle at a share of the path's length, `off` [m] to the left, at the planned speed."""
    point = track.path.at(share * track.path.length)
    sine, cosine = math.sin(point.heading), math.cos(point.heading)
    return Vehicle(
        float(point.x) - off * sine, float(point.y) + off * cosine, float(point.heading), float(track.speed[0]), time=time
    )  # fmt: skip


@dataclass
class Sent:
    """A command sent: path curvature (1/m), speed and acceleration (m/s, m/s²) along the travel; when, and in what state."""

    curvature: float
    speed: float
    acceleration: float
    time: float
    reason: StopReason
    by_driver: bool = False


def check(
    envelope: tracker.Envelope, last: Sent | None, now: Sent, span: float, speed: float, usable: bool
) -> None:
    """Hold a command to what the envelope allows `span` [s] after the last one, at the speed measured [m/s].

    A command that cannot be steered by a measurement holds the curvature.
    """
    values, quick = envelope.values(ROLLS), max(speed, 0.1)
    assert all(math.isfinite(value) for value in (now.curvature, now.speed, now.acceleration))
    before = last.curvature if last else 0.0
    rate = min(values.curvature_rate, values.lateral_jerk / quick**2) if usable else 0.0
    assert abs(now.curvature - before) <= rate * span + 1e-9
    # A bound that comes down at once, with the speed, is met at the rate.
    bound = min(values.curvature, values.lateral_acceleration / quick**2) if usable else values.curvature
    held = now.curvature == before and now.reason is not StopReason.NONE
    assert held or abs(now.curvature) <= max(bound, abs(before) - rate * span) + 1e-9
    assert now.speed >= 0.0
    assert -values.deceleration <= now.acceleration <= values.acceleration
    if now.reason is StopReason.NONE or last is None:
        return
    assert now.acceleration <= 0.0
    if last.reason is StopReason.NONE and not last.by_driver:
        # Down from what is driven, where that is less than what was asked for.
        assert now.speed <= last.speed + 1e-9
    else:
        assert last.speed - values.deceleration * span - 1e-9 <= now.speed <= last.speed + 1e-9


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("kind", tracker.LAWS.values(), ids=tracker.LAWS)
def test_no_fault_makes_the_command_jump(kind, case):
    """Every command is finite and within the envelope of the last one, and what must stop the vehicle does."""
    track, response, envelope, period = CASES[case]
    random = np.random.default_rng(list(case.encode()))
    direction = -1.0 if track.reverse else 1.0
    follower = tracker.Tracker(kind(), track, response, envelope, period=period)
    vehicle, last, by_hand, demanded = placed(track, 0.0, 0.2), None, 0, 0
    known, known_at = vehicle.speed, -math.inf  # the speed believed last, m/s, and when, s
    for _ in range(STEPS):
        chance = random.random()
        if by_hand == 0 and chance < 0.02:
            # The driver takes the vehicle somewhere else, perhaps off the road.
            by_hand, off = 5, float(random.choice((0.0, 0.5, 30.0), p=(0.6, 0.3, 0.1)))
            vehicle = placed(track, float(random.uniform(0.0, 0.9)), off, vehicle.time)
        elif chance < 0.03:
            category = int(random.choice((1, 2)))
            follower.demand_stop(category)
            demanded = min(demanded or 2, category)
        elif chance < 0.06 and demanded == 2:
            demanded = 0
            follower.release_stop()
        measurement, fault = vehicle.measured(direction), StopReason.NONE
        if last is not None and random.random() < 0.04:
            measurement, fault = with_fault(random, measurement, direction)
        usable = fault is StopReason.NONE
        if usable:
            reach = math.inf if by_hand else QUICKEST * (measurement.time - known_at)
            known = min(max(direction * measurement.speed, known - reach), known + reach)
        if usable or fault is StopReason.ROLLING_BACK:
            known_at = measurement.time
        command = follower.stand_by(measurement) if by_hand else follower.command(measurement)
        now = Sent(
            direction * command.curvature, direction * command.speed, direction * command.acceleration,
            vehicle.time, follower.stopped_because, by_hand > 0,
        )  # fmt: skip
        if by_hand:
            by_hand -= 1
            demanded = 0 if last is not None and last.reason is StopReason.DEMANDED else demanded
            assert all(math.isfinite(value) for value in (now.curvature, now.speed))
            assert now.reason is StopReason.NONE
        else:
            span = min(now.time - last.time, LONGEST) if last else period
            check(envelope, last, now, span, known, usable)
            before = last.reason if last else StopReason.NONE
            if before not in (StopReason.NONE, StopReason.DEMANDED):
                assert now.reason is before
            elif fault is not StopReason.NONE:
                assert now.reason in (fault, before)
            assert now.reason is not StopReason.NONE or (fault is StopReason.NONE and not demanded)
        last = now
        vehicle.drive(period, now.curvature, now.speed)
        if random.random() < 0.02:
            vehicle.drive(float(random.choice((0.3 * period, 1.0))), now.curvature, now.speed)


@pytest.mark.parametrize("wrong", [0.0, 60.0])
@pytest.mark.parametrize("kind", tracker.LAWS.values(), ids=tracker.LAWS)
def test_one_wrong_speed_in_a_bend_is_hardly_seen(kind, wrong):
    """Where understeer is corrected, a wrong speed of one sample moves the command by no more than the steering may go.

    At 60 m/s that correction would nearly treble the angle asked for.
    """
    understeers = ROLLS.model_copy(update={"understeer_gradient": 0.0015, "dead_time": 0.0})
    track, period = CASES["slow clock"][0], 0.02
    commands = []
    for speeds in ([6.0] * 60, [6.0] * 50 + [wrong] + [6.0] * 9):
        follower, vehicle = tracker.Tracker(kind(), track, understeers), placed(track, 0.0, 0.0)
        vehicle.curvature = 1.0 / 15.0
        for speed in speeds:
            commands.append(follower.command(replace(vehicle.measured(1.0), speed=speed)))
            vehicle.drive(period, 1.0 / 15.0, 6.0)
        assert follower.stopped_because is StopReason.NONE
    right, seen = (np.array([[c.curvature, c.speed] for c in commands[i : i + 60]]) for i in (0, 60))
    step = tracker.Envelope().values(understeers).curvature_rate * period
    assert np.abs(seen - right)[:, 0].max() < 2.0 * step
    assert np.abs(seen - right)[:, 1].max() < 0.05
