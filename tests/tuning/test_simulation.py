"""The closed loop: one source, exact dead times, honest outcomes, every course and law."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from shuttle_drives import TYRES, check_plain_loop
from shuttle_drives import VEHICLES as SHUTTLES

import tracker
import tracks
import tuning
from tuning.simulation import Localisation

LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
VEHICLES = {**SHUTTLES, "first-order steering": TYRES.replace(**{"steering.lag": 0.13})}


def straight(length: float, speed: float, offset: float = 0.0) -> tracks.Track:
    """A straight at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(length)])
    return tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, speed), start_offset=offset)


@pytest.mark.parametrize("vehicle", VEHICLES.values(), ids=VEHICLES)
@pytest.mark.parametrize(
    "law", [law for law in LAWS if law.kernel], ids=["PurePursuit", "Stanley", "PreviewLQR"]
)
def test_compiled_and_plain_loop_agree(law, vehicle, monkeypatch):
    """A whole drive in compiled code and the same source in plain Python agree to 1e-9 in every recording."""
    check_plain_loop(law, vehicle, 4.0, monkeypatch)


def test_laws_in_python_meet_the_same_loop(monkeypatch):
    """A law run through the Python loop drives exactly as through the compiled one."""
    from tracker.laws.closed_form import wanted_curvature
    from tracker.memory import LAW_SLOTS

    class Wrapped(tracker.PurePursuit):
        """Pure pursuit that pretends to have no kernel."""

        kernel = 0

        def start(self, response, envelope, track, period, speed_factor):
            """Run the compiled formula from Python."""
            arrays, gains = track.arrays.path, self.gain_table(response, envelope, period)
            state = np.zeros(LAW_SLOTS)

            class Runner:
                def __init__(self) -> None:
                    self.counts: dict[str, int] = {}

                def curvature(self, view):
                    return wanted_curvature(1, gains, response.values, arrays, view, state)

            return Runner()

    track = tracks.double_lane_change(speed=7.0)
    compiled = tuning.simulate(tracker.PurePursuit(), VEHICLES["single-track"], track)
    by_python = tuning.simulate(Wrapped(), VEHICLES["single-track"], track)
    np.testing.assert_allclose(by_python.lateral_error, compiled.lateral_error, atol=1e-9)
    assert by_python.outcome is compiled.outcome


def test_tracker_on_the_vehicle_gives_the_commands_of_the_simulation():
    """Fed with the measurements of a run, `tracker.Tracker` gives the very commands of that run."""
    track = tracks.double_lane_change(speed=7.0)
    for law in LAWS:
        run = tuning.simulate(law, VEHICLES["single-track"], track)
        follower = tracker.Tracker(law, track, vehicle=VEHICLES["single-track"], start=0.0)
        # The simulation starts from the steady state, the tracker from nothing: the same on a straight entry.
        for i in range(0, run.time.size - 2, 2):
            command = follower.command(
                tracker.Measurement(
                    run.time[i], run.x[i], run.y[i], run.heading[i], run.speed[i], run.yaw_rate[i],
                    run.steering_angle[i],
                )
            )  # fmt: skip
            assert command.curvature == pytest.approx(run.command_curvature[i], abs=1e-9)
            assert command.speed == pytest.approx(run.command_speed[i], abs=1e-9)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("field", ["time", "x", "y", "heading", "speed", "yaw_rate", "steering_angle"])
@pytest.mark.parametrize("value", [math.nan, -1e300, 1e300, 1e11])
def test_no_measurement_makes_a_command_that_is_not_finite(law, field, value):
    """A value of a broken sensor, NaN or absurdly large, is answered by a controlled stop in finite numbers."""
    follower = tracker.Tracker(law, tracks.campus_loop(), vehicle=VEHICLES["single-track"])
    sound = {"x": 0.0, "y": 0.0, "heading": 0.0, "speed": 5.0}
    for i in range(8):
        measured = {**sound, "time": 0.02 * i, "x": 0.1 * i, **({field: value} if i == 4 else {})}
        command = follower.command(tracker.Measurement(**measured))
        assert all(map(math.isfinite, (command.curvature, command.speed, command.acceleration)))
    assert follower.stopped_because is tracker.StopReason.MEASUREMENT_NOT_FINITE


@pytest.mark.parametrize("dead_time", [0.0, 0.1, 0.1137, 0.1299])
def test_dead_time_is_a_real_number(dead_time):
    """A command acts exactly its dead time after it was given, on no grid."""
    vehicle = VEHICLES["kinematic"].replace(
        **{"steering.dead_time": dead_time, "steering.offset": 0.0, "steering.gain": 1.0}
    )
    run = tuning.simulate(tracker.Stanley(), vehicle, straight(60.0, 6.0, offset=0.5))
    p = vehicle.plant
    period = 0.02
    asked = np.arctan(p.wheelbase * run.command_curvature[::2])

    def slope(t: float, q: np.ndarray, target: float) -> list[float]:
        return [q[1], p.natural_frequency**2 * (target - q[0]) - 2 * p.damping * p.natural_frequency * q[1]]

    # The steering alone, by an adaptive method cut at the moments when a command arrives; rate limit not met.
    state, end = np.zeros(2), 3.0
    cuts = sorted({0.0, end, *(t for k in range(200) if (t := k * period + dead_time) < end)})
    for low, high in itertools.pairwise(cuts):
        k = math.floor((low - dead_time) / period + 1e-9)
        target = asked[k] if k >= 0 else 0.0
        state = solve_ivp(slope, (low, high), state, args=(target,), rtol=1e-10, atol=1e-13).y[:, -1]
    assert np.abs(run.steering_rate).max() < 0.95 * p.rate_limit
    # RK4 at 5 ms on ω = 11 rad/s: (ω h)⁵/120 a step, some 1e-8 rad over the whole.
    assert run.steering_angle[round(end / 0.01)] == pytest.approx(state[0], abs=2e-7)


