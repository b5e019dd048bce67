"""What happens on a drive: each event against its physics, worked out apart from the simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import tracker
import tracks
import tuning
from tracks.errors import InputError
from tuning.simulation.happenings import beyond_corridor

GRAVITY = 9.80665  # m/s², standard gravity
SHUTTLE = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9, "width": 2.0},
        "tyres": {"cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3},
        "steering": {"dead_time": 0.11, "natural_frequency": 11.0, "damping": 0.75},
        "drive": {"brake_dead_time": 0.15, "brake_lag": 0.2, "deceleration_limit": 4.0},
    }
)
LAWS = [kind() for kind in tracker.LAWS.values()]
NAMES = [law.name for law in LAWS]
SPEED = 10.0


def straight(length: float = 400.0, speed: float = SPEED, half_width: float = 1.75) -> tracks.Track:
    """A straight lane at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(length)])
    corridor = tracks.Corridor.of_width(path, half_width)
    return tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, speed), corridor=corridor)


def circle(radius: float = 50.0, speed: float = SPEED) -> tracks.Track:
    """A long left turn at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(30.0), tracks.Arc(400.0, 1.0 / radius)])
    return tracks.Track(name="circle", path=path, speed=np.full(path.s.shape, speed))


def drive(event, law=LAWS[1], vehicle=SHUTTLE, track=None, **scenario):
    """Drive with one event and give (run, what became of it)."""
    run = tuning.simulate(law, vehicle, track or straight(), tuning.Scenario(events=(event,), **scenario))
    return run, run.happenings[0]


def braked(speed: float, deceleration: float, dead_time: float, lag: float) -> float:
    """Distance to a standstill: dead time, first-order lag, constant deceleration.

    v = v₀ − a (t − T (1 − e^(−t/T))) after the dead time; the exponential has died out at the standstill, so the
    lag costs v₀ T − a T²/2.
    """
    return speed * (dead_time + lag) + speed**2 / (2.0 * deceleration) - 0.5 * deceleration * lag**2


@pytest.mark.parametrize("speed", [4.0, 10.0, 15.0])
def test_category_0_stops_by_the_brake_alone(speed):
    """Power removed: v²/2a, and dead time and lag of the brake."""
    vehicle = SHUTTLE.replace(**{"drive.emergency_deceleration": 3.0})
    run, found = drive(
        tuning.StopDemand(category=0, at_time=2.0), vehicle=vehicle, track=straight(speed=speed)
    )
    assert run.outcome is tuning.Outcome.STOPPED_ON_DEMAND
    assert run.as_meant
    assert found.begun == pytest.approx(2.0, abs=0.011)
    assert found.speed == pytest.approx(speed, rel=1e-6)
    assert found.stopping_distance == pytest.approx(braked(speed, 3.0, 0.15, 0.2), rel=0.02)
    # Nobody steers any more.
    after = run.time > found.begun + 0.05
    assert np.ptp(run.steering_angle[after]) < 1e-6


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("category", [1, 2])
def test_category_1_and_2_stop_along_the_ramp_on_the_path(law, category):
    """The vehicle follows the commanded ramp late by dead time and lag: an own integration of the speed loop."""
    run, found = drive(tuning.StopDemand(category=category, at_distance=60.0), law, track=circle())
    assert run.outcome is tuning.Outcome.STOPPED_ON_DEMAND
    assert found.at == pytest.approx(60.0, abs=0.25)
    d = SHUTTLE.drive
    ramp = tracker.Envelope().deceleration

    def slope(t: float, q: np.ndarray) -> list[float]:
        late = t - d.brake_dead_time
        commanded, forward = (max(SPEED - ramp * late, 0.0), -ramp) if late > 0.0 else (SPEED, 0.0)
        demand = min(max(forward + d.speed_gain * (commanded - q[1]), -d.deceleration_limit), 0.0)
        return [q[1], q[2], (demand - q[2]) / d.brake_lag]

    standing = lambda t, q: q[1] - 0.02  # noqa: E731  # solve_ivp wants an attribute on it
    standing.terminal = True
    alone = solve_ivp(slope, (0.0, 60.0), [0.0, SPEED, 0.0], events=standing, rtol=1e-9, max_step=0.01)
    assert found.stopping_distance == pytest.approx(float(alone.y[0, -1]), rel=0.02)
    # As long as one v²/2a and the delay, at the most: the loop brakes harder where it is late.
    assert found.stopping_distance < 1.02 * braked(SPEED, ramp, d.brake_dead_time, d.brake_lag)
    assert found.lateral_error < 0.15  # it keeps to the path while it stops


def test_a_stop_without_speed_loop_is_v_squared_over_2a_and_the_delay():
    """Category 1 where the vehicle only takes the feed-forward: the textbook stopping distance."""
    vehicle = SHUTTLE.replace(**{"drive.speed_gain": 0.0})
    _, found = drive(tuning.StopDemand(category=1, at_time=2.0), vehicle=vehicle)
    ramp = tracker.Envelope().deceleration
    assert found.stopping_distance == pytest.approx(braked(SPEED, ramp, 0.15, 0.2), rel=0.02)


def test_category_2_drives_on_when_it_is_released():
    """The vehicle stands with power, then takes up the plan within the envelope's acceleration."""
    run, found = drive(tuning.StopDemand(category=2, at_time=3.0, duration=12.0), track=circle())
    assert run.outcome is tuning.Outcome.FINISHED
    assert found.ended == pytest.approx(15.0, abs=0.011)
    standing = (run.time > 10.0) & (run.time < 15.0)
    assert np.all(run.speed[standing] < 0.02)
    envelope = tracker.Envelope()
    rising = np.diff(run.command_speed[run.s < 380.0][::2])
    assert rising.max() < 1.001 * envelope.acceleration * 0.02
    assert run.speed[run.time > 25.0].max() == pytest.approx(SPEED, rel=0.02)
    assert not math.isnan(run.measures["lateral_error_max"])


