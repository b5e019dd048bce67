"""Stand-by: a driver steers, the tracker follows, and engaging makes no jump."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drives import PERIOD, Motion, drive

import tracker
import tracks
from tracker.laws.base import Law, View

LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
PLANNED = 8.0
VEHICLE = tracker.Response(
    wheelbase=3.0, dead_time=0.1, lag=0.1, understeer_gradient=0.003, gain=0.95, offset=0.01
)
ROUNDING = 1e-12  # a command passes through tan and atan


@pytest.fixture(scope="module")
def straight() -> tracks.Track:
    """600 m of straight at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(600.0)])
    return tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, PLANNED))


def driven(time: float, speed: float, **values: float) -> tracker.Measurement:
    """A vehicle 1.5 m left of the path that drives along it with its wheels turned."""
    values = {"steering_angle": 0.05, "yaw_rate": speed * math.tan(0.05) / 3.0, **values}
    return tracker.Measurement(time=time, x=20.0 + speed * time, y=1.5, heading=0.0, speed=speed, **values)


def path_curvature(command: tracker.Command, speed: float, vehicle: tracker.Response) -> float:
    """The curvature that a command makes the vehicle drive in a steady turn, 1/m."""
    angle = vehicle.gain * math.atan(vehicle.wheelbase * command.curvature) + vehicle.offset
    return math.tan(angle) / (vehicle.wheelbase + vehicle.understeer_gradient * speed**2)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("speed", [12.0, 4.0, 0.0])
@pytest.mark.parametrize("vehicle", [tracker.Response(wheelbase=3.0), VEHICLE], ids=["ideal", "real"])
def test_engaging_makes_no_jump(law, speed, vehicle, straight):
    """Off the path, wheels turned, at another speed than the plan: the command moves within the envelope's rates."""
    follower = tracker.Tracker(law, straight, vehicle=vehicle)
    for i in range(25):
        last = follower.stand_by(driven(PERIOD * i, speed))
    assert last.speed == speed
    assert last.acceleration == 0.0
    # The steady turn of the wheels' angle: what `driven_curvature` takes the vehicle to drive.
    now = math.tan(0.05) / (3.0 + vehicle.understeer_gradient * speed**2)
    assert path_curvature(last, speed, vehicle) == pytest.approx(now, rel=1e-9)
    limits = follower.envelope.values(vehicle)
    for i in range(25, 60):
        command = follower.command(driven(PERIOD * i, speed))
        step = path_curvature(command, speed, vehicle) - path_curvature(last, speed, vehicle)
        assert abs(step) <= limits.curvature_rate * PERIOD + ROUNDING
        if vehicle.gain == 1.0:
            assert abs(command.curvature - last.curvature) <= limits.curvature_rate * PERIOD + ROUNDING
        assert -limits.deceleration * PERIOD - ROUNDING <= command.speed - last.speed
        assert command.speed - last.speed <= limits.acceleration * PERIOD + ROUNDING
        assert -limits.deceleration <= command.acceleration <= limits.acceleration
        last = command
    assert follower.stopped_because is tracker.StopReason.NONE
    assert last.speed != speed


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_engaged_vehicle_comes_back_to_path_and_plan(law, straight):
    """Closed loop from 1.5 m off at 12 m/s: the speed command meets the plan and stays on it, the error dies out."""
    follower = tracker.Tracker(law, straight, tracker.Response(lag=0.1))
    motion = Motion(x=20.0, y=1.5, speed=12.0, curvature=0.02)
    follower.stand_by(motion.measured(-PERIOD))
    result = drive(follower, 15.0, motion=motion)
    # (12 - 8) m/s at 2 m/s² take 2 s.
    met = int(np.argmax(result.speeds == PLANNED))
    assert met * PERIOD == pytest.approx(2.0, abs=2 * PERIOD)
    assert np.all(result.speeds[met:] == PLANNED)
    assert abs(motion.y) < 0.05


