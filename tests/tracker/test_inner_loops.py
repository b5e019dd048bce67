"""Inner loops against a point mass with dead times, lags, coasting and a grade, written here."""

from __future__ import annotations

import itertools
import math
from collections import deque

import numpy as np
import pytest
from scipy.stats import norm

import tracker
from tracker.inner_loops import INTEGRAL, new_inner_loops_memory, positions
from tracks.errors import InputError
from tracks.one_source import plain

PERIOD = 0.02
LOOPS = tracker.InnerLoops(full_throttle=3.0, full_brake=6.0, coasting=0.3)
RESPONSE = tracker.Response(wheelbase=3.0)
GRAVITY = 9.81


class PointMass:
    """A mass with pedals: dead time and lag of each, coasting deceleration, grade; explicit Euler at 2 ms."""

    def __init__(self, speed: float = 0.0, slope: float = 0.0, gear: float = 1.0) -> None:
        self.speed, self.slope, self.gear = speed, slope, gear
        self.throttle = self.brake = 0.0
        # 0.2 s and 0.1 s of dead time; lags of 0.3 s and 0.15 s.
        self._throttles, self._brakes = deque([0.0] * 10), deque([0.0] * 5)

    def advance(self, throttle: float, brake: float) -> None:
        """Drive one period on two positions."""
        self._throttles.append(throttle)
        self._brakes.append(brake)
        throttle, brake = self._throttles.popleft(), self._brakes.popleft()
        h = PERIOD / 10
        for _ in range(10):
            self.throttle += h / 0.3 * (throttle - self.throttle)
            self.brake += h / 0.15 * (brake - self.brake)
            drive = self.gear * self.throttle * (LOOPS.full_throttle + LOOPS.coasting)
            force = drive - GRAVITY * math.sin(self.slope)
            resistance = LOOPS.coasting + self.brake * (LOOPS.full_brake - LOOPS.coasting)
            # Dry friction: it slows down and holds, and never pushes.
            after = self.speed + h * force
            self.speed = math.copysign(max(abs(after) - h * resistance, 0.0), after)


def run(mass, seconds, command, loops=LOOPS, noise=0.0, memory=None):
    """Close the loop; `command(t, speed)` gives (speed, acceleration). Arrays: speed, throttle, brake, asked."""
    generator = np.random.default_rng(7)
    memory = memory or new_inner_loops_memory()
    rows = []
    for i in range(round(seconds / PERIOD)):
        speed, acceleration = command(i * PERIOD, mass.speed)
        seen = mass.speed + noise * generator.standard_normal()
        _, throttle, brake = positions(
            loops.values, RESPONSE.values, memory, 0.0, speed, acceleration, seen, 0.0, PERIOD
        )
        assert 0.0 <= throttle <= 1.0
        assert 0.0 <= brake <= 1.0
        assert throttle == 0.0 or brake == 0.0
        rows.append((mass.speed, throttle, brake, speed))
        mass.advance(throttle, brake)
    return np.array(rows).T


def pedal_changes(throttle, brake) -> int:
    """How often the pedal in use changes."""
    used = [1 if t > 0.0 else -1 for t, b in zip(throttle, brake, strict=True) if t + b > 0.0]
    return sum(a != b for a, b in itertools.pairwise(used))


@pytest.mark.parametrize("slope", [0.0, 0.08, -0.08])
def test_holds_a_speed_on_a_grade(slope):
    """The integral finds the grade: no steady error, up or down, and the demand is the grade's g sin."""
    memory = new_inner_loops_memory()
    speed, *_ = run(PointMass(8.0, slope), 60.0, lambda t, _: (8.0, 0.0), memory=memory)
    assert speed[-500:] == pytest.approx(np.full(500, 8.0), abs=1e-3)
    assert memory.numbers[INTEGRAL] == pytest.approx(GRAVITY * math.sin(slope), abs=1e-2)


