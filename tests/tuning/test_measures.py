"""Measures against signals whose measures follow from a formula.

Tolerances: a sine sampled at N points a period misses its peak by at most 1 − cos(π/N); the sums of a sine over
whole periods are exact to rounding; the ends of a filtered record are reflected, so its middle is looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest

from tracks import Corridor, Path, Section, Straight, Track
from tracks.errors import InputError
from tuning.measures import MEASURES, Limits, measure
from tuning.measures.comfort import r79_acceleration, r79_jerk
from tuning.measures.effort import REVERSAL, count_reversals
from tuning.simulation import Outcome, Scenario
from tuning.simulation.happenings import Happening

RATE = 100.0
ROUNDING = 1e-12


def straight(length: float = 200.0, sections: tuple[Section, ...] = (), **more) -> Track:
    """A straight along x at 10 m/s."""
    path = Path.from_segments([Straight(length)])
    return Track("straight", path, np.full(path.s.size, 10.0), sections=sections, **more)


@dataclass(frozen=True)
class MadeRun:
    """As much of a run as measures look at, made up from formulas."""

    track: Track
    time: np.ndarray
    s: np.ndarray
    lateral_error: np.ndarray
    heading_error: np.ndarray
    path_curvature: np.ndarray
    lateral_acceleration: np.ndarray
    longitudinal_acceleration: np.ndarray
    steering_angle: np.ndarray
    steering_rate: np.ndarray
    rate_limit: float = 0.5
    angle_limit: float = 0.4
    width: float | None = 2.0
    outcome: Outcome = Outcome.FINISHED
    scenario: Scenario = field(default_factory=Scenario)
    happenings: tuple[Happening, ...] = ()

    @property
    def as_meant(self) -> bool:
        """As of a run without events."""
        return self.outcome is Outcome.FINISHED


def made(time: np.ndarray, track: Track | None = None, speed: float = 10.0, **channels) -> MadeRun:
    """Give a run at constant speed whose channels are zero unless given."""
    zero = np.zeros(time.size)
    values = dict.fromkeys(("lateral_error", "heading_error", "path_curvature", "lateral_acceleration", "longitudinal_acceleration", "steering_angle", "steering_rate"), zero)  # fmt: skip
    values["s"] = speed * (time - time[0])
    return MadeRun(track or straight(), time, **{**values, **channels})


def seconds(length: float, rate: float = RATE) -> np.ndarray:
    """Instants from 0 to `length` seconds, the last left out: whole periods sum to zero."""
    return np.arange(round(length * rate)) / rate


def test_every_measure_is_given_in_the_order_of_the_registry():
    """A run has exactly the measures of the registry, all of them floats with a unit and a meaning."""
    values = measure(made(seconds(10.0)))
    assert list(values) == list(MEASURES)
    assert all(type(value) is float for value in values.values())
    assert all(entry.unit and entry.meaning and entry.source for entry in MEASURES.values())


def test_sine_error_has_the_errors_of_a_sine():
    """RMS A/√2, maximum A, 95th percentile A sin(0.95 π/2) of |A sin ωt|, over whole periods."""
    amplitude = 0.3
    t = seconds(20.0, 1000.0)
    values = measure(made(t, lateral_error=amplitude * np.sin(2 * np.pi * 0.5 * t)))
    assert values["lateral_error_rms"] == pytest.approx(amplitude / math.sqrt(2.0), rel=ROUNDING)
    assert values["lateral_error_max"] == pytest.approx(amplitude, rel=ROUNDING)
    # 2000 samples a period: order statistics are one in 500 of a quarter period apart.
    assert values["lateral_error_95"] == pytest.approx(amplitude * math.sin(0.95 * math.pi / 2), abs=1e-4)


def test_percentile_is_that_of_numpy():
    """The 95th percentile is linear between order statistics."""
    rng = np.random.default_rng(1)
    error = rng.normal(size=997)
    values = measure(made(seconds(9.97), lateral_error=error))
    assert values["lateral_error_95"] == pytest.approx(np.percentile(np.abs(error), 95.0), rel=ROUNDING)


def test_heading_error_has_the_sign_removed():
    """Peaks on either side count alike."""
    error = np.zeros(1000)
    error[[100, 200]] = 0.1, -0.2
    values = measure(made(seconds(10.0), heading_error=error))
    assert values["heading_error_max"] == 0.2
    assert values["heading_error_rms"] == pytest.approx(math.sqrt(0.05 / 1000), rel=ROUNDING)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_cutting_a_corner_is_positive_on_either_side(side):
    """Half the run 0.2 m inside a curve, the rest on a straight: corner cutting is 0.2 m; outside, −0.2 m."""
    bend = np.where(np.arange(1000) < 500, side * 0.02, 0.0)
    inside = measure(made(seconds(10.0), path_curvature=bend, lateral_error=np.full(1000, side * 0.2)))
    outside = measure(made(seconds(10.0), path_curvature=bend, lateral_error=np.full(1000, -side * 0.2)))
    assert inside["corner_cutting"] == pytest.approx(0.2, rel=ROUNDING)
    assert outside["corner_cutting"] == pytest.approx(-0.2, rel=ROUNDING)


def test_what_does_not_apply_is_not_a_number():
    """A straight without corridor or step has no corner cutting, room, overshoot or settling distance."""
    values = measure(made(seconds(10.0)))
    open_ones = {name for name, value in values.items() if math.isnan(value)}
    assert open_ones == {
        "corner_cutting",
        "corridor_used",
        "overshoot",
        "settling_distance",
        "stopping_distance",
        "stopping_excursion",
        "unsettled_sections",
    }
    assert Limits().usage(values).keys() == Limits().active.keys() - open_ones


def test_corridor_used_counts_the_side_the_vehicle_is_on():
    """0.25 m right of the path, 1.5 m from the edge there, body 2 m wide: half of the room of 0.5 m."""
    path = Path.from_segments([Straight(100.0)])
    track = Track("t", path, np.full(path.s.size, 10.0), corridor=Corridor.of_width(path, 9.0, 1.5))
    error = np.zeros(900)
    error[100] = -0.25
    assert measure(made(seconds(9.0), track, lateral_error=error))["corridor_used"] == pytest.approx(50.0)
    error[100] = 0.25
    assert measure(made(seconds(9.0), track, lateral_error=error))["corridor_used"] == pytest.approx(3.125)


def second_order(damping: float, step: float, omega: float = 1.0, length: float = 30.0, rate: float = 1000.0):
    """Error of a second-order answer to a move by `step`, from −step at rest, against s at 10 m/s."""
    t = seconds(length, rate)
    damped = omega * math.sqrt(1.0 - damping**2)
    swing = np.cos(damped * t) + damping / math.sqrt(1.0 - damping**2) * np.sin(damped * t)
    return t, -step * np.exp(-damping * omega * t) * swing


@pytest.mark.parametrize("step", [2.0, -2.0])
def test_overshoot_of_a_second_order_answer(step):
    """exp(−π ζ/√(1−ζ²)): 4.32 % at ζ = 1/√2, the answer of pure pursuit on a straight, either way."""
    t, error = second_order(1.0 / math.sqrt(2.0), step)
    track = straight(300.0, (Section("settle", 0.0, 300.0, step=step),), start_offset=-step)
    values = measure(made(t, track, lateral_error=error))
    # 1000 samples a second against a period of 9 s: the peak is missed by less than 1e-7 of itself.
    assert values["overshoot"] == pytest.approx(100.0 * math.exp(-math.pi), rel=1e-6)
    assert values["unsettled_sections"] == 0.0


def test_the_worst_section_counts():
    """Of two sections with a step the larger overshoot and settling distance stand."""
    error = np.zeros(2000)
    error[300], error[1200] = 0.1, -0.3
    sections = (
        Section("a", 20.0, 60.0, step=2.0),
        Section("b", 100.0, 160.0, step=-2.0),
        Section("c", 0.0, 200.0),
    )
    values = measure(made(seconds(20.0), straight(200.0, sections), lateral_error=error))
    assert values["overshoot"] == pytest.approx(15.0)
    # The one sample of 0.3 m at 120 m falls to 0 over 0.1 m and passes 0.1 m, 5 % of the step, on the way.
    assert values["settling_distance"] == pytest.approx(20.0 + 0.1 * 2.0 / 3.0)


def test_settling_distance_of_an_exponential():
    """e = e₀ exp(−s/λ) is within 5 % of a step of 4 m from s = λ ln 20 on."""
    t = seconds(20.0, 1000.0)
    error = -4.0 * np.exp(-10.0 * t / 15.0)
    track = straight(200.0, (Section("settle", 0.0, 200.0, step=4.0),), start_offset=-4.0)
    values = measure(made(t, track, lateral_error=error))
    # Linear between samples 0.01 m apart: an error of h²/8λ = 1e-6 m.
    assert values["settling_distance"] == pytest.approx(15.0 * math.log(20.0), abs=1e-6)
    assert values["overshoot"] == 0.0


def test_a_section_that_never_settles_counts_its_length_and_shows():
    """Outside of the band at the section's end: the length of 50 m stands, and one section is unsettled."""
    error = np.full(1000, -0.2)
    values = measure(
        made(seconds(10.0), straight(100.0, (Section("s", 20.0, 70.0, step=1.0),)), lateral_error=error)
    )
    assert values["settling_distance"] == 50.0
    assert values["unsettled_sections"] == 1.0