def test_the_watchdog_stops_a_vehicle_that_hears_nothing():
    """Silence of 0.3 s, then v²/2a with the brake's delay; the steering holds its last angle."""
    vehicle = SHUTTLE.replace(**{"link.watchdog": 0.3, "link.watchdog_deceleration": 2.5})
    run, found = drive(tuning.LinkLost(at_time=3.0), vehicle=vehicle, track=circle(radius=80.0))
    assert run.outcome is tuning.Outcome.STOPPED_BY_WATCHDOG
    # The last command that arrived was given up to one period before the loss.
    silent = SPEED * (0.3 - 0.01)
    assert found.stopping_distance == pytest.approx(silent + braked(SPEED, 2.5, 0.15, 0.2), rel=0.02)
    held = run.time > found.begun + 0.6
    assert np.ptp(run.steering_angle[held]) < 1e-3
    assert run.measures["stopping_distance"] == found.stopping_distance


def test_a_short_loss_of_the_link_stops_nothing():
    """Shorter than the watchdog, it costs some centimetres in a curve, no more."""
    run, found = drive(tuning.LinkLost(at_time=3.0, duration=0.15), track=circle())
    assert run.outcome is tuning.Outcome.FINISHED
    assert math.isnan(found.stopping_distance)
    assert found.lateral_error < 0.1


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_lost_localisation_is_bridged_then_stopped(law):
    """0.3 s are bridged by reckoning; longer, the tracker stops the vehicle on the reckoned path."""
    short, _ = drive(tuning.LocalisationLost(at_time=4.0, duration=0.3), law, track=circle())
    assert short.outcome is tuning.Outcome.FINISHED
    run, found = drive(tuning.LocalisationLost(at_time=4.0), law, track=circle())
    assert run.outcome is tuning.Outcome.STOPPED
    assert run.stop_reason is tracker.StopReason.LOCALISATION_LOST
    assert run.as_meant
    # 0.5 s blind at full speed, then the ramp.
    ramp = tracker.Envelope().deceleration
    bound = SPEED * 0.55 + braked(SPEED, ramp, 0.15, 0.2)
    assert 0.7 * bound < found.stopping_distance < 1.02 * bound
    # Speed and yaw rate are exact here, so the reckoned path is the true one but for the rear axle's slip: the
    # reckoning takes the rear axle to move where the vehicle points, off by m a v²/(L C_r R) = 0.025 rad at 10 m/s.
    assert found.lateral_error < 0.025 * found.stopping_distance + 0.05


def test_a_jump_of_the_pose_is_not_followed():
    """Three metres at once are not believed; 0.3 m are, and the vehicle goes over by as much."""
    far, found = drive(tuning.LocalisationJump(at_time=4.0, lateral=3.0, duration=20.0))
    assert far.outcome is tuning.Outcome.STOPPED
    assert far.stop_reason is tracker.StopReason.LOCALISATION_LOST
    assert found.lateral_error < 0.05
    near, found = drive(tuning.LocalisationJump(at_time=4.0, lateral=0.3, duration=20.0))
    assert near.outcome is tuning.Outcome.FINISHED
    settled = (near.time > 15.0) & (near.time < 23.0)
    np.testing.assert_allclose(near.lateral_error[settled], -0.3, atol=0.005)
    # A pose that comes back within what is believed is followed back.
    assert abs(near.lateral_error[-100]) < 0.01
    assert found.ended == pytest.approx(24.0, abs=0.011)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