def test_stand_by_clears_the_old_stop_and_finds_the_vehicle_elsewhere(straight):
    """After a stop and a drive by hand far from the path, the tracker engages where the vehicle comes back to it."""
    follower = tracker.Tracker(tracker.Stanley(), straight, vehicle=VEHICLE)
    follower.command(tracker.Measurement(0.0, 20.0, 30.0, 0.0, PLANNED))
    assert follower.stopped_because is tracker.StopReason.LOST
    for i in range(1, 20):
        follower.stand_by(tracker.Measurement(PERIOD * i, 20.0, 30.0, 0.0, PLANNED))
    assert follower.stopped_because is tracker.StopReason.NONE
    for i in range(20, 23):
        last = follower.stand_by(tracker.Measurement(PERIOD * i, 400.0, 0.1, 0.0, PLANNED))
    assert follower.arc_length == pytest.approx(400.0, abs=1e-6)
    command = follower.command(tracker.Measurement(PERIOD * 23, 400.0 + 0.16, 0.1, 0.0, PLANNED))
    assert follower.stopped_because is tracker.StopReason.NONE
    assert command.speed == pytest.approx(last.speed, abs=ROUNDING)


@pytest.mark.parametrize(
    "field", ["time", "x", "y", "heading", "speed", "yaw_rate", "steering_angle", "pose_age"]
)
@pytest.mark.parametrize("bad", [math.nan, math.inf, -1e300, 1e9])
def test_no_measurement_in_stand_by_makes_a_command_that_is_not_finite(field, bad, straight):
    """What a broken sensor reports is answered in finite numbers, in stand-by and at engaging."""
    for law in LAWS:
        follower = tracker.Tracker(law, straight, vehicle=VEHICLE)
        last = follower.stand_by(driven(0.0, 8.0))
        for i in range(1, 4):
            command = follower.stand_by(replace(driven(PERIOD * i, 8.0), **{field: bad}))
            if not abs(bad) <= 1e9:
                assert command == last
            assert all(map(math.isfinite, (command.curvature, command.speed, command.acceleration)))
        for i in range(4, 8):
            command = follower.command(driven(PERIOD * i, 8.0))
            assert all(map(math.isfinite, (command.curvature, command.speed, command.acceleration)))


def test_first_measurement_in_stand_by_may_be_unusable(straight):
    """Before anything is known the command is that of a standing vehicle; the next measurement is located."""
    follower = tracker.Tracker(tracker.PurePursuit(), straight)
    assert follower.stand_by(driven(0.0, math.nan)) == tracker.Command(0.0, 0.0, 0.0)
    follower.stand_by(driven(PERIOD, 8.0, steering_angle=0.0))
    assert follower.arc_length == pytest.approx(20.16, abs=1e-6)


def test_predictive_law_starts_anew(straight):
    """A plan from before the driver took over is forgotten: the answers are those of a tracker without a past."""
    old = tracker.Tracker(tracker.MPC(), straight, vehicle=VEHICLE)
    for i in range(20):
        old.command(replace(driven(PERIOD * i, 8.0), y=-1.0, steering_angle=-0.2))
    new = tracker.Tracker(tracker.MPC(), straight, vehicle=VEHICLE)
    # Long enough for the commands in flight, and the pose, to be the same.
    for i in range(20, 40):
        for follower in (old, new):
            follower.stand_by(driven(PERIOD * i, 8.0))
    for i in range(40, 45):
        a, b = (follower.command(driven(PERIOD * i, 8.0)) for follower in (old, new))
        # The solver's tolerance of a bound (1e-8), and the projection's start, 1e-6 m.
        assert a.curvature == pytest.approx(b.curvature, abs=1e-6)


def test_runner_of_a_user_may_have_a_restart(straight):
    """`restart` is called once, with the curvature driven, before the next view; a runner without it goes on."""
    calls: list[object] = []

    class Own(Law):
        """A law that asks for nothing and writes down what it is told."""

        def start(self, response, envelope, track, period, speed_factor):
            """Give a runner with a restart."""

            class Runner:
                counts: dict[str, int] = {}  # noqa: RUF012  # never changed here

                def curvature(self, view: View) -> float:
                    calls.append("view")
                    return 0.0

                def restart(self, curvature: float) -> None:
                    calls.append(curvature)

            return Runner()

    follower = tracker.Tracker(Own(), straight, tracker.Response(wheelbase=3.0))
    follower.command(driven(0.0, 8.0))
    follower.stand_by(driven(PERIOD, 8.0))
    follower.stand_by(driven(2 * PERIOD, 8.0))
    follower.command(driven(3 * PERIOD, 8.0))
    follower.command(driven(4 * PERIOD, 8.0))
    assert calls == ["view", pytest.approx(math.tan(0.05) / 3.0, rel=1e-12), "view", "view"]
