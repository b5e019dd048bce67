"""What logs cannot tell is refused or stated as an assumption, each in one clear sentence."""

from __future__ import annotations

import numpy as np
import pytest
from identification_drives import changing_speed, kinematic_yaw_rate, log_of, steering_exactly, weaving

from tracks.errors import InputError
from tuning.identification import identify
from tuning.logs import Log

TIME = np.arange(0.0, 60.0, 0.04)
SPEED = changing_speed(TIME, 3.0, 11.0)


def shuttle(speed=SPEED, amplitude: float = 0.06, noise: float = 0.01, seed: int = 1, **more) -> Log:
    """A curvature-steered drive with a yaw rate."""
    command = weaving(TIME, amplitude, seed)
    angle = steering_exactly(TIME, np.arctan(2.9 * command), 0.15, 11.0, 0.7)
    yaw = kinematic_yaw_rate(speed, angle, 2.9, 0.003)
    yaw = yaw + np.random.default_rng(seed).normal(0.0, noise, TIME.size)
    return log_of(f"drive{seed}", time=TIME, curvature_command=command, speed=speed, yaw_rate=yaw, **more)


def without(log: Log, *names: str, **more) -> Log:
    """The log without some of its quantities, and with others."""
    return Log(log.name, {k: v for k, v in log.data.items() if k not in names} | more, log.steering_unit)


def refusal(logs, known=None, **options) -> str:
    """The sentence with which an identification is refused."""
    with pytest.raises(InputError) as error:
        identify(logs, known=known, **options)
    return str(error.value)


NUMBER = without(shuttle(), "curvature_command", steering_command=weaving(TIME, 0.9, 1))
ANGLE = Log("angle", NUMBER.data, "rad")


@pytest.mark.parametrize(
    ("log", "part"),
    [
        (shuttle(), "a curvature command and the yaw rate cannot give the wheelbase"),
        (NUMBER, "only the ratio of the steering map's scale to the wheelbase"),
        (ANGLE, "only the ratio of steering gain to wheelbase"),
        (without(shuttle(), "yaw_rate", steering_angle=np.sin(TIME)), "from a steering angle alone"),
        (without(shuttle(), "yaw_rate"), "the logs measure no answer"),
        (without(shuttle(), "speed"), "has no speed"),
        (without(shuttle(), "curvature_command"), "has no steering command"),
    ],
)
def test_what_cannot_be_found_is_refused_with_its_remedy(log, part):
    """Each refusal says what cannot be told from what, and what to give."""
    message = refusal(log)
    assert part in message
    assert "to mend it" in message


def test_known_values_are_checked():
    """Unknown, doubled, half given and impossible known values are refused with the names there are."""
    for known, part in (
        ({"wheelbas": 2.9}, "did you mean 'wheelbase'?"),
        ({"dead_time": 0.1}, "steering.dead_time"),
        ({"wheelbase": 2.9, "body.wheelbase": 2.9}, "body.wheelbase twice"),
        ({"wheelbase": -1.0}, "known body.wheelbase: received -1.0"),
        ({"wheelbase": "long"}, "known body.wheelbase"),
        ({"map_angle": [0.0, 0.1]}, "half of the steering's static map"),
        ({"wheelbase": 2.9, "model": "kinematic"}, "model"),
        ({"wheelbase": 2.9, "interface": "angle"}, "interface"),
    ):
        assert part in refusal(shuttle(), known)


def test_options_are_checked():
    """No log, no start, no such model, nothing to validate on, and a model whose needs are not known."""
    known = {"wheelbase": 2.9}
    assert "no log" in refusal([], known)
    assert "starts is 0" in refusal(shuttle(), known, starts=0)
    assert "'bicycle'" in refusal(shuttle(), known, model="bicycle")
    assert "validate is empty" in refusal(shuttle(), known, validate=[])
    assert "without body.mass and body.front_axle_distance" in refusal(shuttle(), known, model="single-track")


def test_a_turned_sign_is_recognised():
    """A yaw rate positive to the right is refused with the scale that turns it."""
    log = shuttle()
    assert "scale = -1.0" in refusal(without(log, yaw_rate=-log["yaw_rate"]), {"wheelbase": 2.9})


def test_a_command_that_never_changes_is_refused():
    """Straight driving says nothing about steering."""
    log = shuttle()
    straight = without(log, curvature_command=np.zeros(TIME.size))
    assert "never changes" in refusal(straight, {"wheelbase": 2.9})


def test_logs_of_different_meaning_are_refused():
    """Logs with an angle and with a number, or with and without a curvature, do not go together."""
    assert "as an angle and some as a number" in refusal([NUMBER, ANGLE], {"wheelbase": 2.9})
    assert "has no steering command" in refusal([shuttle(), NUMBER], {"wheelbase": 2.9})