def test_small_steps_settle_within_five_centimetres():
    """5 % of half a metre is less than 0.05 m, which then is the band."""
    error = np.where(np.arange(1000) < 500, -0.051, -0.049)
    values = measure(
        made(seconds(10.0), straight(100.0, (Section("s", 0.0, 100.0, step=0.5),)), lateral_error=error)
    )
    assert values["settling_distance"] == pytest.approx(49.95, abs=1e-6)


def test_a_start_off_the_path_does_not_count_as_error():
    """The first metres to the path are start-up; what follows counts, and steps have no say elsewhere."""
    t, error = second_order(1.0 / math.sqrt(2.0), -1.0)
    track = straight(300.0, (Section("settle", 0.0, 300.0, step=-1.0),), start_offset=1.0)
    values = measure(made(t, track, lateral_error=error))
    assert error[0] == 1.0
    assert values["lateral_error_max"] == pytest.approx(0.05, abs=1e-3)  # the band, where counting starts


def test_an_unending_start_up_ends_with_its_section():
    """A vehicle that never comes to the path has its error counted behind the first section."""
    track = straight(100.0, (Section("settle", 0.0, 60.0, step=-1.0),), start_offset=1.0)
    error = np.where(np.arange(1000) < 600, 1.0, 0.4)
    assert measure(made(seconds(10.0), track, lateral_error=error))["lateral_error_max"] == 0.4