@pytest.mark.parametrize("rate", [0.4, -0.4, -1.0])
def test_follows_a_ramp(rate):
    """With feed-forward and integral the loop is of type 2: no steady error on a ramp, delays or not."""
    start = 2.0 if rate > 0.0 else 60.0
    speed, _, _, asked = run(PointMass(start), 50.0, lambda t, _: (start + rate * t, rate))
    # The ramp moves on by rate × period between what is asked and what is measured next.
    assert speed[-300:] - asked[-300:] == pytest.approx(np.zeros(300), abs=abs(rate) * PERIOD)


def test_no_chatter_between_the_pedals():
    """A demand that hovers at the hand-over with 0.05 m/s of noise: the pedals change as seldom as derived, not each step.

    The demand's noise is σ = gain × 0.05 m/s = 0.05 m/s², half the hysteresis 4 σ. A pedal answers one half of the noise
    only, so the mean demand u σ drifts away from it by u' = -gain E max(0, z + u) (z standard normal) towards
    the other pedal, which takes over at z + u < -4. From u = 0 it lasts 10.7 s; two standard deviations of the
    count are added. Without hysteresis white noise changes sign in half of the steps.
    """
    steps = round(60.0 / PERIOD)
    lasts, stays, mean = 0.0, 1.0, 0.0
    while stays > 1e-6:
        lasts += stays * PERIOD
        stays *= 1.0 - norm.cdf(-0.5 * LOOPS.hand_over / 0.05 - mean)
        mean -= LOOPS.speed_gain * PERIOD * (norm.pdf(mean) + mean * norm.cdf(mean))
    assert lasts == pytest.approx(10.7, abs=0.1)
    expected = 60.0 / lasts
    bound = expected + 2.0 * math.sqrt(expected)

    def coasting_down(t, _):
        return 25.0 - LOOPS.coasting * t, -LOOPS.coasting

    # No integral: the demand then hovers exactly at the hand-over.
    calm = LOOPS.model_copy(update={"speed_integral": 0.0})
    bare = calm.model_copy(update={"hand_over": 0.0})
    _, throttle, brake, _ = run(PointMass(25.0), 60.0, coasting_down, calm, noise=0.05)
    changes = pedal_changes(throttle, brake)
    _, throttle, brake, _ = run(PointMass(25.0), 60.0, coasting_down, bare, noise=0.05)
    without = pedal_changes(throttle, brake)
    assert changes <= bound
    assert without > 0.4 * steps
    # With the integral too.
    _, throttle, brake, _ = run(PointMass(25.0), 60.0, coasting_down, LOOPS, noise=0.05)
    assert pedal_changes(throttle, brake) <= bound


def test_integral_does_not_wind_up():
    """A step beyond full throttle: while the pedal is at its end the integral stands still, so hardly any overshoot."""
    memory = new_inner_loops_memory()
    speed, throttle, _, _ = run(PointMass(0.0), 4.0, lambda t, _: (15.0, 0.0), memory=memory)
    assert throttle[:100].min() == 1.0
    assert memory.numbers[INTEGRAL] == 0.0
    speed, *_ = run(PointMass(0.0), 40.0, lambda t, _: (15.0, 0.0))
    assert speed.max() < 15.0 + 1.0
    assert speed[-1] == pytest.approx(15.0, abs=0.01)
    wound = new_inner_loops_memory()
    wound.numbers[INTEGRAL] = LOOPS.integral_limit
    assert run(PointMass(0.0), 40.0, lambda t, _: (15.0, 0.0), memory=wound)[0].max() > speed.max() + 0.5