@pytest.mark.parametrize("speed", [6.0, 13.0])
def test_hand_back_makes_no_jump(law, speed):
    """Taken over, driven 1.5 m beside the path and handed back, wheels turned, at another speed."""
    event = tuning.DriverTakesOver(at_time=4.0, duration=1.5, lateral_offset=2.0, speed=speed)
    run, found = drive(event, law, track=circle(radius=60.0))
    assert run.outcome is tuning.Outcome.FINISHED
    back = int(np.searchsorted(run.time, found.ended - 1e-6))
    assert abs(run.lateral_error[back]) > 0.5
    assert abs(run.steering_angle[back]) > 0.02
    response, envelope = SHUTTLE.response, tracker.Envelope()
    rate = envelope.values(response).curvature_rate
    curvature = run.command_curvature[back - 2 :: 2]
    # Understeer is corrected on top of the curvature: (L + K v²)/L at the speeds met here.
    corrected = 1.0 + response.understeer_gradient * run.speed[back:].max() ** 2 / response.wheelbase
    assert np.abs(np.diff(curvature[:100])).max() < 1.05 * rate * 0.02 * corrected
    commanded = run.command_speed[back - 2 :: 2]
    assert abs(commanded[1] - run.speed[back]) < 0.1
    assert np.abs(np.diff(commanded[:100])).max() < 1.01 * 2.0 * 0.02
    # And the law brings the vehicle back.
    assert np.abs(run.lateral_error[-200:]).max() < 0.1
    # While the driver steers, and until the vehicle has come back, errors are nobody's.
    assert run.measures["lateral_error_max"] < abs(run.lateral_error[back])


def test_the_driver_holds_the_speed_while_the_law_steers():
    """Speed goes to what the driver holds, then back to the plan; the path is kept."""
    run, found = drive(tuning.DriverHoldsSpeed(at_time=3.0, duration=15.0, speed=6.0), track=circle())
    assert run.outcome is tuning.Outcome.FINISHED
    held = (run.time > 13.0) & (run.time < 18.0)
    np.testing.assert_allclose(run.speed[held], 6.0, atol=0.02)
    assert found.lateral_error < 0.1
    assert run.speed[run.time > 26.0].max() == pytest.approx(SPEED, rel=0.02)


@pytest.mark.parametrize("model", ["kinematic", "single-track", "single-track-brush"])
def test_ice_lengthens_the_stop_to_v_squared_over_2_mu_g(model):
    """Below the deceleration that is asked for, grip decides."""
    vehicle = SHUTTLE.replace(**{"body.model": model})
    ice = tuning.FrictionChange(at_distance=0.0, friction=0.2)
    stop = tuning.StopDemand(category=0, at_time=2.0)
    run = tuning.simulate(LAWS[1], vehicle, straight(), tuning.Scenario(events=(ice, stop)))
    grip = 0.2 * GRAVITY
    # The brake rises to 4 m/s² with its lag, of which the road takes what it can: from t on it is µ g.
    lag, asked = 0.2, 4.0
    t = lag * math.log(asked / (asked - grip))
    lost = asked * (t - lag * grip / asked)
    rise = asked * (0.5 * t**2 - lag * t + lag**2 * grip / asked)
    expected = SPEED * (0.15 + t) - rise + (SPEED - lost) ** 2 / (2.0 * grip)
    assert run.happenings[1].stopping_distance == pytest.approx(expected, rel=0.02)


def test_more_load_brakes_worse_and_moves_the_centre():
    """Brake force stays, mass grows by a quarter: deceleration 4/1.25."""
    load = tuning.LoadChange(at_time=1.0, mass=900.0, position=0.5)
    stop = tuning.StopDemand(category=0, at_time=2.0)
    run = tuning.simulate(LAWS[1], SHUTTLE, straight(), tuning.Scenario(events=(load, stop)))
    expected = braked(SPEED, 4.0 / 1.25, 0.15, 0.2)
    assert run.happenings[1].stopping_distance == pytest.approx(expected, rel=0.02)


def test_load_follows_statics_and_parallel_axes():
    """Centre of gravity and yaw inertia of two point-wise known masses (statics; Steiner)."""
    from tuning.simulation.loading import loaded

    p = loaded(SHUTTLE, SHUTTLE.plant, 900.0, 0.5)
    rear = (3600.0 * 1.5 + 900.0 * 0.5) / 4500.0
    assert p.mass == 4500.0
    assert p.rear_axle_distance == pytest.approx(rear, rel=1e-14)
    assert p.front_axle_distance == pytest.approx(3.4 - rear, rel=1e-14)
    inertia = 3600.0 * 1.9 * 1.5 + 3600.0 * (1.5 - rear) ** 2 + 900.0 * (0.5 - rear) ** 2
    assert p.yaw_inertia == pytest.approx(inertia, rel=1e-14)
    with pytest.raises(InputError, match="lifts an axle"):
        loaded(SHUTTLE, SHUTTLE.plant, 3000.0, -3.0)
    light = SHUTTLE.replace(**{"body.mass": None, "body.model": "kinematic"})
    with pytest.raises(InputError, match=r"without body\.mass"):
        loaded(light, light.plant, 100.0, None)


