"""Makes the demo's drive logs: `python -m tuning.demo.make_logs [FOLDER]`, by default those shipped.

They look like a logger's: a clock with jitter that starts anywhere, km/h and degrees, an inertial unit whose axes
point forward, right and down. The channel file beside them says how to read that.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path as FilePath

import numpy as np
import pandas as pd

from tracks.file_access import write_atomically
from tuning.demo.drive import ShuttleDrive
from tuning.demo.manoeuvres import MANOEUVRES, Manoeuvre
from tuning.demo.shipped import DATA

__all__ = ["DECIMALS", "drive_log", "make_logs"]

PERIOD = 20  # ms
CLOCK_START = 1042.310  # s, how long the logger had been on
GRAVITY = 9.80665  # m/s², of the unit g

# Columns and the decimals they are written with; commands are sent as written.
DECIMALS = {
    "t": 3,  # s
    "curvature_cmd": 5,  # 1/m
    "speed_cmd": 2,  # km/h
    "accel_cmd": 2,  # m/s²
    "speed": 2,  # km/h
    "steer_angle": 2,  # deg, road wheel
    "gyro_z": 2,  # deg/s, + right
    "acc_x": 3,  # g
    "acc_y": 3,  # g, + right
}
_NOTE = (
    "# Invented 12-seat campus shuttle; empty closed yard, trained safety driver aboard, stop device tested\n"
)


def drive_log(manoeuvre: Manoeuvre, seed: int) -> pd.DataFrame:
    """Drive a manoeuvre at 50 Hz and give the log as the logger writes it, one row a cycle.

    A row holds the command sent in its cycle and the readings taken just before.
    """
    drive = ShuttleDrive(manoeuvre.start_speed, seed=seed)
    clock = np.random.default_rng(seed + 1000)
    rows = []
    for cycle in range(round(manoeuvre.seconds * 1000 / PERIOD)):
        # The cycle starts late or early by up to 2 ms, and never drifts.
        jitter = int(np.clip(np.rint(clock.normal(0.0, 0.8)), -2, 2)) if cycle else 0
        drive.advance(cycle * PERIOD + jitter - drive.milliseconds)
        curvature, speed, acceleration = manoeuvre.command(drive.time)
        readings = drive.readings()
        row = {
            "t": CLOCK_START + drive.time,
            "curvature_cmd": curvature,
            "speed_cmd": speed * 3.6,
            "accel_cmd": acceleration,
            "speed": readings.speed * 3.6,
            "steer_angle": np.degrees(readings.steering_angle),
            "gyro_z": -np.degrees(readings.yaw_rate),
            "acc_x": readings.longitudinal_acceleration / GRAVITY,
            "acc_y": -readings.lateral_acceleration / GRAVITY,
        }
        # Adding 0.0 turns −0.0, which reads badly, into 0.0.
        row = {name: round(float(value), DECIMALS[name]) + 0.0 for name, value in row.items()}
        drive.send(row["curvature_cmd"], row["speed_cmd"] / 3.6, row["accel_cmd"])
        rows.append(row)
    return pd.DataFrame(rows)


def make_logs(folder: str | FilePath) -> list[FilePath]:
    """Drive every manoeuvre and write its log, CSV or Parquet by its name; the same bytes every time."""
    files = []
    for seed, (name, manoeuvre) in enumerate(MANOEUVRES.items()):
        table = drive_log(manoeuvre, seed)
        file = FilePath(folder) / name
        if file.suffix == ".parquet":
            buffer = io.BytesIO()
            table.to_parquet(buffer, index=False)
            write_atomically(file, buffer.getvalue())
        else:
            written = table.copy()
            for column, decimals in DECIMALS.items():
                written[column] = [f"{value:.{decimals}f}" for value in table[column]]
            write_atomically(file, _NOTE + written.to_csv(index=False, lineterminator="\n"))
        files.append(file)
    return files


if __name__ == "__main__":
    for made in make_logs(sys.argv[1] if len(sys.argv) > 1 else DATA):
        print(made)
