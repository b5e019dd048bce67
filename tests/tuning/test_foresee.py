"""What drives can tell, held against textbook Fisher information and against the scatter of actual fits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from identification_drives import (
    changing_speed,
    coloured,
    kinematic_yaw_rate,
    log_of,
    steering_exactly,
    weaving,
)

from tracks.errors import InputError
from tuning.demo.shipped import DATA
from tuning.identification.advice import ADVICE, advice_for, advice_on
from tuning.identification.estimate import Stack, fit
from tuning.identification.foresee import foresee, foresee_problems, information
from tuning.identification.information import by_log, covariance, sensitivities
from tuning.identification.needed import NEEDED, Need
from tuning.identification.noise_levels import Noise, colour_of
from tuning.identification.nominal import nominal_steering
from tuning.identification.records import gather
from tuning.identification.unknowns import Unknown
from tuning.logs import read_log
from tuning.vehicle import Vehicle

TIME = np.arange(0.0, 60.0, 0.02)
WHEELBASE = 2.9
NOMINAL = Vehicle.model_validate(
    {
        "body": {"wheelbase": WHEELBASE},
        "tyres": {"understeer_gradient": 0.0035},
        "steering": {
            "dead_time": 0.137,
            "natural_frequency": 11.0,
            "damping": 0.65,
            "gain": 0.93,
            "offset": 0.011,
            "rate_limit": 10.0,
            "angle_limit": 1.0,
        },
    }
)


@dataclass(frozen=True)
class Line:
    """y = gain x + offset, measured with noise: the simplest problem that has an exact answer."""

    x: np.ndarray
    unknowns: tuple[Unknown, ...] = (
        Unknown("gain", "", -1e3, 1e3, 1.3),
        Unknown("offset", "", -1e3, 1e3, 0.2),
    )

    def residuals(self, z, /):
        return {"y": z[0] * self.x + z[1]}

    @property
    def stack(self) -> Stack:
        return Stack({"y": np.arange(self.x.size)}, np.zeros(self.x.size, dtype=np.int64))


def drive(command, speed, *, seed=0, noise=0.01, rho=0.0, angle=False, **more):
    """A log of the nominal vehicle, kinematic, with noise on yaw rate and, if asked for, a steering angle."""
    time = 0.02 * np.arange(command.size)
    steering = NOMINAL.steering
    target = steering.gain * np.arctan(WHEELBASE * command) + steering.offset
    turned = steering_exactly(time, target, steering.dead_time, steering.natural_frequency, steering.damping)
    rng = np.random.default_rng(seed)
    data = {"time": time, "curvature_command": command, "speed": speed, **more}
    yaw = kinematic_yaw_rate(speed, turned, WHEELBASE, NOMINAL.tyres.understeer_gradient)
    data["yaw_rate"] = yaw + coloured(rng, time.size, noise, rho)
    if angle:
        data["steering_angle"] = turned + rng.normal(0.0, 0.001, time.size)
    return log_of("drive", **data)


def test_a_static_line_has_the_textbook_covariance():
    """σ²/Σ(x − x̄)² and σ² (1/n + x̄²/Σ(x − x̄)²) (Draper & Smith, Applied Regression Analysis, ch. 1: from memory)."""
    x = np.random.default_rng(0).uniform(1.0, 4.0, 200)
    line = Line(x)
    log = np.repeat([0, 1], 100)
    each = by_log(line, sensitivities(line), {"y": Noise(0.3)}, log)
    assert each.shape == (2, 2, 2)
    spread = covariance(np.sum(each, axis=0), line.unknowns)
    square = np.sum((x - x.mean()) ** 2)
    assert spread[0, 0] == pytest.approx(0.09 / square, rel=1e-4)
    assert spread[1, 1] == pytest.approx(0.09 * (1.0 / 200.0 + x.mean() ** 2 / square), rel=1e-4)
    assert spread[0, 1] == pytest.approx(-0.09 * x.mean() / square, rel=1e-4)


def test_the_information_of_logs_adds_up():
    """What two logs tell together is the sum of what each tells (independent noise)."""
    line = Line(np.linspace(-1.0, 2.0, 60))
    jacobians = sensitivities(line)
    apart = by_log(line, jacobians, {"y": Noise(0.1)}, np.repeat([0, 1, 2], 20))
    whole = by_log(line, jacobians, {"y": Noise(0.1)}, np.zeros(60, dtype=np.int64))
    np.testing.assert_allclose(np.sum(apart, axis=0), whole[0], rtol=1e-12)


def test_a_lag_and_a_dead_time_under_a_sine():
    """With H = e^(−jωτ)/(1 + jωT) and amplitude A, n readings give |∂H/∂θ|² n A²/(2σ²) of information.

    |∂H/∂τ| = ω/√(1 + ω²T²), |∂H/∂T| = ω/(1 + ω²T²), and their product's real part makes the correlation of the two
    estimates −1/√(1 + ω²T²). Information of a sinusoid in white noise: Kay, Fundamentals of Statistical Signal
    Processing: Estimation Theory, ch. 3 (from memory).
    """
    lag, rate, size, sigma = 0.3, 2.0 * np.pi * 0.5, 0.02, 0.002
    time = np.arange(0.0, 41.0, 0.01)
    command = size * np.sin(rate * time)
    log = log_of("sine", "rad", time=time, steering_command=command, speed=np.full(time.size, 5.0),
                 steering_angle=command)  # fmt: skip
    car = NOMINAL.replace(**{"steering.lag": lag, "steering.dead_time": 0.2, "steering.interface": "angle"})
    known = {"wheelbase": WHEELBASE, "gain": 1.0, "offset": 0.0, "understeer_gradient": 0.0}
    seen = foresee(log, known, car, {"steering_angle": sigma})
    # The first second does not count; 40 s of 0.5 Hz are whole periods.
    count, part = 4000, 1.0 + (rate * lag) ** 2
    one = count * size**2 / (2.0 * sigma**2) * rate**2
    exact = np.linalg.inv(one * np.array([[1.0 / part, 1.0 / part**2], [1.0 / part**2, 1.0 / part**2]]))
    names = ["steering.dead_time", "steering.lag"]
    found = seen.covariance.loc[names, names].to_numpy()
    # The sine is held between samples, 0.01 s of 2 s: its amplitude and phase are off by less than 1 per cent.
    np.testing.assert_allclose(found, exact, rtol=0.02)
    assert seen.correlation.loc[names[0], names[1]] == pytest.approx(-1.0 / np.sqrt(part), abs=0.01)


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_expected_errors_match_the_scatter_of_fits(rho):
    """Forty fits scatter as expected, within a factor of 1.5, in white noise and in coloured noise.

    The deviation of 40 is itself uncertain by 1/√78 = 11 %; three times that is a factor of 1.34. The rest is for the
    colour, which the forecast treats value by value. Read off the log instead of given, the noise may be up to 1.6
    times too large (below), and the expected errors with it, and with its colour, up to 2.5 times.
    """
    time = TIME[:2000]
    command, speed = weaving(time, 0.05, 3), changing_speed(time, 3.0, 11.0)
    known = {"body.wheelbase": WHEELBASE, "sensors.yaw_rate_offset": 0.0}
    log = drive(command, speed, rho=rho)
    expected = foresee(log, known, NOMINAL, {"yaw_rate": (0.01, rho)}).values["standard_error"].to_dict()
    cautious = foresee(log, known, NOMINAL).values["standard_error"].to_dict()
    found = []
    for seed in range(40):
        recording = gather([drive(command, speed, rho=rho, seed=seed)], "curvature_command", 0.5, [])
        problem = nominal_steering(recording, NOMINAL, known)
        z = fit(problem.residuals, problem.stack, problem.unknowns, {"yaw_rate": 0.01}).z
        found.append(problem.values(z))
    for name in found[0]:
        scatter = np.std([values[name] for values in found], ddof=1)
        assert 1.0 / 1.5 < expected[name] / scatter < 1.5, (name, expected[name], scatter)
        assert 1.0 / 1.5 < cautious[name] / scatter < 2.5, (name, cautious[name], scatter)


RICH = (weaving(TIME, 0.06, 1), changing_speed(TIME, 3.0, 11.0))
STEADY = np.full(TIME.size, 8.0)
LATERAL = ("steering.dead_time", "steering.natural_frequency", "steering.damping", "steering.gain")


def test_a_rich_drive_determines_everything():
    """Weaving at changing speed shows all of the steering and the body; nothing is left to advise."""
    seen = foresee(drive(*RICH), {"wheelbase": WHEELBASE})
    assert seen.undetermined == ()
    assert seen.advice == ()
    assert seen.together == ()


def test_a_straight_motorway_shows_the_offset_and_nothing_else():
    """At 30 m/s straight on, only the offset shows; every dynamic value and understeer do not."""
    command = 1e-5 * np.sin(0.3 * TIME)
    seen = foresee(
        drive(command, np.full(TIME.size, 30.0) + 0.1 * np.sin(0.1 * TIME)), {"wheelbase": WHEELBASE}
    )
    assert seen.values.loc["steering.offset", "verdict"] == "determined"
    assert set(seen.undetermined) >= {*LATERAL, "steering.lag", "tyres.understeer_gradient"}
    assert not any(name.startswith("steering.offset") for name in seen.undetermined)
    assert (seen.values.loc[list(LATERAL), "verdict"] == "not").all()
    assert any("tight circles both ways" in text for text in seen.advice)


def test_one_speed_mixes_understeer_with_the_gain():
    """At one speed K v² is a constant beside L: gain and understeer only together (the rest is well known)."""
    seen = foresee(drive(weaving(TIME, 0.03, 2), STEADY), {"wheelbase": WHEELBASE})
    mixed = ("tyres.understeer_gradient", "steering.gain")
    # At one speed a gyro's offset cannot be told from the steering's either.
    assert set(seen.undetermined) <= {*mixed, "steering.offset", "sensors.yaw_rate_offset"}
    assert mixed in seen.together
    assert mixed in [pair[:2] for pair in seen.pairs()] or mixed[::-1] in [pair[:2] for pair in seen.pairs()]
    assert seen.directions[0][0] > 4.0
    assert set(seen.directions[0][1]) == set(mixed)


def test_one_speed_mixes_understeer_with_the_wheelbase():
    """With a known gain and offset but no wheelbase, it is understeer and wheelbase that only show together."""
    log = drive(weaving(TIME, 0.03, 2), STEADY)
    angle = log_of("angle", "rad", time=TIME, steering_command=np.arctan(WHEELBASE * log["curvature_command"]),
                   speed=log["speed"], yaw_rate=log["yaw_rate"])  # fmt: skip
    seen = foresee(angle, {"gain": 1.0, "offset": 0.011})
    assert seen.together == (("body.wheelbase", "tyres.understeer_gradient"),)
    assert any(
        "body.wheelbase and tyres.understeer_gradient now show only together" in t for t in seen.advice
    )


def test_one_lap_of_one_curve_mixes_the_offset_with_the_gain():
    """Turning one way at one radius, offset and gain (and understeer) only show together, dynamics not at all."""
    seen = foresee(
        drive(np.full(TIME.size, 0.03), STEADY),
        {"wheelbase": WHEELBASE, "understeer_gradient": 0.0035, "sensors.yaw_rate_offset": 0.0},
    )
    assert seen.together == (("steering.offset", "steering.gain"),)
    assert {"steering.offset", "steering.gain", "steering.dead_time"} <= set(seen.undetermined)
    assert any(
        "turning one way only, the offset cannot be told from the gain" in text for text in seen.advice
    )


def test_small_steering_for_a_minute_is_too_little():
    """60 s of some 0.3 deg at the wheels: dead time, lag, gain and understeer stay open, and some of them mix."""
    seen = foresee(
        drive(weaving(TIME, 0.002, 1), STEADY + 0.2 * np.sin(0.5 * TIME)), {"wheelbase": WHEELBASE}
    )
    assert {"steering.dead_time", "steering.gain", "tyres.understeer_gradient", "steering.lag"} <= set(
        seen.undetermined
    )
    assert any("steering.dead_time" in group for group in seen.together)


def test_curvature_and_yaw_rate_alone_never_show_the_wheelbase():
    """The vehicle has used its wheelbase already: `identify` refuses such logs, and the forecast says what to do."""
    seen = foresee(drive(*RICH))
    assert seen.values.loc["body.wheelbase", "verdict"] == "not"
    assert any("tape" in text for text in seen.advice)
    both = foresee(drive(*RICH, angle=True))
    assert both.values.loc["body.wheelbase", "verdict"] == "determined"


def test_the_speed_loop_needs_steps_and_braking():
    """Steps up show the drive; only braking shows the brake; without a speed command neither is spoken of."""
    car = NOMINAL.replace(**{"drive.speed_gain": 0.9})
    up = np.interp(TIME, [0.0, 60.0], [3.0, 9.0]).round()
    speed = np.maximum(up + 0.02 * np.random.default_rng(0).normal(size=TIME.size), 0.1)
    seen = foresee(drive(RICH[0] * 0.5, speed, speed_command=up), {"wheelbase": WHEELBASE}, car)
    assert seen.values.loc["drive.lag", "verdict"] == "determined"
    assert {"drive.brake_dead_time", "drive.brake_lag"} <= set(seen.undetermined)
    assert any("braking steps" in text for text in seen.advice)
    down = np.where(TIME % 20.0 < 10.0, 9.0, 3.0)
    braked = foresee(drive(RICH[0] * 0.5, down, speed_command=down), {"wheelbase": WHEELBASE}, car)
    assert braked.values.loc["drive.brake_lag", "verdict"] == "determined"
    silent = foresee(drive(*RICH), {"wheelbase": WHEELBASE})
    assert not any(name.startswith("drive.") for name in silent.values.index)
    assert any("no speed command" in text for text in silent.findings)


def test_limits_are_asked_for_only_where_they_are_reached():
    """A rate limit that a nominal vehicle meets becomes a value of its own, one out of reach does not."""
    slow = foresee(drive(*RICH), {"wheelbase": WHEELBASE}, NOMINAL.replace(**{"steering.rate_limit": 0.3}))
    assert slow.values.loc["steering.rate_limit", "verdict"] == "determined"
    assert "steering.rate_limit" not in foresee(drive(*RICH), {"wheelbase": WHEELBASE}, NOMINAL).values.index


def test_a_number_command_is_asked_for_its_map():
    """A map's knots are values of their own; where the command has not been, there is no knot."""
    log = drive(*RICH)
    cart = log_of("cart", time=TIME, steering_command=8.0 * log["curvature_command"], speed=log["speed"],
                  yaw_rate=log["yaw_rate"])  # fmt: skip
    seen = foresee(cart, {"wheelbase": WHEELBASE})
    knots = [name for name in seen.values.index if name.startswith("steering.map_angle[")]
    assert len(knots) >= 3
    assert "steering.gain" not in seen.values.index
    assert (seen.values.loc[knots, "verdict"] == "determined").all()
    assert np.all(np.diff(seen.values.loc[knots, "value"].to_numpy(dtype=float)) > 0.0)


