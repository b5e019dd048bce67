"""Where the simulated loop becomes unstable, against the boundary of the linear loop."""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from scipy.optimize import brentq, fsolve
from stability_drives import SPEEDS, delay_case, law_of, long_enough, setting_with
from stability_drives import grows as grows_on_the_car
from views import view_beside

import tracker
import tracks
import tuning
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import LAW_SLOTS
from tuning.stability import Setting, loop_at, map_of

PERIOD = 0.005
# A command is held over its period, which delays it by half a period on average; the vehicle gets that much less.
HOLD = 0.5 * PERIOD


def loop_phase_excess(loop, lag: float, dead_time: float) -> float:
    """Give the phase margin [rad] of a loop s ↦ L(s) behind a first-order lag and a dead time."""

    def gain(w: float) -> float:
        return abs(loop(1j * w) / (1.0 + 1j * w * lag)) - 1.0

    crossover = brentq(gain, 1e-3, 1e4, xtol=1e-14)
    phase = np.angle(loop(1j * crossover)) - math.atan(crossover * lag) - crossover * dead_time
    # Both loops have two integrators and one zero, so the open phase lies in (−π, −π/2).
    return math.pi + (phase if phase < 0.0 else phase - 2.0 * math.pi)


def pure_pursuit_loop(lookahead_time: float):
    """Give L(s) = 2/(T² s²) + 2/(T s), T = L_d/V: pure pursuit on a straight, kinematic vehicle."""
    return lambda s: 2.0 / (lookahead_time * s) ** 2 + 2.0 / (lookahead_time * s)


def stanley_loop(gain: float, speed: float, wheelbase: float):
    """Give L(s) = ((k + v/L) s + k v/L)/s²: the Stanley law on a straight, kinematic vehicle."""
    return lambda s: ((gain + speed / wheelbase) * s + gain * speed / wheelbase) / s**2


def critical_lookahead_time(lag: float, dead_time: float) -> float:
    """Give the smallest stable L_d/V of the linear loop, s."""
    return brentq(lambda t: loop_phase_excess(pure_pursuit_loop(t), lag, dead_time), 0.02, 20.0, xtol=1e-12)


def critical_dead_time(gain: float, speed: float, wheelbase: float, lag: float = 0.0) -> float:
    """Give the largest stable dead time of the Stanley law's linear loop, s."""
    return brentq(
        lambda t: loop_phase_excess(stanley_loop(gain, speed, wheelbase), lag, t), 0.0, 3.0, xtol=1e-12
    )


# Pure pursuit: (lag T, dead time τ) and smallest stable L_d/V, all in s: derived from the loop above, once and
# independently; the lag form is known from Ollero & Heredia 1995 (from memory).
PURE_PURSUIT = [
    (0.1, 0.1, 0.3390),
    (0.2, 0.1, 0.4553),
    (0.2, 0.2, 0.6781),
    (0.3, 0.2, 0.7974),
    (0.5, 0.2, 1.0208),
]
# Stanley law, wheelbase 2.7 m: (k 1/s, v m/s) and critical dead time s, derived likewise.
STANLEY = [(1.0, 10.0, 0.295), (2.5, 10.0, 0.210), (2.5, 20.0, 0.138), (1.0, 30.0, 0.123)]


def vehicle_with(lag: float, dead_time: float, wheelbase: float = 2.7) -> tuning.Vehicle:
    """A kinematic vehicle with first-order steering and no limit that could be met."""
    return tuning.Vehicle.model_validate(
        {
            "body": {"wheelbase": wheelbase, "model": "kinematic"},
            "steering": {"lag": lag, "dead_time": dead_time, "rate_limit": 100.0, "angle_limit": 1.4},
        }
    )


def grows(law: tracker.Law, vehicle: tuning.Vehicle, speed: float, seconds: float) -> bool:
    """Tell whether a small offset on a straight grows in a nonlinear simulation."""
    path = tracks.Path.from_segments([tracks.Straight(speed * seconds + 200.0)])
    track = tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, speed), start_offset=0.01)
    run = tuning.simulate(
        law, vehicle, track, period=PERIOD, substep=5e-4, compensate_dead_time=False,
        envelope=tracker.Envelope(lateral_acceleration=1e3, curvature=2.0, curvature_rate=1e3),
        response=tracker.Response(wheelbase=vehicle.body.wheelbase, rate_limit=100.0, angle_limit=1.4),
    )  # fmt: skip
    cruise = run.time < seconds
    error = np.abs(run.lateral_error[cruise])
    third = error.size // 3
    # Past the boundary the oscillation may already have met its limits, where it no longer grows.
    return bool(error[2 * third :].max() > min(error[third : 2 * third].max(), 5 * track.start_offset))


def simulated_boundary(unstable, low: float, high: float) -> float:
    """Bisect, on a logarithmic scale to 0.1 %, for the value where `unstable` (true at `low`) becomes false."""
    assert unstable(low)
    assert not unstable(high)
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if unstable(middle) else (low, middle)
    return math.sqrt(low * high)


