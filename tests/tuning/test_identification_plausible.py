"""Wrong signs and units are said in plain words before anything else, and sound logs are left in peace."""

from __future__ import annotations

import numpy as np
import pytest
from identification_drives import changing_speed, kinematic_yaw_rate, log_of, steering_exactly, weaving

from tracks.errors import InputError
from tuning.demo.shipped import CHANNELS, FIT_LOGS, VALIDATION_LOGS
from tuning.identification import identify
from tuning.identification.plausible import doubts_of_channels, doubts_of_fit, doubts_of_gain, unjudged
from tuning.identification.quality import Trace
from tuning.logs import Log, read_log

TIME = np.arange(0.0, 60.0, 0.04)
SPEED = changing_speed(TIME, 3.0, 11.0)
KNOWN = {"body.wheelbase": 2.9}
DEGREES = 180.0 / np.pi


def drive(seed: int = 1, **factors: float) -> Log:
    """A curvature-steered drive with every channel, some of them multiplied by a factor."""
    rng = np.random.default_rng(seed)
    command = weaving(TIME, 0.06, seed)
    angle = steering_exactly(TIME, np.arctan(2.9 * command), 0.15, 11.0, 0.7)
    yaw = kinematic_yaw_rate(SPEED, angle, 2.9, 0.003)
    data = {
        "speed": SPEED,
        "steering_angle": angle + rng.normal(0.0, 0.002, TIME.size),
        "yaw_rate": yaw + rng.normal(0.0, 0.01, TIME.size),
        "lateral_acceleration": SPEED * yaw + rng.normal(0.0, 0.2, TIME.size),
    }
    data = {name: values * factors.get(name, 1.0) for name, values in data.items()}
    return log_of(f"drive{seed}", time=TIME, curvature_command=command, **data)


@pytest.mark.parametrize(
    ("factors", "part"),
    [
        ({"yaw_rate": -1.0}, "yaw_rate looks negated"),
        ({"lateral_acceleration": -1.0}, "lateral_acceleration looks negated"),
        ({"steering_angle": -1.0}, "steering_angle looks negated"),
        ({"yaw_rate": DEGREES}, "yaw_rate looks like deg/s labelled rad/s"),
        ({"yaw_rate": 1.0 / DEGREES}, "yaw_rate looks like rad/s labelled deg/s"),
        ({"steering_angle": DEGREES}, "steering_angle looks like deg labelled rad"),
        ({"lateral_acceleration": 1.0 / 9.81}, "lateral_acceleration looks like g labelled m/s²"),
        ({"speed": 3.6}, "speed looks like km/h labelled m/s"),
        ({"speed": 1.0 / 3.6}, "speed looks like m/s labelled km/h"),
        ({"yaw_rate": 0.0}, "yaw_rate is 0 rad/s in every sample"),
    ],
)
def test_channels_that_contradict_each_other_are_named(factors, part):
    """Each wrong sign or unit is told by the channels alone, with the odd one named."""
    assert any(part in text for text in doubts_of_channels([drive(**factors)], KNOWN)[0])


def test_two_channels_that_disagree_leave_open_which_is_wrong():
    """With nothing that tells of steering, opposite signs of yaw rate and lateral acceleration are said of the pair."""
    log = drive(yaw_rate=-1.0)
    kept = ("time", "speed", "yaw_rate", "lateral_acceleration")
    pair = Log(log.name, {name: log[name] for name in kept})
    (text,) = doubts_of_channels([pair], {})[0]
    assert "opposite signs: one of them is negated" in text


def test_sound_channels_raise_no_doubt():
    """The shipped logs and a synthetic drive contradict themselves nowhere."""
    logs = [read_log(file, CHANNELS) for file in (*FIT_LOGS, *VALIDATION_LOGS)]
    assert doubts_of_channels(logs, {"body.wheelbase": 3.4})[0] == []
    assert doubts_of_channels([drive()], KNOWN)[0] == []


def test_an_unexplained_output_is_doubted_with_what_it_looks_like():
    """A negated and a wrongly scaled output get their hint, and a sound one none."""
    wave = np.sin(TIME)
    good = Trace(TIME, wave, wave)
    (text,) = doubts_of_fit({"yaw_rate": Trace(TIME, -wave, wave)}, {"yaw_rate": good}, [])
    assert text.startswith("the fit explains only 0 % of yaw_rate: do not tune on this vehicle")
    assert "negated" in text
    scaled = Trace(TIME, DEGREES * wave, wave)
    (text,) = doubts_of_fit({"yaw_rate": scaled}, {"yaw_rate": scaled}, [])
    assert "deg/s labelled rad/s" in text
    assert doubts_of_fit({"yaw_rate": good}, {"yaw_rate": good}, []) == []


def test_an_output_is_judged_only_where_it_varies():
    """Neither a speed that stands still while held out, nor one whose loop was left open, is held against it."""
    wave = np.sin(TIME)
    good, missed = Trace(TIME, wave, wave), Trace(TIME, wave, 0.0 * wave)
    still = Trace(TIME, 5.0 + 0.01 * wave, 5.0 - 0.01 * wave)
    assert unjudged({"speed": still}, {"speed": good}, []) == ["speed"]
    assert unjudged({"speed": missed}, {"speed": good}, ["speed"]) == ["speed"]
    assert unjudged({"speed": missed}, {"speed": good}, []) == []
    assert doubts_of_fit({"speed": missed}, {"speed": good}, ["speed"]) == []
    assert doubts_of_fit({"speed": missed}, {"speed": good}, [])
    assert doubts_of_fit({"speed": missed}, {"speed": missed}, ["speed"])


def test_a_gain_far_from_one_is_doubted():
    """Gains of 0.7 to 1.4 pass, 0.276 and 3 do not, and no gain at all does."""
    assert doubts_of_gain({"steering.gain": 0.95}) == doubts_of_gain({}) == []
    assert "steering gain of 0.276 is far from 1" in doubts_of_gain({"steering.gain": 0.276})[0]
    assert doubts_of_gain({"steering.gain": 3.0})


def test_a_wrong_sign_is_the_first_finding_and_ends_trust():
    """A negated yaw rate beside a steering angle is said first and in the vehicle's notes; the right one is trusted."""
    assert identify(drive(), known={"wheelbase": 2.9}, starts=1).trusted
    found = identify(drive(yaw_rate=-1.0), known={"wheelbase": 2.9}, starts=1)
    assert not found.trusted
    assert "yaw_rate looks negated" in found.findings[0]
    assert found.findings[: len(found.doubts)] == found.doubts
    assert found.findings[0] in found.vehicle.provenance.notes


@pytest.mark.parametrize(
    ("logs", "options", "part"),
    [
        ([drive(speed=0.0)], {}, "the speed never exceeds 0 m/s"),
        ([drive(), drive()], {}, "hold the same drive"),
        ([drive()], {"validate": [drive()]}, "hold the same drive"),
        ([drive()], {"seed": -1}, "seed is -1"),
        ([drive()], {"known": {"wheelbase": 3.4, "front_axle_distance": 5.0}}, "no vehicle has the known"),
    ],
)
def test_unusable_input_is_refused_in_a_sentence(logs, options, part):
    """A standstill, a drive given twice, a negative seed and known values at odds are `InputError`s."""
    with pytest.raises(InputError, match=part):
        identify(logs, **{"known": {"wheelbase": 2.9}, **options})
