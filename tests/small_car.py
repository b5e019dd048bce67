"""A real 1:10-scale car: its logs as the bench reads them, and what its owner published (SOURCE.txt beside the data)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from tuning.logs import Log, read_log

WHEELBASE = 0.1735  # m
MASS = 1.580  # kg
STEERING_LAG = 0.078  # s, and no dead time
THROTTLE_LAG = 0.0843  # s
THROTTLE_FREE = 0.16378
NO_LOAD_SPEED = 25.358 / 4.8153  # m/s
TRIM = -0.03  # by which the owner shifted the commands of the steering map

ON_BOARD = """
[time]
column = "elapsed time sensors"
unit = "s"
[steering_command]
column = "steering"
[speed]
column = "vel encoder"
unit = "m/s"
[yaw_rate]
column = "W (IMU)"
unit = "rad/s"
"""

THROTTLE = """
[throttle_command]
column = "throttle"
[longitudinal_acceleration]
column = "acc x (IMU)"
unit = "m/s²"
"""

# Clock, position and heading of the motion capture; of the on-board columns, which are sampled at 10 Hz and held with
# some 0.1 s of age, only the command is needed.
MOTION_CAPTURE = """
[time]
column = "vicon time"
unit = "s"
[steering_command]
column = "steering"
[x]
column = "vicon x"
unit = "m"
[y]
column = "vicon y"
unit = "m"
[heading]
column = "vicon yaw"
unit = "rad"
"""


def published_map(u, trim: float = TRIM):
    """Road-wheel angle (rad) of a steering command."""
    a, b, c, d, e = 1.3929, 0.36576, 0.002996 + trim, 0.51479, 1.02304
    w = (np.tanh(30.0 * (u + c)) + 1.0) / 2.0
    return w * b * np.tanh(a * (u + c)) + (1.0 - w) * d * np.tanh(e * (u + c))


def published_force(throttle, speed):
    """Force of the drive (N) at a throttle position and a speed (m/s)."""
    w = (np.tanh(100.0 * (throttle - THROTTLE_FREE)) + 1.0) / 2.0
    return (25.358 - 4.8153 * speed) * w * (throttle - THROTTLE_FREE)


def published_drag(speed):
    """Resistance (N) at a speed (m/s)."""
    return 1.26599 * np.tanh(7.66637 * speed) + 0.739304 * speed - 0.112315 * speed**2


def steering_logs(shared: Path, folder: Path, kind: str = "s*") -> list[Log]:
    """The on-board logs of steering steps and sines (`kind` "step" or "sine" for one of them)."""
    channels = folder / "on_board.toml"
    channels.write_text(ON_BOARD, encoding="utf-8")
    files = sorted((shared / "small_car").glob(f"{kind}_steering/*.csv"))
    return [read_log(file, channels) for file in files]


def captured_log(shared: Path, folder: Path) -> Log:
    """98 s of free driving under motion capture."""
    channels = folder / "motion_capture.toml"
    channels.write_text(MOTION_CAPTURE, encoding="utf-8")
    return read_log(shared / "small_car" / "motion_capture" / "free_driving.csv", channels)


def captured_like_on_board(shared: Path, folder: Path) -> Log:
    """The same with speed and yaw rate taken from poses over ±0.03 s, so that it joins the on-board logs."""
    log = captured_log(shared, folder)
    time, heading, k = log["time"], np.unwrap(log["heading"]), 3
    index = np.arange(time.size)
    back, ahead = np.maximum(index - k, 0), np.minimum(index + k, time.size - 1)

    def rate(values):
        return (values[ahead] - values[back]) / (time[ahead] - time[back])

    speed = rate(log["x"]) * np.cos(heading) + rate(log["y"]) * np.sin(heading)
    data = {
        "time": time,
        "steering_command": log["steering_command"],
        "speed": speed,
        "yaw_rate": rate(heading),
    }
    return Log(log.name, data, log.steering_unit)


def throttle_logs(shared: Path, folder: Path) -> list[Log]:
    """The logs of throttle steps; a throttle counts only while the safety switch (`safety_value`) lets it through."""
    channels = folder / "throttle.toml"
    channels.write_text(ON_BOARD + THROTTLE, encoding="utf-8")
    logs = []
    for file in sorted((shared / "small_car").glob("throttle_steps/*.csv")):
        table = pd.read_csv(file)
        table["throttle"] *= table["safety_value"]
        # The date in the name is the same for all.
        passed = folder / f"{file.stem[-8:]}.csv"
        table.to_csv(passed, index=False)
        logs.append(read_log(passed, channels))
    return logs