@pytest.mark.parametrize(("lag", "dead_time", "published"), PURE_PURSUIT)
def test_pure_pursuit_boundary_of_the_linear_loop(lag, dead_time, published):
    """The boundary solved here is the reference value, and solves the two conditions of the boundary."""
    critical = critical_lookahead_time(lag, dead_time)
    # The reference values were found on a coarser grid: they lie up to 0.04 % above the exact solution.
    assert critical == pytest.approx(published, rel=5e-4)

    def conditions(unknown: np.ndarray) -> list[float]:
        t, w = unknown
        phase = math.atan(t * w) - math.atan(lag * w) - dead_time * w
        return [phase, 2.0 * math.hypot(1.0, t * w) - (t * w) ** 2 * math.hypot(1.0, lag * w)]

    assert fsolve(conditions, [published, 1.5 / published], xtol=1e-13)[0] == pytest.approx(
        critical, rel=1e-9
    )


def test_pure_pursuit_boundary_of_pure_lag_and_pure_dead_time():
    """With a lag alone the smallest L_d/V is T exactly, with dead time alone 1.9214 τ (both derived)."""
    # With lag alone the loop's phase approaches −180° from the stable side exactly when T = L_d/V.
    for ratio, stable in ((0.99, True), (1.01, False)):
        loop = control.tf([2.0, 2.0], [ratio, 1.0, 0.0, 0.0])
        poles = control.feedback(loop, 1).poles()
        assert bool(poles.real.max() < 0.0) is stable
    assert critical_lookahead_time(0.0, 0.2) / 0.2 == pytest.approx(1.9214, rel=1e-4)


@pytest.mark.parametrize(("lag", "dead_time", "published"), PURE_PURSUIT)
def test_pure_pursuit_simulated_boundary(lag, dead_time, published):
    """The nonlinear simulation loses stability within 2 % of the linear boundary."""
    speed = 10.0
    vehicle = vehicle_with(lag, dead_time - HOLD)

    def unstable(lookahead_time: float) -> bool:
        law = tracker.PurePursuit(
            lookahead_time=lookahead_time, shortest_lookahead=0.1, longest_lookahead=1e3
        )
        return grows(law, vehicle, speed, 60.0)

    assert simulated_boundary(unstable, 0.8 * published, 1.25 * published) == pytest.approx(
        published, rel=0.02
    )


@pytest.mark.parametrize(("gain", "speed", "published"), STANLEY)
def test_stanley_boundary_of_the_linear_loop(gain, speed, published):
    """The critical dead time solved here is the reference value to its last digit."""
    assert critical_dead_time(gain, speed, 2.7) == pytest.approx(published, abs=6e-4)


@pytest.mark.parametrize("feed_forward", [False, True])
@pytest.mark.parametrize(("gain", "speed", "published"), STANLEY)
def test_stanley_simulated_boundary(gain, speed, published, feed_forward):
    """Both forms of the law lose stability in simulation within 2 % of the critical dead time."""
    law = tracker.Stanley(gain=gain, softening=1e-3, feed_forward=feed_forward)
    lag = 0.002  # s: as good as none, and RK4 at 0.5 ms follows it
    critical = critical_dead_time(gain, speed, 2.7, lag)

    def stable(dead_time: float) -> bool:
        return not grows(law, vehicle_with(lag, dead_time - HOLD), speed, 30.0)

    boundary = simulated_boundary(stable, 0.8 * published, 1.25 * published)
    assert boundary == pytest.approx(critical, rel=0.02)
    assert critical == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize(
    ("gain", "speed", "wheelbase"), [(1.0, 10.0, 2.7), (2.5, 20.0, 2.7), (0.5, 5.0, 3.4)]
)
def test_stanley_poles(gain, speed, wheelbase):
    """On a straight the closed-loop poles of the simulated law are −k and −v/L (derived from the ACC 2007 law)."""
    path = tracks.Path.from_segments([tracks.Straight(400.0)])
    arrays = path.arrays
    response = tracker.Response(wheelbase=wheelbase).values
    law = tracker.Stanley(gain=gain, softening=1e-3)
    gains = law.gain_table(tracker.Response(), tracker.Envelope().values(tracker.Response()), 0.02)

    def curvature(error: float, heading: float) -> float:
        view = view_beside(arrays, 100.0, speed - 1e-3, error, heading)
        return wanted_curvature(law.kernel, gains, response, arrays, view, np.zeros(LAW_SLOTS))

    step = 1e-6
    to_error = (curvature(step, 0.0) - curvature(-step, 0.0)) / (2 * step)
    to_heading = (curvature(0.0, step) - curvature(0.0, -step)) / (2 * step)
    dynamics = np.array([[0.0, speed], [speed * to_error, speed * to_heading]])
    assert np.sort(np.linalg.eigvals(dynamics).real) == pytest.approx(
        sorted((-gain, -speed / wheelbase)), rel=1e-3
    )


