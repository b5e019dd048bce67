"""Log health against drives made by hand, whose seconds, noise and spectra are known, and against scipy's spectra."""

from __future__ import annotations

import json

import numpy as np
import pytest
import scipy.signal
from sound_drives import FAULTS, Setting, changed, drive

import tuning
from tracks.errors import InputError
from tuning.command_line.main import run
from tuning.command_line.output import as_json_text
from tuning.demo.shipped import CHANNELS, FIT_LOGS, known
from tuning.health import Health, examine
from tuning.health.channels import channels_of
from tuning.health.coverage import coverage_of
from tuning.health.manoeuvres import manoeuvres_of
from tuning.health.spectra import spectra_of, welch_over
from tuning.logs import Log
from tuning.logs.physics.resampled import evenly
from tuning.report.pictures import coverage_data, driving_data
from tuning.report.sections import health_pictures, health_section

STEP = 0.02
# Smoothing over 0.15 s moves the edge between two kinds of driving by less than this, s.
EDGE = 0.45


def by_hand() -> tuple[Log, dict[str, float]]:
    """A drive put together from pieces of known length, and the seconds of each kind; changes take 1 s."""
    pieces = [  # seconds, speed at the end (m/s), yaw rate at the end (rad/s)
        (10.0, 0.0, 0.0),
        (5.0, 5.0, 0.0),
        (20.0, 5.0, 0.0),
        (1.0, 5.0, 0.25),
        (15.0, 5.0, 0.25),
        (2.0, 5.0, -0.25),
        (12.0, 5.0, -0.25),
        (1.0, 5.0, 0.0),
        (4.0, 1.0, 0.0),
        (6.0, 1.0, 0.0),
        (2.0, -1.0, 0.0),
        (8.0, -1.0, 0.0),
    ]
    edges = np.concatenate(([0.0], np.cumsum([seconds for seconds, _, _ in pieces])))
    time = np.arange(0.0, edges[-1] + 0.5 * STEP, STEP)
    speed = np.interp(time, edges, [0.0, *(v for _, v, _ in pieces)])
    yaw = np.interp(time, edges, [0.0, *(r for _, _, r in pieces)])
    log = Log("by hand", {"time": time, "speed": speed, "yaw_rate": yaw})
    seconds = {
        "total": float(edges[-1]),
        "standstill": 10.0 + 0.1 + 0.2,  # below 0.1 m/s at 1 m/s² while pulling off and while turning back
        "curve_left": 15.0,
        "curve_right": 12.0,
        # 2 s from left to right is steering to the right; straightening up after it is to the left.
        "steering_left": 2.0,
        "steering_right": 2.0,
        "accelerating": 5.0 - 0.1 + 0.9,  # and backwards, after turning back
        "braking": 4.0 + 0.9,
        "reversing": 8.0 + 0.9,
    }
    return log, seconds


def test_seconds_of_each_manoeuvre_are_those_driven():
    """Every kind of driving lasts as long as it was made to, and both sortings add up to the whole."""
    log, seconds = by_hand()
    found = dict(manoeuvres_of(evenly([log]), {}).items())
    for name, expected in seconds.items():
        assert found[name] == pytest.approx(expected, abs=2.0 * EDGE), name
    turning = ("standstill", "straight", "curve_left", "curve_right", "steering_left", "steering_right")
    along = ("standstill", "steady_speed", "accelerating", "braking")
    for names in (turning, along):
        assert sum(found[name] for name in names) == pytest.approx(found["total"], abs=1e-6)


def test_sides_change_with_the_sign_and_not_with_the_direction_of_travel():
    """Mirrored, left and right change places; a curve to the left is one in reverse as well (speed and yaw rate negative)."""
    log, _ = by_hand()
    found = manoeuvres_of(evenly([log]), {})
    mirrored = manoeuvres_of(evenly([changed(log, yaw_rate=-log["yaw_rate"])]), {})
    assert (mirrored.curve_left, mirrored.curve_right) == (found.curve_right, found.curve_left)
    assert mirrored.steering_left == pytest.approx(found.steering_right, abs=2.0 * STEP)
    backwards = manoeuvres_of(evenly([changed(log, yaw_rate=-log["yaw_rate"], speed=-log["speed"])]), {})
    assert (backwards.curve_left, backwards.braking) == (found.curve_left, found.braking)


def test_coverage_holds_every_second_where_it_was_driven():
    """All seconds are in the cells, and the left circle at 5 m/s and 1.25 m/s² in its own."""
    log, _ = by_hand()
    coverage = coverage_of(evenly([log]), {})
    assert np.sum(coverage.seconds) == pytest.approx(log.duration, abs=2.0 * STEP)
    i = np.searchsorted(coverage.speed_edges, 5.0, side="right") - 1
    j = np.searchsorted(coverage.lateral_edges, 1.249, side="right") - 1
    near = coverage.seconds[i - 1 : i + 1, j - 1 : j + 2]
    assert np.sum(near) == pytest.approx(15.0, abs=2.0 * EDGE)
    np.testing.assert_allclose(coverage.lateral_edges, -coverage.lateral_edges[::-1], atol=1e-12)
    shown = coverage_data(coverage)
    assert np.isnan(shown.seconds[coverage.seconds < 0.05]).all()
    most = np.unravel_index(np.nanargmax(shown.seconds), shown.seconds.shape)
    assert float(shown.words[most[0]][most[1]]) == pytest.approx(coverage.seconds[most], abs=0.5)