def test_grade_costs_speed_that_the_loop_makes_up_for():
    """A proportional speed loop leaves g sin(grade)/gain; with an integral part nothing is left."""
    grade = 0.04
    uphill = tuning.RoadTilt(at_time=3.0, grade=grade)
    run, _ = drive(uphill, track=straight(700.0))
    late = (run.time > 25.0) & (run.s < 600.0)
    short = GRAVITY * math.sin(grade) / SHUTTLE.drive.speed_gain
    np.testing.assert_allclose(SPEED - run.speed[late], short, rtol=0.01)
    vehicle = SHUTTLE.replace(**{"drive.speed_integral": 0.3})
    run, _ = drive(uphill, vehicle=vehicle, track=straight(700.0))
    late = (run.time > 45.0) & (run.s < 600.0)
    np.testing.assert_allclose(run.speed[late], SPEED, atol=0.01)


def test_bank_pulls_the_vehicle_downhill():
    """A kinematic vehicle without understeer does not feel bank; a dynamic one drifts to the lower, right side."""
    bank = tuning.RoadTilt(at_time=3.0, bank=0.05)
    run, _ = drive(bank)
    assert run.lateral_error.min() < -0.01
    assert run.lateral_error.max() < 0.01
    still, _ = drive(bank, vehicle=SHUTTLE.replace(**{"body.model": "kinematic"}))
    assert np.abs(still.lateral_error).max() < 1e-6


def test_a_gust_pushes_downwind():
    """Wind to the left moves the vehicle to the left, more for twice the speed; without side area not at all."""
    vehicle = SHUTTLE.replace(**{"body.side_area": 10.0, "body.pressure_centre": 0.3})
    sideways = []
    for speed in (8.0, 16.0):
        run, found = drive(tuning.SideWind(at_time=3.0, speed=speed, duration=4.0), vehicle=vehicle)
        assert run.lateral_error.max() > abs(run.lateral_error.min())
        sideways.append(found.lateral_error)
    # ½ ρ A V w with V² = v² + w²: 16 √356 over 8 √164.
    assert sideways[1] / sideways[0] == pytest.approx(
        16.0 * math.sqrt(356.0) / (8.0 * math.sqrt(164.0)), rel=0.1
    )
    calm, _ = drive(tuning.SideWind(at_time=3.0, speed=16.0))
    assert np.abs(calm.lateral_error).max() < 1e-6


def test_excursion_is_what_the_body_sticks_out_of_the_corridor():
    """2 m wide in a lane of 2 × 1.25 m, driven 0.6 m beside its middle: 0.35 m beyond the edge, and a little more."""
    event = tuning.DriverTakesOver(at_time=2.0, duration=10.0, lateral_offset=0.6)
    run, found = drive(event, track=straight(half_width=1.25))
    assert found.excursion == pytest.approx(np.abs(run.lateral_error).max() - 0.25, abs=1e-9)
    assert 0.34 < found.excursion < 0.5  # the driver overshoots a little
    assert beyond_corridor(run, slice(0, 10)) == 0.0


@pytest.mark.parametrize("event", [
    lambda: tuning.StopDemand(category=1),
    lambda: tuning.StopDemand(category=1, at_time=1.0, at_distance=1.0),
    lambda: tuning.StopDemand(category=0, at_time=1.0, duration=1.0),
    lambda: tuning.LinkLost(at_time=1.0, duration=1.0, length=1.0),
    lambda: tuning.DriverTakesOver(at_time=1.0),
])  # fmt: skip
def test_events_that_make_no_sense_are_refused_in_a_sentence(event):
    """What, expected and remedy are all there."""
    with pytest.raises(ValueError, match=r"expected .+"):
        event()


def test_events_survive_a_file():
    """A scenario comes back from JSON as it was, each event as its own kind."""
    scenario = tuning.Scenario(
        events=(
            tuning.StopDemand(category=2, at_time=3.0, duration=2.0),
            tuning.FrictionChange(at_distance=10.0, length=5.0, friction=0.3),
        ),
        localisation=tuning.Localisation(noise=0.02, dropouts=3.0),
    )
    assert tuning.Scenario.model_validate_json(scenario.model_dump_json()) == scenario
