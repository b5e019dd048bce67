"""The laws in closed loop against a second loop that shares no equation with the project: `independent_loop`.

Feed-forward and compensation are off and the envelope is open, so that the laws are those of their authors.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from independent_loop import Course, Tyres, drive, pure_pursuit, stanley
from scipy.integrate import quad, solve_ivp

import tracker
import tracks
import tuning

PERIOD, LAG, DEAD_TIME = 0.02, 0.15, 0.07  # s; the dead time cuts the commands' periods
WHEELBASE = 3.4
EQUAL = 1e-7  # m: roots of both are found to 1e-10 m, and the loop does not amplify
OPEN = tracker.Envelope(lateral_acceleration=1e3, curvature=2.0, curvature_rate=1e3)
BEND = [(20.0, 0.0, 0.0), (15.0, 0.0, 0.04), (20.0, 0.04, 0.04), (25.0, 0.04, -0.03), (20.0, -0.03, -0.03),
        (15.0, -0.03, 0.0), (40.0, 0.0, 0.0)]  # fmt: skip
# Neutral, so that the tracker's understeer is none and the paper's law stays as it is; from memory a usual car.
CAR = Tyres(1600.0, 2500.0, 1.7, 1.7, 120e3, 120e3)


def vehicle(tyres: Tyres | None) -> tuning.Vehicle:
    """Give the vehicle of the bench that is the reference's, with no limit that could be met."""
    steering = {"lag": LAG, "dead_time": DEAD_TIME, "rate_limit": 100.0, "angle_limit": 1.4}
    body = {"wheelbase": WHEELBASE, "model": "kinematic"}
    if tyres is None:
        return tuning.Vehicle.model_validate({"body": body, "steering": steering})
    body |= {
        "model": "single-track",
        "mass": tyres.mass,
        "yaw_inertia": tyres.inertia,
        "front_axle_distance": tyres.front,
    }
    grip = {
        "cornering_stiffness_front": tyres.front_stiffness,
        "cornering_stiffness_rear": tyres.rear_stiffness,
        "relaxation_length": 0.001,
        "friction": 2.0,
    }
    return tuning.Vehicle.model_validate({"body": body, "steering": steering, "tyres": grip})


def response(tyres: Tyres | None) -> tracker.Response:
    """Give what the tracker is told: no lag, no dead time, and the tyres where the law is to know its slip."""
    plain = {"wheelbase": WHEELBASE, "rate_limit": 100.0, "angle_limit": 1.4}
    if tyres is None:
        return tracker.Response(**plain)
    return tracker.Response(
        **plain, mass=tyres.mass, yaw_inertia=tyres.inertia, front_axle_distance=tyres.front,
        cornering_stiffness_front=tyres.front_stiffness, cornering_stiffness_rear=tyres.rear_stiffness,
    )  # fmt: skip


def track(speed: float, offset: float, reverse: bool = False) -> tracks.Track:
    """Give the course as a track of the project at constant speed, with room to stop behind its end."""
    segments = [
        tracks.Straight(length) if first == last == 0.0
        else tracks.Arc(length, first) if first == last
        else tracks.Clothoid(length, first, last)
        for length, first, last in BEND
    ]  # fmt: skip
    path = tracks.Path.from_segments([*segments, tracks.Straight(60.0)])
    return tracks.Track("bend", path, np.full(path.s.shape, speed), start_offset=offset, reverse=reverse)


def bench(law: tracker.Law, track: tracks.Track, tyres: Tyres | None, told: Tyres | None, until: float):
    """Give (time, x, y, heading, lateral error) of the project's simulation at its commands, as the reference has them."""
    run = tuning.simulate(
        law, vehicle(tyres), track, response=response(told), envelope=OPEN, period=PERIOD, compensate_dead_time=False,
        substep=0.0025,
    )  # fmt: skip
    every = round(PERIOD / float(run.time[1] - run.time[0]))
    rows = np.stack([run.time, run.x, run.y, run.heading, run.lateral_error], axis=1)[::every]
    held = np.abs(run.speed[::every])[rows[:, 0] < until]
    assert np.ptp(held) < 1e-6  # the reference drives at constant speed
    return rows[rows[:, 0] < until - 1e-9]


def apart(ours: np.ndarray, reference: np.ndarray) -> float:
    """Give the largest distance between two drives at equal times, m."""
    assert ours.shape[0] > 300
    np.testing.assert_allclose(ours[:, 0], reference[: len(ours), 0], atol=1e-9)
    return float(np.max(np.hypot(*(ours - reference[: len(ours)])[:, 1:3].T)))


def reference(law, speed: float, offset: float, seconds: float, tyres: Tyres | None = None) -> np.ndarray:
    """Drive the reference on the same course."""
    return drive(
        Course([*BEND, (60.0, 0.0, 0.0)]), law, speed=speed, wheelbase=WHEELBASE, lag=LAG, dead_time=DEAD_TIME,
        offset=offset, seconds=seconds, tyres=tyres,
    )  # fmt: skip


