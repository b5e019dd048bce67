"""What the localisation gives, and what the command link makes of commands."""

from __future__ import annotations

import numpy as np

from tuning.simulation.guide.rides import SHUTTLE, drive
from tuning.simulation.guide.sheet import Curve, Label, Panel, Sheet, errors
from tuning.simulation.localisation import Localisation, fixes_of
from tuning.simulation.open_loop import open_loop
from tuning.simulation.wire import link_delays

__all__ = ["LINK", "SETTINGS", "command_link", "localisation"]

SETTINGS = {
    "noise": 0.02, "wander": 0.1, "wander_time": 10.0, "period": 0.1, "latency": 0.08, "stamped": True,
    "dropouts": 10.0, "dropout_time": 0.3,
}  # fmt: skip
LINK = {"link.period": 0.04, "link.jitter": 0.03}

_CONTROL = 0.02  # s between two commands
_SEED = 1


def localisation() -> Sheet:
    """The slow and the white error of the pose, its age, and a drive with all of it."""
    run = drive(localisation=Localisation.model_validate(SETTINGS))
    steps = round(float(run.time[-1]) / _CONTROL) + 1
    now = _CONTROL * np.arange(steps, dtype=np.float64)

    def given(**changed: float) -> tuple[np.ndarray, np.ndarray]:
        fixes = fixes_of(Localisation.model_validate(SETTINGS | changed), steps, _CONTROL, _SEED)
        return now - fixes.time, fixes.noise[:, 1]

    age, both = given()
    _, slow = given(noise=0.0)
    oldest, largest = float(np.max(age[now > 1.0])), float(np.max(np.abs(run.lateral_error)))
    return Sheet(
        name="localisation",
        message=f"A pose that is noisy, wanders, comes late and drops out: up to {1000 * oldest:.0f} ms old;\n"
        f"the vehicle follows the slow error, up to {largest:.2f} m beside the path",
        x="time, s",
        limits=(6.0, 18.0),
        panels=(
            Panel(
                "error of the\npose in y, m",
                (
                    Curve(now, both, "broad", Label("white noise on top of it", 12.6, 0, y=0.36)),
                    Curve(now, slow, "first", Label("wander", 7.0, 0, y=0.30)),
                ),
            ),
            Panel("age of the\nnewest pose, ms", (Curve(now, 1000.0 * age, stepped=True),)),
            errors((Curve(run.time, run.lateral_error),)),
        ),
        spans=(),
        figures={
            "oldest": oldest,
            "largest": largest,
            "noise": float(np.std(both - slow)),
        },
        runs=(run,),
    )


def command_link() -> Sheet:
    """A step of the commanded curvature, sent at once and over a slow link; and the delay of each message."""
    seconds, begin, curvature = 3.0, 1.14, 0.02

    def course(t: np.ndarray) -> np.ndarray:
        return np.where(t >= begin - 1e-9, curvature, 0.0)

    slow = SHUTTLE.replace(**LINK)
    steps = round(seconds / _CONTROL) + 1
    delays = link_delays(LINK["link.period"], LINK["link.jitter"], steps, _CONTROL, _SEED)
    direct = open_loop(SHUTTLE, seconds, speed=7.5, curvature=course)
    over = open_loop(slow, seconds, speed=7.5, curvature=course, seed=_SEED)
    asked = np.degrees(np.arctan(SHUTTLE.body.wheelbase * direct.command_curvature))
    t = direct.time - begin
    angles = [np.degrees(drive.series("road_wheel_angle")) for drive in (direct, over)]
    # Half way to the angle asked for, between samples.
    half = [float(np.interp(0.5 * asked[-1], angle[t >= 0.0], t[t >= 0.0])) for angle in angles]
    total = 1000.0 * (delays + SHUTTLE.steering.dead_time)
    return Sheet(
        name="command_link",
        message=f"A command that just misses its slot: the road wheels are half way after {1000 * half[1]:.0f} ms instead of "
        f"{1000 * half[0]:.0f} ms\n(slots every 40 ms, up to 30 ms of jitter)",
        x="time since the step, s",
        limits=(-0.2, 1.0),
        panels=(
            Panel(
                "road-wheel angle,\n° (+ left)",
                (
                    Curve(t, asked, "wanted", Label("sent", -0.05, 0, y=3.0), stepped=True),
                    Curve(t, angles[0], "first", Label("sent at once", 0.19, -66, 14)),
                    Curve(t, angles[1], "second", Label("over the link", 0.3, 8, -6)),
                ),
            ),
            Panel(
                "from sending to\nfirst answer, ms",
                (
                    Curve(t, np.full(steps, 110.0), "first", Label("dead time of the steering", 0.5, 0, -9)),
                    Curve(
                        t,
                        total,
                        "second",
                        Label("with slot and jitter, a dot a message", 0.4, 0, y=171.0),
                        dots=True,
                    ),
                ),
                margin=0.35,
            ),
        ),
        spans=(),
        figures={
            "half way at once": half[0],
            "half way over the link": half[1],
            "longest": float(np.max(total)),
        },
    )