def test_a_scenario_beside_the_path_has_five_seconds_of_start_up():
    """Without a section that judges the start, an offset of the scenario counts from the fifth second on."""
    error = np.where(np.arange(1000) < 500, 1.0, 0.4)
    scenario = Scenario(name="off", lateral_offset=1.0)
    values = measure(made(seconds(10.0), lateral_error=error, scenario=scenario))
    assert values["lateral_error_max"] == 0.4
    assert measure(made(seconds(10.0), lateral_error=error))["lateral_error_max"] == 1.0


@pytest.mark.parametrize("frequency", [0.1, 0.5, 1.0])
def test_r79_filter_has_the_gain_of_its_formula_and_no_delay(frequency):
    """Forward and backward: 1/(1 + (tan(πf/f_s)/tan(πf_c/f_s))⁸), 1/2 at the cut-off, phase 0."""
    t = seconds(60.0)
    wave = np.sin(2 * np.pi * frequency * t)
    filtered = r79_acceleration(wave, RATE)
    ratio = math.tan(math.pi * frequency / RATE) / math.tan(math.pi * 0.5 / RATE)
    middle = slice(2000, 4000)
    np.testing.assert_allclose(filtered[middle], wave[middle] / (1.0 + ratio**8), atol=1e-6)


def test_r79_jerk_of_a_ramp_is_its_slope():
    """A lateral acceleration that grows by 2 m/s² a second has a jerk of 2 m/s³, filter or not."""
    ramp = 2.0 * seconds(10.0)
    np.testing.assert_allclose(r79_jerk(ramp, RATE), 2.0, rtol=1e-9)
    values = measure(made(seconds(10.0), lateral_acceleration=ramp))
    # The point reflection carries a ramp on as the same ramp for 6 s; what the filter's slowest poles, which decay
    # in 0.83 s, still know of its end is exp(−6/0.83) = 7e-4 of the slope.
    assert values["lateral_jerk_r79"] == pytest.approx(2.0, rel=7e-4)
    assert values["lateral_jerk_max"] == pytest.approx(2.0, rel=1e-9)
    assert values["lateral_acceleration_max"] == pytest.approx(19.98, rel=ROUNDING)


def test_moving_average_takes_half_a_second():
    """A step of 1 m/s² spread over no time at all is 2 m/s³ in the mean of half a second."""
    step = np.where(np.arange(400) < 200, 0.0, 1.0)
    assert r79_jerk(step, RATE).max() == pytest.approx(2.0, rel=ROUNDING)