def test_standstill_and_scraps_are_refused():
    """A vehicle that stands, and a log cut into scraps by its clock, hold nothing to fit."""
    assert "in motion" in refusal(shuttle(speed=np.full(TIME.size, 1e-4)), {"wheelbase": 2.9})
    log = shuttle()
    scraps = log.subset(np.arange(TIME.size) % 100 < 10)
    assert "without a gap" in refusal(scraps, {"wheelbase": 2.9}, validate=[log])


def test_understeer_keeps_its_prior_where_the_speed_does_not_show_it():
    """At one speed understeer and gain are one: the usual understeer stands in, as wide as it is, and the gain says so."""
    found = identify(shuttle(speed=np.full(TIME.size, 6.0)), known={"wheelbase": 2.9})
    assert any("the speed hardly varies" in text for text in found.findings)
    row = found.parameters.loc["tyres.understeer_gradient"]
    assert row["status"] == "prior"
    assert row["verdict"] == "not"
    assert "tyres.understeer_gradient" in found.undetermined
    assert not found.trusted
    assert any("tyres.understeer_gradient" in text and "circles" in text for text in found.advice)
    # 0.003 ± 0.003 rad/(m/s²) at 6 m/s is ± 3.7 % of the wheelbase, and so of the gain; the truth has 0.003.
    gain = found.parameters.loc["steering.gain"]
    assert gain["standard_error"] == pytest.approx(0.003 * 36.0 / 3.0, rel=0.15)
    assert gain["low"] < 1.0 < gain["high"]
    assert found.correlation.loc["steering.gain", "tyres.understeer_gradient"] > 0.9


def test_a_log_that_can_hardly_tell_gives_wide_intervals():
    """Ten times the noise widens the dead time's interval about ten times, and it still holds the truth."""
    clear = identify(shuttle(noise=0.01, seed=3), known={"wheelbase": 2.9})
    poor = identify(shuttle(noise=0.1, seed=3), known={"wheelbase": 2.9})
    errors = [found.parameters.loc["steering.dead_time", "standard_error"] for found in (clear, poor)]
    assert 4.0 < errors[1] / errors[0] < 25.0
    row = poor.parameters.loc["steering.dead_time"]
    assert abs(row["value"] - 0.15) < 3.0 * row["standard_error"]


def test_missing_speed_command_and_unreached_limits_are_said():
    """The drive table is assumed without a speed command, and the rate limit where it was not reached."""
    found = identify(shuttle(), known={"wheelbase": 2.9})
    assert any("no speed command" in text for text in found.findings)
    assert any("rate limit was not reached" in text for text in found.findings)
    assert {"drive.lag", "steering.rate_limit", "steering.angle_limit"} <= set(
        found.vehicle.provenance.assumed
    )
    limited = identify(shuttle(), known={"wheelbase": 2.9, "rate_limit": 0.5, "angle_limit": 0.6})
    assert not {"steering.rate_limit", "steering.angle_limit"} & set(limited.vehicle.provenance.assumed)
    assert limited.vehicle.steering.rate_limit == 0.5


def test_several_logs_are_held_out_whole():
    """Of three logs one is held out, by seed; given ones are used as they are."""
    logs = [shuttle(seed=seed) for seed in (1, 2, 3)]
    found = identify(logs, known={"wheelbase": 2.9})
    assert found.held_out == "1 of 3 logs whole"
    assert found.vehicle.provenance.source == "drive1, drive2, drive3"
    given = identify(logs[:2], known={"wheelbase": 2.9}, validate=logs[2:])
    assert given.held_out == "the logs given for it"
    assert given.validation["yaw_rate"]["rmse"] == pytest.approx(0.01, rel=0.1)


def test_gaps_biases_and_other_sources_of_speed_do_not_matter():
    """A gap in the clock, a gyro with a bias seen at standstill, and wheel speeds for a speed give the same steering."""
    speed = np.where(TIME < 4.0, 0.0, SPEED)
    log = shuttle(speed=speed)
    keep = (log["time"] < 25.0) | (log["time"] > 32.0)
    wheels = {f"wheel_speed_rear_{side}": speed for side in ("left", "right")}
    biased = without(log, "speed", yaw_rate=log["yaw_rate"] + 0.05, **wheels).subset(keep)
    assert len(biased.gaps) == 1
    found = identify(biased, known={"wheelbase": 2.9})
    for name, value in (("steering.dead_time", 0.15), ("steering.offset", 0.0), ("steering.gain", 1.0)):
        row = found.parameters.loc[name]
        assert abs(row["value"] - value) < 3.0 * row["standard_error"], name
    assert any("rear wheels" in text for text in found.findings)
    assert any("bias of up to 0.05 rad/s" in text for text in found.findings)


def test_held_readings_count_once():
    """A gyro that is sampled at 5 Hz and held gives the values that its fresh readings give."""
    log = shuttle()
    fresh = np.arange(TIME.size) // 5 * 5
    held = without(log, yaw_rate=log["yaw_rate"][fresh])
    found = identify(held, known={"wheelbase": 2.9})
    row = found.parameters.loc["steering.dead_time"]
    assert abs(row["value"] - 0.15) < 3.0 * row["standard_error"]