def test_steady_curve_starts_and_stays_steady():
    """On a circle the vehicle starts in its steady turn, with side-slip and understeer, and ends in one."""
    path = tracks.Path.from_segments([tracks.Arc(2 * math.pi * 40.0, 1 / 40.0)], closed=True)
    track = tracks.Track(name="circle", path=path, speed=np.full(path.s.shape, 7.0))
    vehicle = VEHICLES["single-track"].replace(**{"steering.offset": 0.0, "steering.gain": 1.0})
    run = tuning.simulate(tracker.PurePursuit(), vehicle, track)
    assert run.outcome is tuning.Outcome.FINISHED
    # Until the first command acts: the angle from the linear understeer is 1e-4 rad off that of the body.
    before = run.time < vehicle.steering.dead_time
    assert run.lateral_acceleration[before] == pytest.approx(7.0**2 / 40.0, rel=2e-3)
    assert np.ptp(run.steering_angle[before]) < 1e-4
    # In the end the law holds the circle: it is told where the rear axle moves. The slip it is told is that of a
    # linear steady turn, which differs from the body's by its third order, some 1e-3 rad over a lookahead of 10 m.
    end = run.time > run.time[-1] - 5.0
    assert np.ptp(run.lateral_acceleration[end]) < 1e-3
    assert np.abs(run.lateral_error[end]).max() < 0.005


def test_stops_at_the_end_of_the_path():
    """The drive ends at rest within a hand's breadth of the end, without braking beyond the plan's deceleration."""
    for law in LAWS:
        run = tuning.simulate(law, VEHICLES["single-track"], tracks.double_lane_change(speed=7.0))
        assert run.outcome is tuning.Outcome.FINISHED
        assert abs(run.s[-1] - run.track.path.length) < 0.1
        assert run.speed[-1] < 0.03
        assert run.longitudinal_acceleration.min() > -1.3


def test_same_seed_gives_every_law_the_same_noise():
    """The noise belongs to the scenario: same seed, same drive; another seed, another drive."""
    track = tracks.double_lane_change(speed=7.0)
    noisy = tuning.Scenario(name="noisy", localisation=Localisation(noise=0.03, heading_noise=0.01), seed=4)
    first, again, other = (
        tuning.simulate(LAWS[0], VEHICLES["single-track"], track, scenario)
        for scenario in (noisy, noisy, noisy.model_copy(update={"seed": 5}))
    )
    assert np.array_equal(first.lateral_error, again.lateral_error)
    assert not np.array_equal(first.lateral_error, other.lateral_error)


def test_latency_and_delay_unknown_to_the_law_make_it_worse():
    """What the law does not know of costs accuracy, in the order of its size."""
    track = straight(150.0, 7.0, offset=1.0)
    late = [
        tuning.simulate(LAWS[0], VEHICLES["kinematic"], track, tuning.Scenario(extra_dead_time=extra))
        for extra in (0.0, 0.2, 0.4)
    ]
    overshoot = [-run.lateral_error.min() for run in late]
    assert overshoot[0] < overshoot[1] < overshoot[2]
    aged = tuning.simulate(
        LAWS[0], VEHICLES["kinematic"], track, tuning.Scenario(localisation=Localisation(latency=0.3))
    )
    assert -aged.lateral_error.min() > overshoot[0]


def test_getting_lost_is_an_outcome():
    """An unstable loop ends as LOST, and the run holds what happened until then."""
    law = tracker.Stanley(gain=8.0, softening=0.01)
    run = tuning.simulate(
        law, VEHICLES["kinematic"], straight(900.0, 20.0, 1.0), tuning.Scenario(extra_dead_time=0.6)
    )
    assert run.outcome is tuning.Outcome.LOST
    assert np.abs(run.lateral_error[-1]) > 3.0 * 3.4


def test_law_that_gives_up_is_a_controlled_stop():
    """A law that has no answer stops the vehicle, and the outcome and the reason say so."""

    class Silent(tracker.Law):
        """A law that never answers."""

        def start(self, response, envelope, track, period, speed_factor):
            """Give a runner without an answer."""

            class Runner:
                def __init__(self) -> None:
                    self.counts = {"silence": 0}

                def curvature(self, view):
                    self.counts["silence"] += 1
                    return math.nan

            return Runner()

    run = tuning.simulate(Silent(), VEHICLES["single-track"], straight(200.0, 7.0))
    assert run.outcome is tuning.Outcome.STOPPED
    assert run.stop_reason is tracker.StopReason.LAW_FAILED
    assert run.counts["silence"] > 100
    assert run.speed[-1] < 0.02


@pytest.mark.parametrize("course", tracks.COURSES)
@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_every_law_drives_every_course(law, course):
    """Each law with its default gains finishes each course within the corridor, with every vehicle model."""
    track = tracks.course(course)
    for vehicle in VEHICLES.values():
        run = tuning.simulate(law, vehicle, track)
        assert run.outcome is tuning.Outcome.FINISHED
        assert run.measures["lateral_error_max"] < 1.5
        assert not any(run.counts.get(name, 0) for name in ("solver_failed", "last_plan", "stop"))


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"period": 0.3}, "period is 0.3 s; expected 0.005"),
        ({"substep": 0.5}, "substep is 0.5 s; expected 1e-5"),
    ],
)
def test_settings_out_of_range_are_refused(settings, sentence):
    """A wrong setting is named with its value and what was expected."""
    with pytest.raises(ValueError, match=sentence):
        tuning.simulate(LAWS[0], VEHICLES["kinematic"], straight(50.0, 5.0), **settings)
