"""Channels against physics: every fault put into a sound drive is named, and sound drives are left in peace.

The drives are made without the project's vehicle (`sound_drives.py`). What is asked of signs and ratios is geometry:
a_y = v r, r = v tan δ / L, v_right − v_left = r · track (ISO 8855 for axes and signs).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_car import MOTION_CAPTURE, ON_BOARD, WHEELBASE
from sound_drives import FAULTS, Setting, changed, drive, later, random_setting, unsigned

from tuning.demo.shipped import CHANNELS, FIT_LOGS, VALIDATION_LOGS
from tuning.logs import Log, read_log
from tuning.logs.physics import check_physics
from tuning.logs.physics.comparing import compare
from tuning.logs.physics.resampled import fresh_readings, joined_by_lines

SOUND = Setting(style="stops", speed=9.0, seconds=90.0)
KNOWN = {"body.wheelbase": SOUND.wheelbase, "body.width": 1.9}


@pytest.fixture(scope="module")
def sound() -> Log:
    """One drive of 90 s with stops and curves both ways, every channel sound."""
    return drive(SOUND)


def doubts(logs: Log | list[Log], known=KNOWN) -> list[str]:
    """The texts that end trust."""
    return [f.text for f in check_physics([logs] if isinstance(logs, Log) else logs, known) if f.is_doubt]


def test_the_sound_drive_is_clean(sound):
    """Before any fault is put in there is no doubt, and a wheelbase left out makes none."""
    assert doubts(sound) == []
    assert doubts(sound, {}) == []


@pytest.mark.parametrize("fault", list(FAULTS))
def test_each_fault_is_found_and_named(sound, fault):
    """One fault at a time: a doubt names the channel and says what it looks like."""
    put, channels, words = FAULTS[fault]
    found = check_physics([changed(sound, **put(sound))], KNOWN)
    naming = [f for f in found if words in f.text and set(channels) & set(f.channels)]
    assert naming, [f.text for f in found]
    assert naming[0].is_doubt


def test_a_delay_is_given_in_numbers(sound):
    """Of a yaw rate that comes 0.32 s late the size is said, and that the yaw rate is the late one."""
    (text,) = doubts(changed(sound, yaw_rate=later(sound, "yaw_rate", 0.32)))
    assert "it is yaw_rate that is late" in text
    assert "by 0.3" in text


def test_a_steering_ratio_is_given_in_numbers(sound):
    """Of a hand-wheel angle the ratio is said, within what understeer at these speeds takes from it (10 %)."""
    (text,) = doubts(changed(sound, steering_angle=16.2 * sound["steering_angle"]))
    times = float(text.split("steering_angle is ")[1].split(" times")[0])
    assert times == pytest.approx(16.2, rel=0.1)


def test_speed_without_a_sign_is_found_by_each_witness():
    """Reversing shows by positions along heading, and, without these, by turning against the steering."""
    log = unsigned(SOUND)
    (text,) = [t for t in doubts(log) if "without a sign" in t]
    assert "go backwards along heading" in text
    few = changed(log, x=None, y=None, heading=None)
    assert any("turns against its steering" in t for t in doubts(few))


def test_two_witnesses_alone_leave_open_which_is_wrong(sound):
    """With yaw rate and steering angle only, a wrong sign is said of both."""
    kept = ("time", "speed", "yaw_rate", "steering_angle")
    log = Log("two", {name: sound[name] for name in kept} | {"yaw_rate": -sound["yaw_rate"]})
    (text,) = doubts(log)
    assert "one of them is negated" in text


def test_an_offset_at_standstill_is_said_without_ending_trust(sound):
    """A gyro off by 0.02 rad/s is worth knowing; it is no doubt, since standstill gives it away."""
    found = check_physics([changed(sound, yaw_rate=sound["yaw_rate"] + 0.02)], KNOWN)
    (offset,) = [f for f in found if f.kind == "offset"]
    assert not offset.is_doubt
    assert float(offset.text.split("yaw_rate is ")[1].split(" rad/s")[0]) == pytest.approx(0.022, abs=0.001)
    assert not any(f.is_doubt for f in found)


def test_a_tyre_that_is_too_small_is_found(sound):
    """A wheel 6 % too quick is named with its factor."""
    found = check_physics(
        [changed(sound, wheel_speed_rear_left=1.06 * sound["wheel_speed_rear_left"])], KNOWN
    )
    (tyre,) = [f for f in found if f.channels == ("wheel_speed_rear_left",)]
    assert "1.06" in tyre.text
    assert not tyre.is_doubt


def test_shipped_logs_raise_no_doubt():
    """The demo's logs contradict physics nowhere, alone or together."""
    logs = [read_log(file, CHANNELS) for file in (*FIT_LOGS, *VALIDATION_LOGS)]
    known = {"body.wheelbase": 3.4, "body.width": 2.05}
    assert doubts(logs, known) == []
    for log in logs:
        assert doubts(log, known) == []