def test_axle_stiffnesses_are_asked_for_where_mass_and_centre_are_known():
    """At speed with mass and centre known, stiffnesses take the place of the understeer gradient."""
    log = drive(weaving(TIME, 0.012, 10), changing_speed(TIME, 8.0, 25.0), angle=True)
    seen = foresee(log, {"wheelbase": WHEELBASE, "mass": 1600.0, "front_axle_distance": 1.3})
    assert "tyres.understeer_gradient" not in seen.values.index
    for axle in ("front", "rear"):
        assert seen.values.loc[f"tyres.cornering_stiffness_{axle}", "unit"] == "N/rad"


def test_needed_amounts_can_be_given():
    """A stricter need turns "determined" into less, and the table shows both."""
    log = drive(*RICH)
    strict = foresee(log, {"wheelbase": WHEELBASE}, needed={"steering.dead_time": Need(absolute=1e-4)})
    assert strict.values.loc["steering.dead_time", "verdict"] == "not"
    text = str(strict)
    for word in ("steering.dead_time", "needed", "noise reckoned with: yaw_rate"):
        assert word in text


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6, 0.8, 0.9])
def test_noise_is_read_off_the_log(rho):
    """First-order noise on a weaving drive, a step in every fourth piece: never taken for less, nor for much more."""
    for seed in range(3):
        level = information(drive(*RICH, seed=seed, rho=rho), {"wheelbase": WHEELBASE}).noise["yaw_rate"]
        assert 0.009 < level.deviation < 0.016
        assert rho - 0.05 < level.correlation < rho + 0.12