@pytest.mark.parametrize("slope", [0.0, 0.15, -0.15])
def test_stops_and_holds_at_standstill(slope):
    """A stop ends with the brake held, on a grade and with noise, until a speed is asked for; then it drives off."""

    def command(t, speed):
        if t < 12.0:
            # As a tracker commands a stop: the feed-forward stays until the vehicle stands.
            return max(8.0 - 2.0 * t, 0.0), -2.0 if speed > 0.05 or t < 4.0 else 0.0
        return min(1.0 * (t - 12.0), 3.0), 1.0 if t < 15.0 else 0.0

    speed, throttle, brake, _ = run(PointMass(8.0, slope), 40.0, command, noise=0.02)
    held = slice(round(7.0 / PERIOD), round(12.0 / PERIOD))
    assert np.abs(speed[held]).max() == 0.0
    assert throttle[held].max() == 0.0
    share = (LOOPS.holding - LOOPS.coasting) / (LOOPS.full_brake - LOOPS.coasting)
    assert brake[held].min() >= share - 1e-12
    assert speed[-1] == pytest.approx(3.0, abs=0.1)


def test_drives_in_reverse():
    """A negative speed is the gear: throttle speeds up backwards, brake slows down, without steady error."""
    mass = PointMass(0.0, slope=0.05, gear=-1.0)
    speed, *_ = run(mass, 40.0, lambda t, _: (max(-0.5 * t, -2.0), -0.5 if t < 4.0 else 0.0))
    assert speed[-1] == pytest.approx(-2.0, abs=1e-3)
    speed, throttle, _, _ = run(mass, 6.0, lambda t, v: (min(-2.0 + t, -0.0), 1.0 if v < -0.05 else 0.0))
    assert speed[-1] == 0.0
    assert throttle[-100:].max() == 0.0


@pytest.mark.parametrize("gear", [1.0, -1.0])
def test_rolling_against_the_gear_is_braked_first(gear):
    """Asked to drive the other way, the vehicle is first brought to rest with the brake alone."""
    memory = new_inner_loops_memory()
    values = LOOPS.values
    for speed in np.arange(2.0, 0.06, -0.02):
        _, throttle, brake = positions(
            values, RESPONSE.values, memory, 0.0, -gear * 1.0, -gear * 1.0, gear * speed, 0.0, PERIOD
        )
        assert throttle == 0.0
        assert brake > 0.0
    _, throttle, brake = positions(
        values, RESPONSE.values, memory, 0.0, -gear * 1.0, -gear * 1.0, gear * 0.04, 0.0, PERIOD
    )
    assert throttle > 0.0
    assert brake == 0.0


def test_full_positions_give_what_the_settings_say():
    """Demands of full_throttle, -coasting and -full_brake are the positions 1, 0 and 1."""
    for demand, expected in ((3.0, (1.0, 0.0)), (1.35, (0.5, 0.0)), (-0.3, (0.0, 0.0)), (-6.0, (0.0, 1.0))):
        _, throttle, brake = positions(
            LOOPS.values, RESPONSE.values, new_inner_loops_memory(), 0.0, 5.0, demand, 5.0, 0.0, PERIOD
        )
        assert (throttle, brake) == pytest.approx(expected, abs=1e-12)


def test_angle_is_the_kinematic_one_and_the_trim_finds_an_offset():
    """atan(L κ), and with trim the angle at which a steering with an unknown offset stands where it should."""
    loop = tracker.PositionLoop(LOOPS, RESPONSE)
    still = tracker.Measurement(0.0, 0.0, 0.0, 0.0, 5.0)
    assert loop.positions(tracker.Command(0.05, 5.0, 0.0), still).angle == math.atan(3.0 * 0.05)
    known = tracker.Response(wheelbase=3.0, gain=0.9, offset=0.01)
    trimmed = LOOPS.model_copy(update={"steering_trim": 0.5})
    loop = tracker.PositionLoop(trimmed, known)
    achieved = 0.0
    for i in range(2000):
        measured = tracker.Measurement(PERIOD * i, 0.0, 0.0, 0.0, 5.0, 0.0, achieved)
        angle = loop.positions(tracker.Command(0.05, 5.0, 0.0), measured).angle
        # The true offset is 0.02 rad more than the identified one.
        achieved += PERIOD / 0.2 * (0.9 * angle + 0.03 - achieved)
    assert achieved == pytest.approx(0.9 * math.atan(0.15) + 0.01, abs=1e-6)
    # A fault larger than the trim may take: it stays at its limit.
    for i in range(2000, 4000):
        measured = tracker.Measurement(PERIOD * i, 0.0, 0.0, 0.0, 5.0, 0.0, -0.4)
        angle = loop.positions(tracker.Command(0.05, 5.0, 0.0), measured).angle
    assert angle == pytest.approx(math.atan(0.15) + LOOPS.trim_limit, rel=1e-12)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("which", range(6))