CASES = {
    "pure pursuit": (
        tracker.PurePursuit(lookahead_time=1.0, shortest_lookahead=7.0, longest_lookahead=7.0, feed_forward=False),
        lambda told: pure_pursuit(WHEELBASE, 7.0),
    ),
    "Stanley": (
        tracker.Stanley(gain=1.2, softening=0.5, feed_forward=False),
        lambda told: stanley(WHEELBASE, 1.2, 0.5, tyres=told),
    ),
    # The paper's gain of the steering's change over a period is ours, per rate, over the period.
    "Stanley damped": (
        tracker.Stanley(gain=1.2, softening=0.5, feed_forward=False, yaw_damping=0.08, steer_damping=0.03),
        lambda told: stanley(WHEELBASE, 1.2, 0.5, 0.08, 0.03 / PERIOD, told),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_kinematic_vehicle(name):
    """Forward at 7 m/s from 0.5 m beside a double bend (2 m/s²): the same trajectory to rounding."""
    law, textbook = CASES[name]
    ours = bench(law, track(7.0, 0.5), None, None, 18.0)
    assert apart(ours, reference(textbook(None), 7.0, 0.5, 18.0)) < EQUAL


@pytest.mark.parametrize("name", CASES)
def test_single_track_vehicle(name):
    """The same with linear tyres, whose slip the Stanley law is told and pure pursuit is not: within 0.1 mm.

    Ours has its axle forces over tan α: 6e-5 of the force at these slips; and relaxation over 5 ms of travel.
    """
    law, textbook = CASES[name]
    told = None if name == "pure pursuit" else CAR
    ours = bench(law, track(7.0, 0.5), CAR, told, 18.0)
    assert apart(ours, reference(textbook(told), 7.0, 0.5, 18.0, CAR)) < 1e-4


@pytest.mark.parametrize("name", CASES)
def test_backwards(name):
    """Backwards at 3 m/s along the same double bend, from 0.5 m beside it: the same trajectory to rounding."""
    law, textbook = CASES[name]
    ours = bench(law, track(3.0, 0.5, reverse=True), None, None, 35.0)
    assert apart(ours, reference(textbook(None), -3.0, 0.5, 35.0)) < EQUAL


@pytest.mark.parametrize("law", [tracker.PurePursuit(), tracker.Stanley()], ids=lambda law: law.name)
def test_a_truck_backs_onto_its_path_and_stays(law):
    """A truck of 3.4 m wheelbase, backing 0.5 m beside its path, comes to it within 25 m and holds it to 5 cm.

    Judged on the reference's course, which knows nothing of the project's: 5 cm is common practice, no source.
    """
    run = tuning.simulate(law, vehicle(None), track(1.5, 0.5, reverse=True))
    course, near, errors = Course([*BEND, (60.0, 0.0, 0.0)]), 0.0, []
    for x, y, s in zip(run.x[::10], run.y[::10], run.s[::10], strict=True):
        near = course.nearest(float(x), float(y), near)
        assert near == pytest.approx(float(s), abs=1e-3)
        errors.append((near, course.offset(float(x), float(y), near)))
    s, error = np.array(errors).T
    assert error[0] == pytest.approx(0.5, abs=1e-3)
    assert s[-1] > 200.0
    assert np.abs(error[s > 25.0]).max() < 0.05


def test_the_reference_itself():
    """Its course against quadrature by scipy, and its steps against an integration by scipy at 1e-11."""
    course = Course(BEND)
    for s in (17.0, 31.3, 70.0, 133.0):
        x, y = (
            quad(lambda u, f=f: f(course.turn(u)[0]), 0.0, s, points=[20, 35, 55, 80, 100, 115], limit=400, epsabs=1e-12)[0]
            for f in (math.cos, math.sin)
        )  # fmt: skip
        assert course.point(s) == pytest.approx((x, y), abs=1e-9)
    speed, target = 12.0, 0.05
    rows = drive(
        course, lambda c, seen: target, speed=speed, wheelbase=WHEELBASE, lag=LAG, dead_time=DEAD_TIME,
        offset=0.0, seconds=1.5, tyres=CAR,
    )  # fmt: skip

    def slope(t, state):
        _, _, heading, v, r, angle = state
        front = CAR.front_stiffness * (angle - math.atan2(v + CAR.front * r, speed)) * math.cos(angle)
        rear = CAR.rear_stiffness * math.atan2(CAR.rear * r - v, speed)
        back = v - CAR.rear * r
        return [
            speed * math.cos(heading) - back * math.sin(heading),
            speed * math.sin(heading) + back * math.cos(heading),
            r,
            (front + rear) / CAR.mass - speed * r,
            (CAR.front * front - CAR.rear * rear) / CAR.inertia,
            (target - angle) / LAG,
        ]

    late = [t - DEAD_TIME for t in rows[:, 0] if t >= DEAD_TIME]
    exact = solve_ivp(slope, (0.0, late[-1]), [speed * DEAD_TIME, 0.0, 0.0, 0.0, 0.0, 0.0], t_eval=late,
                      method="DOP853", rtol=1e-11, atol=1e-12).y  # fmt: skip
    np.testing.assert_allclose(rows[-len(late) :, 1:4], exact[:3].T, atol=1e-6)
