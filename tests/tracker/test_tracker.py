"""The tracker: what holds whatever the law, on good measurements and on bad ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import tracker
import tracks
from tracker.laws.base import IN_PYTHON, Law, View
from tracks.errors import InputError

SPEED = 8.0
LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
VEHICLE = tracker.Response(
    wheelbase=3.0, dead_time=0.1, lag=0.1, understeer_gradient=0.003, gain=0.95, offset=0.01
)


class Fixed(Law):
    """A law that asks for one curvature, whatever it sees."""

    asks: float = 0.0

    def start(self, response, envelope, track, period, speed_factor):
        """Give a runner that asks for the curvature."""
        law = self

        class Runner:
            counts: dict[str, int] = {}  # noqa: RUF012  # the contract's attribute, never changed here

            def curvature(self, view: View) -> float:
                return law.asks

        return Runner()


@pytest.fixture(scope="module")
def straight() -> tracks.Track:
    """300 m of straight at constant speed, without a stop in the plan."""
    path = tracks.Path.from_segments([tracks.Straight(300.0)])
    return tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, SPEED))


def at(time: float, x: float = 0.0, y: float = 0.0, **values: float) -> tracker.Measurement:
    """A measurement of a vehicle that drives along the path."""
    values = {"heading": 0.0, "speed": SPEED, **values}
    return tracker.Measurement(time=time, x=x, y=y, **values)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_first_command_on_the_path_corrects_the_steering(law, straight):
    """On a straight the command undoes the offset, so that the road wheels stand straight."""
    command = tracker.Tracker(law, straight, vehicle=VEHICLE).command(at(0.0, steering_angle=0.0))
    angle = VEHICLE.gain * math.atan(VEHICLE.wheelbase * command.curvature) + VEHICLE.offset
    assert angle == pytest.approx(0.0, abs=1e-6)
    assert command.speed == pytest.approx(SPEED)


def test_command_makes_the_vehicle_drive_what_the_law_wants(straight):
    """Understeer, gain and offset are undone: the steady turn of the command has the wanted curvature."""
    quick = VEHICLE.model_copy(update={"rate_limit": 100.0})
    wide = tracker.Envelope(curvature_rate=1e3, lateral_acceleration=9.0)
    command = tracker.Tracker(Fixed(asks=0.02), straight, vehicle=quick, envelope=wide).command(at(0.0))
    angle = VEHICLE.gain * math.atan(VEHICLE.wheelbase * command.curvature) + VEHICLE.offset
    length = VEHICLE.wheelbase + VEHICLE.understeer_gradient * SPEED**2
    assert math.tan(angle) / length == pytest.approx(0.02, rel=1e-12)


def test_envelope_bounds_curvature_its_rate_and_lateral_acceleration(straight):
    """However much a law asks, the command stays within each limit."""
    plain = tracker.Response(wheelbase=3.0)
    envelope = tracker.Envelope(curvature=0.1, curvature_rate=0.05, lateral_acceleration=2.0)
    follower = tracker.Tracker(Fixed(asks=5.0), straight, vehicle=plain, envelope=envelope)
    commands = [follower.command(at(0.02 * i, x=0.16 * i)).curvature for i in range(100)]
    # 1e-12: the command passes through tan and atan of the wheelbase.
    assert np.diff(commands).max() <= 0.05 * 0.02 + 1e-12
    assert max(commands) == pytest.approx(2.0 / SPEED**2, rel=1e-9)
    slow = tracker.Tracker(Fixed(asks=5.0), straight, vehicle=plain, envelope=envelope)
    assert max(slow.command(at(0.02 * i, speed=1.0)).curvature for i in range(200)) == pytest.approx(
        0.1, rel=1e-9
    )


def test_late_step_does_not_let_the_command_jump(straight):
    """After a gap of seconds the curvature moves no further than in a tenth of a second."""
    envelope = tracker.Envelope(curvature_rate=0.1)
    follower = tracker.Tracker(Fixed(asks=1.0), straight, tracker.Response(), envelope)
    first = follower.command(at(0.0)).curvature
    assert follower.command(at(5.0)).curvature - first == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize(
    "field", ["time", "x", "y", "heading", "speed", "yaw_rate", "steering_angle", "pose_age"]
)
@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_measurement_that_is_not_finite_gives_a_controlled_stop(law, field, bad, straight):
    """The curvature is held, the speed falls at the envelope's deceleration, and the reason is kept."""
    follower = tracker.Tracker(law, straight, vehicle=VEHICLE)
    before = [follower.command(at(0.02 * i, x=0.16 * i, y=0.02)) for i in range(10)][-1]
    stops = [follower.command(replace(at(0.2 + 0.02 * i, x=1.6), **{field: bad})) for i in range(300)]
    assert follower.stopped_because is tracker.StopReason.MEASUREMENT_NOT_FINITE
    assert all(math.isfinite(c.curvature) and math.isfinite(c.acceleration) for c in stops)
    assert stops[0].curvature == pytest.approx(before.curvature, rel=1e-9)
    speeds = np.array([before.speed, *(c.speed for c in stops)])
    assert np.diff(speeds).min() >= -follower.envelope.deceleration * 0.02 - 1e-12
    assert speeds[-1] == 0.0
    # A good measurement lets it steer again, but the stop is for good.
    after = follower.command(at(7.0, x=20.0, speed=0.0))
    assert math.isfinite(after.curvature)
    assert after.speed == 0.0


