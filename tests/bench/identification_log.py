"""Identify ten minutes of driving at 100 Hz with every channel, and print what it took as one JSON object.

Run by `test_identification_speed.py` in a process of its own, whose peak memory is then that of this job alone.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

import numpy as np

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE.parents[1]), str(_HERE.parent / "tuning")]

from independent_drives import (  # noqa: E402
    Grid,
    coloured,
    excitation,
    quantised,
    second_order,
    single_track,
    speed_loop,
)

from tuning.identification import identify  # noqa: E402
from tuning.logs import Log  # noqa: E402

RATE = 100.0  # Hz
BODY = {"mass": 1520.0, "inertia": 2350.0, "a": 1.15, "b": 1.55, "stiffness": (96e3, 124e3)}
DRIVE = {
    "dead_time": 0.24, "lag": 0.4, "brake_dead_time": 0.13, "brake_lag": 0.2, "speed_gain": 0.9,
    "acceleration_limit": 1.6, "deceleration_limit": 2.2,
}  # fmt: skip
KNOWN = {"wheelbase": 2.7, "mass": 1520.0, "front_axle_distance": 1.15}
TRUE = {"steering.dead_time": 0.087, "steering.natural_frequency": 14.0, "steering.offset": 0.004}


def ten_minutes(seconds: float = 600.0, seed: int = 0) -> Log:
    """Give a log of a car with every channel that a by-wire vehicle sends."""
    rng = np.random.default_rng([21, seed])
    time_ = np.arange(0.0, seconds, 1.0 / RATE)
    block = round(8.0 * RATE)
    asked = np.repeat(rng.uniform(6.0, 22.0, time_.size // block + 1), block)[: time_.size]
    feed_forward = 0.2 * np.sin(0.7 * time_)
    speed = speed_loop(time_, asked, feed_forward, DRIVE)
    command = excitation(time_, rng, 1.5) * np.minimum(2.2 / speed**2, 0.04)
    grid = Grid(time_, TRUE["steering.dead_time"])
    nodes, middles = second_order(
        grid, np.arctan(2.7 * command) + TRUE["steering.offset"], TRUE["steering.natural_frequency"], 0.75
    )
    yaw, across = (
        values[grid.samples]
        for values in single_track(grid, np.interp(grid.time, time_, speed), nodes, middles, **BODY)
    )
    heading = np.concatenate(([0.0], np.cumsum(0.5 * (yaw[1:] + yaw[:-1]) / RATE)))
    east, north = (
        np.concatenate(([0.0], np.cumsum((speed * turn(heading))[:-1] / RATE))) for turn in (np.cos, np.sin)
    )

    def shown(values: np.ndarray, noise: float, step: float) -> np.ndarray:
        return quantised(values + coloured(rng, values.size, noise, 0.95), step)

    wheels = {
        f"wheel_speed_{axle}_{side}": shown(speed - sign * 0.75 * yaw, 0.03, 0.01)
        for axle in ("front", "rear")
        for side, sign in (("left", 1.0), ("right", -1.0))
    }
    data = {
        "time": time_,
        "curvature_command": command,
        "speed_command": asked,
        "acceleration_command": feed_forward,
        "speed": shown(speed, 0.02, 0.01),
        "steering_angle": shown(nodes[grid.samples], 0.0015, 0.0005),
        "yaw_rate": shown(yaw, 0.006, 0.001),
        "lateral_acceleration": shown(across, 0.12, 0.01),
        "longitudinal_acceleration": shown(np.gradient(speed, time_), 0.1, 0.01),
        "heading": np.angle(np.exp(1j * shown(heading, 0.002, 0.0005))),
        "x": shown(east, 0.02, 0.01),
        "y": shown(north, 0.02, 0.01),
        **wheels,
    }
    return Log("ten minutes", data)


def main() -> None:
    """Warm the kernels with 40 s, identify ten minutes, and print seconds, peak memory (MB) and a few values."""
    identify(ten_minutes(40.0, seed=1), known=KNOWN)
    log = ten_minutes()
    before = resource.getrusage(resource.RUSAGE_SELF)
    start = time.perf_counter()
    found = identify(log, known=KNOWN)
    seconds = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF)
    told = {name: float(found.parameters.loc[name, "value"]) for name in TRUE}
    print(
        json.dumps(
            {
                "seconds": seconds,
                "processor": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
                # Linux counts in kB.
                "megabytes": after.ru_maxrss / 1024.0,
                "before": before.ru_maxrss / 1024.0,
                "model": found.vehicle.model_name,
                "samples": len(log),
                "found": told,
            }
        )
    )


if __name__ == "__main__":
    main()
