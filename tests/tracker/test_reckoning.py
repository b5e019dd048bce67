"""Poses that are late, missing or wrong: what a tracker makes of them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drives import LENGTH, PERIOD, STEERING_LAG, Motion, drive, last_of, replay

import tracker
import tracks
from tracker.memory import FIX, new_memory
from tracker.options import Options
from tracker.reckoning import HEADING_JUMP, reckon
from tracks.one_source import plain

LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
RESPONSE = tracker.Response(lag=0.1)
OPTIONS = Options(0.02, 1.0, 1.0, 9.0, jump_beyond=1.5, blind_for=0.5)
SPEED = 8.0
RATE = RESPONSE.rate_limit / LENGTH  # 1/(m s): the envelope's curvature rate
EVERY = 5  # commands between two poses at 10 Hz


@pytest.fixture(scope="module")
def curve() -> tracks.Track:
    """A straight, a clothoid and a bend of 40 m radius at constant speed."""
    path = tracks.Path.from_segments(
        [tracks.Straight(20.0), tracks.Clothoid(20.0, 0.0, 1 / 40.0), tracks.Arc(150.0, 1 / 40.0)]
    )
    return tracks.Track(name="curve", path=path, speed=np.full(path.s.shape, SPEED))


def follow(law, track, **settings) -> tracker.Tracker:
    """A tracker that starts at the beginning of the track."""
    return tracker.Tracker(law, track, RESPONSE, start=0.0, **settings)


def trembling(measured, i):
    """Let a pose differ from the last one by a nanometre, so that it passes for new."""
    return replace(measured, x=measured.x + 1e-9 * (i % 2))


def at_10_hz(history):
    """A localisation at 10 Hz that repeats its last pose in between."""
    i = len(history) - 1
    return last_of(history, i - i % EVERY)


def silent_from(start: float, end: float):
    """A localisation without anything new from `start` to `end`, s."""

    def sees(history):
        i = len(history) - 1
        return last_of(history, round(start / PERIOD) - 1 if start <= i * PERIOD < end else i)

    return sees


def on_arc(time: float, curvature: float = 0.05, speed: float = 10.0) -> tuple[float, float, float]:
    """Give x, y, heading of a drive on a circle from the origin (exact)."""
    turn = curvature * speed * time
    return math.sin(turn) / curvature, (1.0 - math.cos(turn)) / curvature, turn


@pytest.mark.parametrize("way", [reckon, plain(reckon)], ids=["compiled", "plain"])
@pytest.mark.parametrize("yaw_rate", [0.5, 0.0], ids=["yaw rate", "steering angle only"])
def test_pose_of_a_steady_turn_is_reckoned_on_and_carried_over_its_age(way, yaw_rate):
    """On a circle both ways of getting at the present pose are exact but for the chords."""
    memory = new_memory()
    seen = [(0.0, 0.0)] + [(0.02 * i, 0.02 * i) for i in range(1, 20)] + [(0.4, 0.15), (0.42, 0.17)]
    for time, age in seen:
        pose = way(
            RESPONSE.values, OPTIONS, memory, time, *on_arc(time - age), 10.0, yaw_rate, 0.05, age, False
        )
        # A chord of 0.02 s is short by (0.01 rad)²/24 of it, all of them by 4e-6 of 4 m; of 0.17 s, 3e-4 of 1.7 m.
        assert pose == pytest.approx(on_arc(time), abs=6e-4)
    assert memory.numbers[FIX] == pytest.approx(0.25, abs=1e-12)


def test_slip_of_the_rear_axle_is_reckoned_with():
    """A heading that points into the curve by the slip: the rear axle still moves along its own path."""
    response = tracker.Response(mass=3600.0, front_axle_distance=1.5, cornering_stiffness_rear=110e3)
    slip = 3600.0 * 1.5 * 100.0 * 0.05 / 2.8 / 110e3  # m a v² κ / (L C_r), Rajamani, ch. 3: from memory
    assert slip > 0.08
    memory = new_memory()
    for i in range(21):
        x, y, heading = on_arc(0.0)
        pose = reckon(
            response.values, OPTIONS, memory, 0.02 * i, x, y, heading + slip, 10.0, 0.5, 0.05, 0.02 * i, False
        )
    x, y, heading = on_arc(0.4)
    assert pose == pytest.approx((x, y, heading + slip), abs=6e-4)


def test_new_pose_without_age_is_taken_to_the_last_bit():
    """The reckoning leaves a healthy localisation alone."""
    generator = np.random.default_rng(5)
    memory = new_memory()
    for i in range(500):
        x, y, heading = (float(v) for v in generator.normal((1e5, -3e6, 7.0), 0.05))
        pose = reckon(
            RESPONSE.values, OPTIONS, memory, 2e9 + 0.02 * i, x, y, heading, 2.0, 0.1, 0.05, 0.0, False
        )
        assert pose == (x, y, heading)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_poses_at_10_hz_give_the_commands_of_poses_at_50_hz(law, curve):
    """Along one drive through clothoid and bend, the commands differ by no more than the reckoning may be off."""
    driven = drive(follow(law, curve), 10.0)
    seldom = replay(follow(law, curve), driven, at_10_hz)
    # Four steps of h = 0.02 s with the mean yaw rate (trapezoidal rule): the heading is off by 4h · h²/12 of its second
    # derivative, v (u − κ)/T² with the lag T; the lateral position by v · 4h of that and of a step's h²/12 · ψ̈.
    behind = np.abs(driven.curvatures - [m.yaw_rate / m.speed for m in driven.measured]).max()
    rate = SPEED * behind / STEERING_LAG
    heading = 4 * PERIOD**3 / 12.0 * rate / STEERING_LAG
    lateral = SPEED * 4 * PERIOD * (heading + PERIOD**2 / 12.0 * rate)
    # What the law makes of a displaced pose: taken from the law itself, an error of 0.01 rad and of 0.01 m.
    gain = 0.0
    for error in ({"heading": 0.01}, {"y": 0.01}):
        moved = tracker.Measurement(0.0, 5.0, 0.0, 0.0, SPEED)
        moved = replace(moved, **error)
        wide = tracker.Envelope(curvature_rate=100.0)
        command = tracker.Tracker(law, curve, tracker.Response(lag=0.1, rate_limit=100.0), wide, start=0.0)
        size = heading if "heading" in error else lateral
        gain += abs(command.command(moved).curvature) / 0.01 * size
    difference = np.abs(seldom.curvatures - driven.curvatures).max()
    # Some laws start from what they asked last, so that errors add up over their memory of some steps.
    bound = (8.0 if law.name in ("PreviewLQR", "MPC", "NonlinearMPC") else 1.5) * gain
    assert difference <= bound
    assert difference < 1e-3 * np.abs(driven.curvatures).max()
    # A pose that stands still is no new one, even where nobody tells its age.
    untold = replay(follow(law, curve), driven, lambda h: replace(at_10_hz(h), pose_age=0.0))
    assert np.abs(untold.curvatures - driven.curvatures).max() <= bound
    # Without reckoning the poses would be up to 0.64 m old; the checks above are then far out of reach.
    stale = replay(
        follow(law, curve), driven, lambda h: trembling(replace(at_10_hz(h), pose_age=0.0), len(h))
    )
    assert np.abs(stale.curvatures - driven.curvatures).max() > 10.0 * difference


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_short_dropout_makes_no_step(law, curve):
    """0.3 s without a pose in the clothoid: never a step beyond the envelope's rate, hardly another drive."""
    follower = follow(law, curve)
    driven = drive(follower, 8.0, silent_from(3.5, 3.8))
    assert follower.stopped_because is tracker.StopReason.NONE
    assert np.abs(np.diff(driven.curvatures)).max() <= RATE * PERIOD + 1e-12
    healthy = drive(follow(law, curve), 8.0)
    # As in the test above the reckoning is off by fractions of a millimetre.
    assert np.abs(driven.lateral_errors(curve.path) - healthy.lateral_errors(curve.path)).max() < 1e-3
    assert np.abs(np.diff(driven.curvatures)).max() < 1.1 * np.abs(np.diff(healthy.curvatures)).max()


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("back", [True, False], ids=["comes back", "stays away"])
def test_long_dropout_stops_the_vehicle_on_the_path(law, back, curve):
    """Half a second after the last pose a controlled stop begins, steered by the reckoned pose, for good."""
    follower = follow(law, curve)
    driven = drive(follower, 11.0, silent_from(4.0, 5.0 if back else 99.0))
    assert follower.stopped_because is tracker.StopReason.LOCALISATION_LOST
    first = next(i for i, c in enumerate(driven.commands) if c.acceleration < -1.9)
    # The last pose is of 3.98 s; 26 periods later it is older than half a second.
    assert first * PERIOD == pytest.approx(4.5, abs=PERIOD + 1e-9)
    assert driven.speeds[-1] == 0.0
    assert driven.measured[-1].speed < 0.01
    assert np.abs(np.diff(driven.curvatures)).max() <= RATE * PERIOD + 1e-12
    # 4 s and 18 m through the bend by reckoning: held straight it would leave the path by 18²/80 = 4 m.
    assert np.abs(driven.lateral_errors(curve.path)).max() < 0.25
    assert driven.curvatures[first + 50] == pytest.approx(1 / 40.0, rel=0.15)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize(
    "jump", [{"x": 3.0}, {"y": -3.0}, {"heading": 1.01 * HEADING_JUMP}], ids=["x", "y", "heading"]
)
def test_jump_of_the_localisation_does_not_move_the_command(law, jump, curve):
    """A teleport for 0.2 s is answered as silence is: the commands are the same to the last bit."""

    def jumps(history):
        i, now = len(history) - 1, history[-1]
        away = 4.0 <= i * PERIOD < 4.2
        return replace(now, **{k: getattr(now, k) + v for k, v in jump.items()}) if away else now

    follower, silent, healthy = (follow(law, curve) for _ in range(3))
    driven = drive(follower, 6.0, jumps)
    assert driven.commands == drive(silent, 6.0, silent_from(4.0, 4.2)).commands
    assert follower.stopped_because is tracker.StopReason.NONE
    steps = np.abs(np.diff(driven.curvatures))
    without = np.abs(np.diff(drive(healthy, 6.0).curvatures))
    assert steps.max() <= 1.02 * without.max()  # the reckoning, as above
    # A tracker that believes everything is thrown.
    trusting = tracker.Tracker(law, curve, RESPONSE, start=0.0, jump_beyond=99.0)
    thrown = np.abs(np.diff(drive(trusting, 6.0, jumps).curvatures))
    assert "heading" in jump or "x" in jump or thrown.max() > 2.0 * without.max()


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_jump_that_stays_stops_the_vehicle(law, curve):
    """A localisation that goes on beside the road is not believed, and after half a second the vehicle stops."""
    follower = follow(law, curve)

    def jumps(history):
        now = history[-1]
        return replace(now, y=now.y + 3.0) if now.time >= 4.0 else now

    driven = drive(follower, 10.0, jumps)
    assert follower.stopped_because is tracker.StopReason.LOCALISATION_LOST
    assert driven.measured[-1].speed < 0.01
    assert np.abs(driven.lateral_errors(curve.path)).max() < 0.25


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_frozen_localisation_stops_the_vehicle(law, curve):
    """A pose that stands still while the vehicle drives, said to be fresh, is silence: a stop after half a second."""
    follower = follow(law, curve)
    frozen = round(4.0 / PERIOD)
    driven = drive(follower, 10.0, lambda h: last_of(h, min(len(h) - 1, frozen), declared=False))
    assert follower.stopped_because is tracker.StopReason.LOCALISATION_LOST
    assert driven.measured[-1].speed < 0.01
    assert np.abs(driven.lateral_errors(curve.path)).max() < 0.25