def test_time_that_does_not_increase_gives_a_controlled_stop(straight):
    """A repeated or earlier time stamp is a fault of the measurement."""
    for late in (0.5, 0.3):
        follower = tracker.Tracker(tracker.PurePursuit(), straight)
        follower.command(at(0.5))
        follower.command(at(late))
        assert follower.stopped_because is tracker.StopReason.TIME_NOT_INCREASING


def test_law_without_an_answer_gives_a_controlled_stop(straight):
    """A law that gives NaN stops the vehicle and holds the last curvature."""
    follower = tracker.Tracker(Fixed.model_construct(asks=math.nan), straight)
    command = follower.command(at(0.0))
    assert follower.stopped_because is tracker.StopReason.LAW_FAILED
    assert (command.curvature, command.acceleration) == (0.0, -follower.envelope.deceleration)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_stops_at_the_end_of_an_open_path(law, straight):
    """Before the end the speed asked is at most that from which the envelope stops in what remains."""
    follower = tracker.Tracker(law, straight, tracker.Response(), start=280.0)
    for i in range(100):
        x = 280.0 + 0.19 * i
        command = follower.command(at(0.02 * i, x=x))
        remaining = max(300.0 - x, 0.0)
        assert command.speed <= math.sqrt(2.0 * follower.envelope.deceleration * remaining) + 1e-6
    assert follower.command(at(3.0, x=300.5, speed=0.5)).speed == 0.0


def test_first_measurement_is_located_on_the_whole_path(straight):
    """A tracker that is not told where it starts finds itself."""
    follower = tracker.Tracker(tracker.Stanley(), straight)
    follower.command(at(0.0, x=213.0, y=1.0))
    assert follower.arc_length == pytest.approx(213.0, abs=1e-6)


def test_takes_the_vehicle_that_the_law_carries(straight):
    """A law from a parameter file brings its vehicle; one that is handed over goes first."""
    law = tracker.PurePursuit(response=VEHICLE)
    assert tracker.Tracker(law, straight).response == VEHICLE
    assert tracker.Tracker(law, straight, vehicle=tracker.Response(wheelbase=5.0)).response.wheelbase == 5.0
    assert tracker.Tracker(tracker.PurePursuit(), straight).response == tracker.Response()


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"period": 0.5}, "period is 0.5 s; expected 0.005 to 0.1 s"),
        ({"speed_factor": 0.0}, "speed_factor is 0.0; expected above 0"),
        ({"jump_beyond": 0.0}, "jump_beyond is 0.0 m; expected above 0 m"),
        ({"blind_for": math.nan}, "blind_for is nan s; expected above 0 s"),
        ({"vehicle": 3.0}, "vehicle is a float; expected a tracker.Response"),
    ],
)
def test_settings_out_of_range_are_refused(settings, sentence, straight):
    """A wrong setting is named with its value, what was expected and the remedy."""
    with pytest.raises(InputError, match=sentence):
        tracker.Tracker(tracker.PurePursuit(), straight, **settings)


def test_laws_in_python_and_compiled_ones_are_both_covered():
    """The suite above meets both ways of running a law."""
    assert {law.kernel == IN_PYTHON for law in LAWS} == {True, False}


@pytest.mark.parametrize("speed", [0.5, 1.0, 3.0, 5.0])
@pytest.mark.parametrize("fault", ["not finite", "same time", "far off"])
def test_stop_never_asks_for_more_than_the_vehicle_drives(speed, fault, straight):
    """A vehicle slower than the plan is stopped from its own speed: it was once asked for the plan's, and sped up."""
    for law in LAWS:
        # A pose that is far off at once is believed only where jumps are allowed.
        follower = tracker.Tracker(law, straight, vehicle=VEHICLE, jump_beyond=99.0)
        for i in range(20):
            follower.command(at(0.02 * i, x=0.02 * i * speed, speed=speed))
        bad = {
            "not finite": at(0.4, x=math.nan, speed=speed),
            "same time": at(0.38, x=0.4 * speed, speed=speed),
            "far off": at(0.4, x=0.4 * speed, y=12.0, speed=speed),
        }[fault]
        command = follower.command(bad)
        assert command.speed <= speed
        assert command.acceleration == -follower.envelope.deceleration


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"y": 60.0}, "LOST"),
        ({"y": -9.1}, "LOST"),
        ({"heading": math.pi}, "LOST"),
        ({"heading": -1.6}, "LOST"),
        ({"speed": -3.0}, "ROLLING_BACK"),
    ],
)
def test_vehicle_in_the_wrong_place_is_stopped(law, values, reason, straight):
    """Far from the path, across it or rolling back: a controlled stop that holds the curvature, with the reason."""
    follower = tracker.Tracker(law, straight, vehicle=VEHICLE)
    command = follower.command(at(0.0, x=100.0, **values))
    assert follower.stopped_because.name == reason
    assert math.isfinite(command.curvature)
    assert command.speed <= SPEED - follower.envelope.deceleration * 0.02 + 1e-12
    assert tracker.Tracker(law, straight, vehicle=VEHICLE, lost_beyond=100.0).command(
        at(0.0, x=100.0, y=20.0)
    ).speed == pytest.approx(SPEED)