def test_noise_of_the_demo_is_read_off_its_logs():
    """The shuttle's sensors have 0.003 rad/s, 0.05 m/s² and 0.02 m/s of white noise (`tuning/demo/drive.py`)."""
    log = read_log(DATA / "steering_steps.csv", DATA / "channels.toml")
    noise = information(log, {"wheelbase": 2.9}).noise
    for name, deviation in (("yaw_rate", 0.003), ("lateral_acceleration", 0.05), ("speed", 0.02)):
        assert noise[name].deviation == pytest.approx(deviation, rel=0.15)
        assert noise[name].correlation < 0.2


def test_colour_raises_the_variance_of_a_mean_as_the_textbook_says():
    """n var(mean)/σ² = (1 + ρ)/(1 − ρ) − 2ρ(1 − ρⁿ)/(n (1 − ρ)²) (Priestley, Spectral Analysis, 5.3: from memory)."""
    n, rho = 300, 0.85
    exact = (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**n) / (n * (1.0 - rho) ** 2)
    assert colour_of(np.ones((n, 1)), rho)[0] == pytest.approx(exact, rel=1e-9)
    quick = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)[:, None]
    assert colour_of(quick, rho)[0] < 0.2


def test_advice_and_needs_cover_the_same_values():
    """Every value that matters has its advice, a name with brackets that of its stem, a group one sentence."""
    assert set(ADVICE) == set(NEEDED)
    assert advice_on("road.bank[a.csv]") == ADVICE["road.bank"]
    assert advice_on("drive.something_new").drive == ADVICE["drive.lag"].drive
    sentences = advice_for(["drive.brake_lag", "drive.brake_dead_time"])
    assert len(sentences) == 1
    assert "drive.brake_lag, drive.brake_dead_time" in sentences[0]