def test_bars_show_seconds_and_share():
    """The bars hold the seconds of the manoeuvres; each group's shares add up to 100 % without reversing."""
    found = manoeuvres_of(evenly([by_hand()[0]]), {})
    bars = driving_data(found)
    assert {bar.label: bar.seconds for bar in bars}["curve left"] == found.curve_left
    for group in ("turning", "along"):
        share = sum(bar.percent for bar in bars if bar.group == group and bar.label != "reversing")
        assert share == pytest.approx(100.0)


def test_periodograms_are_those_of_scipy():
    """Averaged over one stretch, all three spectra equal `scipy.signal.welch` and `csd` to rounding."""
    rng = np.random.default_rng(1)
    x, noise = rng.normal(size=(2, 4000))
    y = scipy.signal.lfilter([0.2], [1.0, -0.8], x) + 0.3 * noise
    frequency, xx, yy, xy, count = welch_over([(x, y)], 50.0, 256)
    settings = {"fs": 50.0, "window": "hann", "nperseg": 256, "noverlap": 128, "detrend": "constant"}
    expected, reference = scipy.signal.welch(x, **settings)
    np.testing.assert_allclose(frequency, expected, rtol=1e-12)
    np.testing.assert_allclose(xx, reference, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(yy, scipy.signal.welch(y, **settings)[1], rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(xy, scipy.signal.csd(x, y, **settings)[1], rtol=1e-9, atol=1e-15)
    assert count == (4000 - 256) // 128 + 1


def test_power_adds_up_to_the_variance():
    """Parseval: the integral of the spectrum of white noise is its variance, within the error of 600 averages (4 %)."""
    x = np.random.default_rng(2).normal(0.0, 3.0, 80_000)
    frequency, xx, _, _, _ = welch_over([(x, x)], 100.0, 256)
    assert np.sum(xx) * frequency[1] == pytest.approx(9.0, rel=0.04)


def test_bandwidth_is_where_noise_takes_over():
    """A white command through a first-order lag, with white noise: signal and noise are equal at a known frequency.

    |H|² = 1/(1 + (f/f0)²) equals the ratio q of noise to command where f = f0 √(1/q − 1): for f0 = 1 Hz and q = 0.1, 3 Hz.
    """
    rng, step, f0 = np.random.default_rng(3), 0.01, 1.0
    n = 120_000
    command = rng.normal(size=n)
    pole = np.exp(-2.0 * np.pi * f0 * step)
    answer = scipy.signal.lfilter([0.0, 1.0 - pole], [1.0, -pole], command)
    answer += np.sqrt(0.1) * rng.normal(size=n)
    data = {
        "time": step * np.arange(n),
        "steering_command": command,
        "steering_angle": answer,
        "speed": np.full(n, 5.0),
    }
    (spectrum,) = spectra_of([Log("white", data, "rad")])
    assert spectrum.bandwidth == pytest.approx(3.0, rel=0.15)
    assert spectrum.excited_to == pytest.approx(0.95 * 50.0, rel=0.02)
    expected = 1.0 / (1.0 + 0.1 * (1.0 + (spectrum.frequency / f0) ** 2))
    slow = (spectrum.frequency > 0.1) & (spectrum.frequency < 5.0)
    # Standard deviation of a coherence γ² near a half over 180 windows: √2 (1 − γ²) γ/√n, some 0.04.
    assert np.mean(np.abs(spectrum.coherence[slow] - expected[slow])) < 0.05


def test_channels_tell_rate_resolution_and_noise():
    """A 10 Hz reading held at 100 Hz, counts of 0.05, and white noise on a ramp are found as they were put in."""
    rng = np.random.default_rng(4)
    time = 0.01 * np.arange(6000, dtype=np.float64)
    held = np.repeat(np.sin(0.3 * time[::10]) + rng.normal(0.0, 0.02, 600), 10)
    counted = np.round(3.0 * np.sin(0.2 * time) / 0.05) * 0.05
    noisy = 0.5 * time + rng.normal(0.0, 0.01, time.size)
    log = Log(
        "made", {"time": time, "yaw_rate": held, "steering_angle": counted, "lateral_acceleration": noisy}
    )
    yaw, angle, sideways = channels_of([log])
    assert (yaw.held, sideways.held) == (True, False)
    assert yaw.rate == pytest.approx(10.0, rel=1e-6)
    assert yaw.noise == pytest.approx(0.02, rel=0.15)
    assert angle.resolution == pytest.approx(0.05)
    assert sideways.noise == pytest.approx(0.01, rel=0.05)
    assert np.isnan(sideways.resolution)


def test_noise_is_taken_at_standstill_where_there_is_one():
    """A gyro that hums only while driving shows its own noise at rest."""
    rng = np.random.default_rng(5)
    time = 0.02 * np.arange(3000, dtype=np.float64)
    still = time < 20.0
    yaw = rng.normal(0.0, np.where(still, 0.003, 0.05))
    log = Log("hum", {"time": time, "speed": np.where(still, 0.0, 5.0), "yaw_rate": yaw})
    (channel,) = [c for c in channels_of([log]) if c.quantity == "yaw_rate"]
    assert channel.noise_from == "standstill"
    # A median over some 1000 overlapping differences: 5 % standard deviation.
    assert channel.noise == pytest.approx(0.003, rel=0.15)


@pytest.fixture(scope="module")
def shipped() -> Health:
    """The demo's logs examined."""
    return tuning.examine([tuning.read_log(log, CHANNELS) for log in FIT_LOGS], known=known())


def test_the_shipped_logs_are_healthy_and_tell_what_identification_finds(shipped):
    """No doubt stands, and steering and drive are foretold."""
    assert shipped.trusted
    assert shipped.foreseen is not None
    names = set(shipped.foreseen.values.index)
    assert {"steering.dead_time", "steering.gain", "drive.lag", "drive.brake_lag"} <= names
    text = shipped.text()
    assert "No doubt stands." in text
    assert "steering.dead_time" in text
    assert json.loads(as_json_text(shipped.data()))["trusted"] is True


def test_section_and_pictures_hold_what_was_found(shipped):
    """Three pictures, and tables of findings, values, logs and channels."""
    pictures = health_pictures(shipped)
    assert set(pictures) == {"health-driving", "health-coverage", "health-excitation"}
    assert all(data.startswith(b"\x89PNG") for data in pictures.values())
    section = health_section(shipped, pictures)
    captions = " ".join(part.caption for part in section.parts)
    for words in (
        "What the channels show",
        "What these logs can tell",
        "thresholds are judgements",
        "What each log holds",
    ):
        assert words in captions


def test_a_doubt_ends_the_forecast():
    """With a negated gyro nothing is foretold, and the text says what not to do."""
    log = drive(Setting(style="stops", speed=9.0))
    put, _, words = FAULTS["yaw rate negated"]
    health = examine(changed(log, **put(log)), known={"wheelbase": 2.9})
    assert not health.trusted
    assert health.foreseen is None
    assert words in health.doubts[0]
    assert "Do not fit these logs" in health.text()
    assert "✕" not in health_section(health).title


def test_what_is_missing_is_said():
    """One speed, left curves alone and no standstill are named with what to drive; a log without speed asks for one."""
    log = drive(Setting(style="one side", speed=8.0))
    advice = " ".join(examine(log, known={"wheelbase": 2.9}).advice)
    assert "stand still" in advice
    few = changed(
        log, speed=None, x=None, y=None, **{name: None for name in log.data if name.startswith("wheel")}
    )
    health = examine(few)
    assert health.advice[0].startswith("log the speed")
    assert health.manoeuvres is None
    assert "speed" in health.unforeseen


def test_nothing_to_examine_is_refused():
    """No log at all is an `InputError`."""
    with pytest.raises(InputError, match="no log"):
        examine([])


def test_the_command_tells_sound_from_doubtful_by_its_status(tmp_path, monkeypatch, capsys):
    """Sound logs are status 0 with a report, a wrong sign is status 1, bad input is status 2 and leaves nothing."""
    monkeypatch.chdir(tmp_path)
    words = ["health", str(FIT_LOGS[0]), "--channels", str(CHANNELS), "--known", "wheelbase=3.4"]
    assert run([*words, "--out", "health.html", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert (data["command"], data["trusted"], data["files"]) == ("health", True, ["health.html"])
    page = (tmp_path / "health.html").read_text(encoding="utf-8")
    assert "no doubt stands" in page
    assert page.count("data:image/png") == 3
    (tmp_path / "mine.html").write_text("<p>not of pathtrim</p>", encoding="utf-8")
    assert run([*words, "--out", "mine.html"]) == 2
    assert "exists" in capsys.readouterr().err
    wrong = CHANNELS.read_text(encoding="utf-8").replace(
        '"gyro_z"\nunit = "deg/s"', '"gyro_z"\nunit = "rad/s"'
    )
    (tmp_path / "wrong.toml").write_text(wrong, encoding="utf-8")
    # The report is pathtrim's own and may be written anew.
    again = ["health", str(FIT_LOGS[0]), "--channels", "wrong.toml", "--known", "wheelbase=3.4"]
    assert run([*again, "--out", "health.html"]) == 1
    assert "do not fit these logs yet" in (tmp_path / "health.html").read_text(encoding="utf-8")
    said = capsys.readouterr().out
    assert "yaw_rate looks like deg/s labelled rad/s" in said
    assert run(["health", "none.csv", "--channels", str(CHANNELS), "--out", "other.html"]) == 2
    assert not (tmp_path / "other.html").exists()