def test_what_is_not_finite_gives_finite_positions_and_no_throttle(which, bad):
    """A broken value never opens the throttle or spoils the memory; the next good values drive on as before."""
    memory = new_inner_loops_memory()
    trimmed = LOOPS.model_copy(update={"steering_trim": 0.5}).values
    good = (0.02, 8.0, 0.5, 7.0, 0.05, PERIOD)
    before = positions(trimmed, RESPONSE.values, memory, *good)
    broken = tuple(bad if i == which else value for i, value in enumerate(good))
    angle, throttle, brake = positions(trimmed, RESPONSE.values, memory, *broken)
    assert all(map(math.isfinite, (angle, throttle, brake)))
    assert angle == pytest.approx(before[0], abs=0.1)
    if which in (1, 2, 3):
        assert throttle == 0.0
    if which in (1, 2):
        assert brake > 0.0
    after = positions(trimmed, RESPONSE.values, memory, *good)
    assert np.isfinite(memory.numbers).all()
    assert after[1:] == pytest.approx(before[1:], abs=0.02)


def test_controlled_stop_goes_on_without_a_measured_speed():
    """The tracker's stop after a lost speed sensor brakes by its feed-forward, and holds at the end."""
    memory = new_inner_loops_memory()
    _, throttle, brake = positions(
        LOOPS.values, RESPONSE.values, memory, 0.0, 5.0, -2.0, math.nan, 0.0, PERIOD
    )
    assert (throttle, brake) == pytest.approx((0.0, 1.7 / 5.7), rel=1e-12)
    _, throttle, brake = positions(
        LOOPS.values, RESPONSE.values, memory, 0.0, 0.0, 0.0, math.nan, 0.0, PERIOD
    )
    assert (throttle, brake) == pytest.approx((0.0, 1.7 / 5.7), rel=1e-12)


def test_compiled_and_plain_source_agree():
    """One source, two ways to run it, over a drive of random commands."""
    generator = np.random.default_rng(11)
    one, other = new_inner_loops_memory(), new_inner_loops_memory()
    by_python = plain(positions)
    values = LOOPS.model_copy(update={"steering_trim": 0.3}).values
    for _ in range(300):
        given = (*generator.normal(0.0, (0.05, 3.0, 1.0, 3.0, 0.1)), PERIOD)
        a = positions(values, RESPONSE.values, one, *given)
        b = by_python(values, RESPONSE.values, other, *given)
        assert a == pytest.approx(b, abs=1e-12)
    assert one.numbers == pytest.approx(other.numbers, abs=1e-12)


@pytest.mark.parametrize(
    "settings", [{"full_brake": 0.2}, {"speed_gain": 0.0}, {"full_throttle": math.nan}, {"hand_over": -0.1}]
)
def test_settings_out_of_range_are_refused(settings):
    """Validated once, when made; a vehicle that brakes no harder than it coasts says so."""
    with pytest.raises(ValueError, match=r"coasting is 0.3 m/s²|speed_gain|full_throttle|hand_over"):
        tracker.InnerLoops(**{"full_throttle": 3.0, "full_brake": 6.0, "coasting": 0.3, **settings})


def test_wrong_vehicle_is_refused():
    """As for the tracker."""
    with pytest.raises(InputError, match="vehicle is a float"):
        tracker.PositionLoop(LOOPS, 3.0)