def test_longitudinal_measures_of_a_sine():
    """Acceleration A sin ωt: RMS A/√2 and jerk of amplitude Aω, as a difference of samples gives it."""
    t = seconds(20.0)
    omega = 2 * np.pi * 0.5
    values = measure(made(t, longitudinal_acceleration=1.5 * np.sin(omega * t)))
    assert values["longitudinal_acceleration_max"] == pytest.approx(1.5, rel=ROUNDING)
    assert values["longitudinal_acceleration_rms"] == pytest.approx(1.5 / math.sqrt(2.0), rel=ROUNDING)
    chord = math.sin(0.5 * omega / RATE) / (0.5 / RATE)
    assert values["longitudinal_jerk_max"] == pytest.approx(1.5 * chord, rel=2e-4)  # 1 − cos(π/400)
    # A difference has one sample less: one of 2000 squares is missing.
    assert values["longitudinal_jerk_rms"] == pytest.approx(1.5 * chord / math.sqrt(2.0), rel=1e-3)


def test_effort_of_a_sine():
    """Steering rate RMS Aω/√2, two reversals a period, none of which is below the gap."""
    t = seconds(20.0)
    omega = 2 * np.pi * 0.5
    wave = 0.1 * np.sin(omega * t)
    values = measure(made(t, steering_angle=wave, steering_rate=0.1 * omega * np.cos(omega * t)))
    assert values["steering_rate_rms"] == pytest.approx(0.1 * omega / math.sqrt(2.0), rel=ROUNDING)
    # Ten periods turn twenty times over 199.9 m.
    assert values["steering_reversals"] == pytest.approx(20 / 0.1999, rel=1e-9)


@pytest.mark.parametrize(
    ("angles", "turns"),
    [
        ([0, 2, 0, 2, 0], 3),
        ([0, 0.9, 0, 0.9, 0], 0),
        ([0, 2, 1.5, 2.5, 1.8, 4], 0),
        ([3, 2, 1, 0, 1], 1),
        ([0, -2, 0.5], 1),
        ([1, 1, 1], 0),
    ],
)
def test_reversals_are_turns_between_moves_of_at_least_the_gap(angles, turns):
    """Small ripples do not count, nor does the first move."""
    assert count_reversals(np.array(angles, dtype=float), 1.0) == turns


def test_reversal_gap_is_two_degrees_of_a_hand_wheel():
    """2° geared 16:1 are 0.125° of the road wheels."""
    assert pytest.approx(math.radians(0.125)) == REVERSAL


def test_time_saturated_counts_rate_and_angle_limit_once():
    """10 % at the rate limit, of which half also at the angle limit, and 10 % at the angle limit alone: 20 %."""
    rate, angle = np.zeros(1000), np.zeros(1000)
    rate[100:200] = -0.5
    angle[150:200] = angle[300:400] = 0.4
    values = measure(made(seconds(10.0), steering_rate=rate, steering_angle=angle))
    assert values["time_saturated"] == 20.0


def test_a_run_that_did_not_finish_is_infinitely_bad():
    """Every measure is infinite but the share of the course that was driven."""
    values = measure(made(seconds(5.0), straight(200.0), outcome=Outcome.LOST))
    share = values.pop("course_driven")
    assert share == pytest.approx(100.0 * 49.9 / 200.0)
    assert set(values.values()) == {math.inf}


def test_a_run_into_infinity_is_measured_all_the_same():
    """Infinite and undefined samples do not disturb the share that was driven."""
    s = np.array([0.0, 10.0, np.nan, np.inf])
    values = measure(made(np.arange(4) / RATE, straight(200.0), s=s, outcome=Outcome.NOT_FINITE))
    assert values["course_driven"] == pytest.approx(5.0)


def test_slow_recordings_are_refused():
    """UN R79 wants 100 samples a second."""
    with pytest.raises(InputError, match=r"sampled every 0\.02 s"):
        measure(made(np.arange(500) / 50.0))


def test_uneven_recordings_are_resampled():
    """A linear signal keeps its measures when its samples are jittered."""
    rng = np.random.default_rng(2)
    t = seconds(10.0) + np.where(np.arange(1000) % 999 == 0, 0.0, rng.uniform(-0.004, 0.004, 1000))
    values = measure(made(t, lateral_acceleration=2.0 * t))
    assert values["lateral_jerk_max"] == pytest.approx(2.0, rel=1e-9)


def test_short_runs_can_be_measured():
    """Five samples are too few for the filter's padding and the moving average, and still give numbers."""
    values = measure(made(seconds(0.05), lateral_acceleration=np.ones(5)))
    assert values["lateral_acceleration_r79"] == pytest.approx(1.0)
    assert values["lateral_jerk_r79"] == pytest.approx(0.0, abs=1e-9)