def test_problems_of_ones_own_are_foreseen():
    """Any problem with unknowns, residuals and a stack will do: here the steering alone with one value fixed."""
    recording = gather([drive(*RICH)], "curvature_command", 0.5, [])
    problem = nominal_steering(recording, NOMINAL, {"body.wheelbase": WHEELBASE})
    fewer = replace(problem, unknowns=problem.unknowns[:2])
    seen = foresee_problems([fewer], recording, {"yaw_rate": (0.01, 0.0)})
    assert list(seen.values.index) == ["steering.dead_time", "steering.natural_frequency"]
    assert seen.noise == {"yaw_rate": Noise(0.01, 0.0)}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"logs": []}, "no log"),
        ({"noise": {"yaw": 0.1}}, "'yaw'"),
        ({"noise": {"yaw_rate": -1.0}}, "noise of yaw_rate"),
        ({"noise": {"yaw_rate": (0.1, 1.0)}}, "noise of yaw_rate"),
        ({"known": {"weelbase": 2.0}}, "wheelbase"),
    ],
)
def test_refusals_say_what_to_correct(arguments, words):
    """Mistakes give one clear sentence."""
    with pytest.raises(InputError, match=words):
        foresee(**{"logs": drive(*RICH), **arguments})


def test_logs_without_a_common_command_are_refused():
    """One log with curvature and one without any command cannot be looked at together."""
    bare = log_of("bare", time=TIME, speed=STEADY, yaw_rate=0.1 * np.sin(TIME))
    with pytest.raises(InputError, match="no steering command in common"):
        foresee([drive(*RICH), bare])