def test_pure_pursuit_overshoot_of_an_offset():
    """ζ = 1/√2, so an initial offset overshoots by exp(−π) = 4.32 % whatever the gains (derived)."""
    speed = 10.0
    path = tracks.Path.from_segments([tracks.Straight(600.0)])
    track = tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, speed), start_offset=0.05)
    for lookahead_time in (1.0, 2.5):
        law = tracker.PurePursuit(lookahead_time=lookahead_time, longest_lookahead=100.0)
        run = tuning.simulate(law, vehicle_with(0.002, 0.0), track, period=PERIOD, substep=5e-4)
        # 0.05 m is linear to 1e-4; hold, lag and their compensation move the overshoot by their share of L_d/V.
        assert -run.lateral_error[run.time < 40.0].min() / 0.05 == pytest.approx(math.exp(-math.pi), rel=0.03)


@pytest.mark.parametrize(("lag", "dead_time", "published"), PURE_PURSUIT)
def test_pure_pursuit_boundary_of_the_map(lag, dead_time, published):
    """The map's edge, half a period of hold included exactly, is the reference value."""
    law = tracker.PurePursuit(shortest_lookahead=0.1, longest_lookahead=1e3)
    vehicle = vehicle_with(lag, dead_time - HOLD)
    setting = Setting(vehicle, period=PERIOD, compensate_dead_time=False)
    found = map_of(law, setting, "lookahead_time", np.geomspace(0.8, 1.25, 6) * published, [10.0])
    assert found.edge.shape == (1, 2)
    # Holding is a delay of half a period but for terms of the order of (crossover x period)^2, 1e-4 here.
    assert found.edge[0, 1] == pytest.approx(critical_lookahead_time(lag, dead_time), rel=3e-4)
    assert found.edge[0, 1] == pytest.approx(published, rel=1e-3)


@pytest.mark.parametrize(("gain", "speed", "published"), STANLEY)
def test_stanley_delay_margin_is_the_critical_dead_time(gain, speed, published):
    """The delay margin of a vehicle without dead time, and half a period, are the reference value."""
    law = tracker.Stanley(gain=gain, softening=1e-3)
    found = tuning.margins(law, vehicle_with(0.002, 0.0), speed, period=PERIOD)
    assert found.delay + HOLD == pytest.approx(critical_dead_time(gain, speed, 2.7, 0.002), rel=1e-3)
    assert found.delay + HOLD + 0.002 == pytest.approx(published, rel=0.01)


def test_poles_of_both_laws_on_a_straight():
    """Without delay: pure pursuit is damped by 1/sqrt 2 at sqrt 2 V/L_d, the Stanley law has -k and -v/L (derived)."""
    vehicle, speed = vehicle_with(0.002, 0.0), 10.0
    late = (
        0.002 + HOLD
    )  # s that cannot be taken away: what the lag and the hold make of the poles is of its order
    for law, expected in (
        (
            tracker.PurePursuit(lookahead_time=2.0, longest_lookahead=100.0),
            [complex(-0.5, 0.5), complex(-0.5, -0.5)],
        ),
        (tracker.Stanley(gain=0.5, softening=1e-3), [complex(-0.5), complex(-speed / 2.7)]),
    ):
        found = loop_at(law, Setting(vehicle, period=PERIOD), speed).poles().astype(complex)
        poles = np.log(found[np.abs(found) > 1e-3]) / PERIOD  # the others are of the delay
        for pole in expected:
            assert np.abs(poles - pole).min() < 2.0 * late * abs(pole) ** 2


@pytest.mark.parametrize("compensate", [True, False])
@pytest.mark.parametrize("name", tracker.LAWS)
def test_simulated_edge_is_within_two_per_cent_of_the_delay_margin(name, compensate):
    """Stable with 2 % less dead time on top than the loop allows, unstable with 2 % more, at five speeds."""
    for speed in SPEEDS:
        below, above, edge = delay_case(law_of(name), speed, compensate, 0.02)
        assert (below, above) == (False, True), f"{speed} m/s, edge at {edge:.4f} s"


@pytest.mark.parametrize("compensate", [True, False])
@pytest.mark.parametrize(("name", "gain", "low", "high", "way"), [
    ("PurePursuit", "lookahead_time", 0.15, 1.0, -1.0), ("Stanley", "gain", 0.5, 60.0, 1.0),
])  # fmt: skip
def test_simulated_edge_is_within_two_per_cent_of_the_map(name, gain, low, high, way, compensate):
    """The same along the gain of the map."""
    laws = {"PurePursuit": tracker.PurePursuit(shortest_lookahead=0.1), "Stanley": tracker.Stanley()}
    law, setting = laws[name], setting_with(compensate)
    found = map_of(law, setting, gain, np.geomspace(low, high, 16), SPEEDS)
    assert found.edge.shape[0] == len(SPEEDS)
    for speed, edge in found.edge:
        inside, outside = (law.with_gains({gain: edge * (1.0 - 0.02 * way * side)}) for side in (1.0, -1.0))
        loops = [(loop_at(one, setting, speed), 0.0) for one in (inside, outside)]
        seconds = long_enough(loops)
        told = [grows_on_the_car(one, speed, compensate, seconds) for one in (inside, outside)]
        assert told == [False, True], f"{speed} m/s, edge at {edge:.4f}"