def test_frozen_pose_at_standstill_is_fresh(curve):
    """A vehicle that waits reports the same pose again and again, and is not stopped for it."""
    follower = follow(tracker.Stanley(), curve)
    for i in range(200):
        follower.command(replace(Motion().measured(PERIOD * i), speed=0.0))
    assert follower.stopped_because is tracker.StopReason.NONE


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_known_latency_is_made_good(law, curve):
    """Poses 0.2 s late: told their age the tracker drives as with fresh ones, untold it strays."""
    late = round(0.2 / PERIOD)
    errors = {}
    for name, sees in {
        "fresh": lambda h: h[-1],
        "declared": lambda h: last_of(h, len(h) - 1 - late),
        "undeclared": lambda h: last_of(h, len(h) - 1 - late, declared=False),
    }.items():
        start = Motion(y=0.5)
        # At the start the late pose stands still for a while, and its first move is a jump.
        follower = follow(law, curve, jump_beyond=5.0)
        errors[name] = drive(follower, 10.0, sees, start).lateral_errors(curve.path)
        assert follower.stopped_because is tracker.StopReason.NONE
    apart = {name: np.abs(e - errors["fresh"]).max() for name, e in errors.items()}
    # Carried with the yaw rate of now, over which the true one changed: ψ̈ (0.2 s)²/2 of heading while it corrects.
    assert apart["declared"] < 0.25 * apart["undeclared"]
    assert apart["declared"] < 0.06


def test_stand_by_believes_any_new_pose(curve):
    """After a drive by hand the localisation may be elsewhere: it is taken up, and engaging does not stop."""
    follower = follow(tracker.Stanley(), curve)
    follower.command(Motion().measured(0.0))
    for i in range(1, 4):
        follower.stand_by(Motion(x=15.0 + 0.16 * i).measured(PERIOD * i))
    follower.command(Motion(x=15.0 + 0.16 * 4).measured(PERIOD * 4))
    assert follower.arc_length == pytest.approx(15.64, abs=1e-6)
    assert follower.stopped_because is tracker.StopReason.NONE


def test_engaging_blind_stops_at_once(curve):
    """A pose that was true too long ago is nothing to engage upon."""
    follower = follow(tracker.Stanley(), curve)
    for i in range(40):
        follower.stand_by(replace(Motion().measured(PERIOD * i), pose_age=PERIOD * i))
    follower.command(replace(Motion().measured(0.8), pose_age=0.8))
    assert follower.stopped_because is tracker.StopReason.LOCALISATION_LOST
