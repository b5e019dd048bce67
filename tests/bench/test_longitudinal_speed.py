"""Time of a longitudinal fit to ten minutes at 100 Hz; run with pytest tests/bench -s."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "tuning"))

from longitudinal_drives import Loop, Truth, driven_by_loop, driven_by_positions

from tuning.identification.lateral_fit import base_vehicle
from tuning.identification.records import gather
from tuning.identification.speed_fit import fit_speed
from tuning.logs import Log

KNOWN = {"body.wheelbase": 2.5, "body.mass": 1200.0}
LONGEST = 3.0  # s of the calling thread


def log_of(kind: str) -> Log:
    """Ten minutes at 100 Hz, by positions or by a speed loop."""
    rng, truth = np.random.default_rng(1), Truth()
    if kind == "positions":
        moments, throttle, brake, speed = driven_by_positions(truth, 600.0, 5, rate=100.0)
        data = {"throttle_command": throttle, "brake_command": brake}
    else:
        moments, asked, forward, _, speed, _ = driven_by_loop(
            truth, Loop(integral=0.15), 600.0, 5, rate=100.0
        )
        data = {"speed_command": asked, "acceleration_command": forward}
    return Log(kind, {"time": moments, "speed": speed + rng.normal(0.0, 0.03, moments.size), **data}, None)


def test_ten_minutes_at_100_hz(capsys):
    """By positions and by a speed loop, effects and all: time of the calling thread, and of both workers with it."""
    vehicle = base_vehicle("curvature", KNOWN, 2.5)
    for kind, command in (("positions", "throttle_command"), ("loop", "speed_command")):
        recording = gather([log_of(kind)], command, 0.5, [])
        fit_speed(recording, vehicle, KNOWN, 1, 0, [])  # compiles
        thread, process = time.thread_time(), time.process_time()
        found = fit_speed(recording, vehicle, KNOWN, 3, 0, [])
        thread, process = time.thread_time() - thread, time.process_time() - process
        assert found is not None
        with capsys.disabled():
            print(
                f"\n{kind}: {len(found.values)} values, {thread:.2f} s of the thread, {process:.2f} s in all"
            )
        assert thread < LONGEST