def test_logs_of_a_real_small_car_raise_no_doubt(shared_data, tmp_path):
    """Neither motion capture nor the on-board logs at 10 Hz, whose gyro is old and whose encoder spikes once."""
    folder, channels = shared_data / "small_car", tmp_path / "channels.toml"
    channels.write_text(MOTION_CAPTURE, encoding="utf-8")
    captured = read_log(folder / "motion_capture" / "free_driving.csv", channels)
    assert doubts(captured, {"wheelbase": WHEELBASE}) == []
    channels.write_text(ON_BOARD, encoding="utf-8")
    logs = [read_log(file, channels) for file in sorted(folder.glob("s*_steering/*.csv"))]
    assert doubts(logs, {"wheelbase": WHEELBASE}) == []
    assert [doubts(log, {"wheelbase": WHEELBASE}) for log in logs] == [[]] * len(logs)


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_sound_drives_of_any_vehicle_raise_no_doubt(first):
    """40 drives drawn at random, 0.17 to 6 m of wheelbase, 10 to 100 Hz, quiet and noisy; some channels missing."""
    for seed in range(first, first + 10):
        setting = random_setting(seed)
        rng = np.random.default_rng(seed)
        log = drive(setting)
        names = [name for name in log.data if name not in ("time", "speed", "curvature_command")]
        missing = {name: None for name in names if rng.random() < 0.3} if seed % 2 else {}
        known = {"body.wheelbase": setting.wheelbase} if seed % 3 else {}
        assert doubts(changed(log, **missing), known) == [], setting


def test_faults_show_in_small_and_large_vehicles():
    """The commonest faults are doubted in a car of 0.2 m and in one of 6 m."""
    for wheelbase, speed in ((0.2, 2.0), (6.0, 9.0)):
        setting = replace(SOUND, wheelbase=wheelbase, speed=speed, place=0.3 * wheelbase, antenna=0.0)
        log = drive(setting)
        known = {"body.wheelbase": wheelbase}
        assert doubts(log, known) == []
        for fault in (
            "yaw rate negated",
            "steering in degrees",
            "speed in km/h",
            "hand wheel",
            "compass heading",
        ):
            put, _, words = FAULTS[fault]
            assert any(words in text for text in doubts(changed(log, **put(log)), known)), (wheelbase, fault)


def test_delays_are_found_between_samples():
    """A shift of a smooth signal by 0.137 s is found within 2 ms at a step of 20 ms, in size and in sign."""
    step, rng = 0.02, np.random.default_rng(3)
    time = np.arange(0.0, 60.0, step)
    phases = rng.uniform(0.0, 6.3, 5)

    def wave(t):
        waves = zip((0.07, 0.19, 0.43, 0.71, 0.97), phases, strict=True)
        return np.sum([np.sin(2.0 * np.pi * f * t + p) for f, p in waves], axis=0)

    likeness = compare([2.0 * wave(time - 0.137)], [wave(time)], [0], step)
    assert likeness is not None
    assert likeness.delay == pytest.approx(0.137, abs=0.002)
    assert likeness.gain == pytest.approx(2.0, rel=0.01)
    assert likeness.sign == 1
    turned = compare([-wave(time)], [wave(time)], [0], step)
    assert turned is not None
    assert (turned.sign, round(turned.correlation, 3)) == (-1, -1.0)


def test_correlation_at_the_best_delay_is_that_of_numpy():
    """The correlation found over Fourier transforms is `numpy.corrcoef` of the samples that overlap."""
    rng, step = np.random.default_rng(4), 0.02
    base = np.convolve(rng.normal(size=2060), np.hanning(40), "valid")
    a, b = base[:2000] + rng.normal(0.0, 0.5, 2000), base[15:2015]
    likeness = compare([a], [b], [0], step)
    assert likeness is not None
    assert likeness.delay == pytest.approx(15 * step, abs=0.5 * step)
    lag = 15
    # The mean is that of the whole signal, not of what overlaps: 1e-3 for the 0.75 % that do not.
    assert likeness.correlation == pytest.approx(np.corrcoef(a[lag:], b[:-lag])[0, 1], abs=1e-3)


def test_unlike_signals_are_not_judged():
    """Of 200 pairs of slow signals that have nothing to do with each other none passes for alike or opposite."""
    rng, step = np.random.default_rng(6), 0.02
    window = np.hanning(150)
    strongest = 0.0
    for _ in range(200):
        a, b = (np.convolve(rng.normal(size=1649), window, "valid") for _ in range(2))
        likeness = compare([a], [b], [0], step)
        assert likeness is not None
        if abs(likeness.correlation) >= 0.5:
            strongest = max(strongest, likeness.strength)
    # The largest of some 200 × 20 independent chances in a normal distribution is 3.7 standard deviations on average.
    assert strongest < 4.5


def test_held_readings_are_joined_by_lines():
    """Of a ramp held for five samples every fifth is fresh, and lines between these give the ramp again."""
    time = np.arange(0.0, 10.0, 0.01)
    held = np.repeat(time[::5], 5)
    assert list(fresh_readings(held)[:3]) == [0, 5, 10]
    np.testing.assert_allclose(joined_by_lines(time, held)[:-5], time[:-5], atol=1e-12)
