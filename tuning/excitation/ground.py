"""Driving a planned drive in simulation: the ground it sweeps, the peaks it reaches, and whether all of it is allowed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.excitation.drives import Drive
from tuning.excitation.space import Limits, Size, Space
from tuning.logs.log import Log
from tuning.simulation.open_loop import OpenLoopRun, open_loop
from tuning.vehicle import Vehicle

__all__ = ["Ground", "broken", "driven", "log_of_run", "run_of"]

Array = NDArray[np.float64]

_EVERY = 4  # samples between two outlines of the body that are kept for drawing
_STILL = 0.05  # m/s


@dataclass(frozen=True)
class Ground:
    """Where a drive goes, in the frame of the space, nominal vehicle first.

    Attributes:
        start: place of the rear-axle middle at the start mark, m.
        outlines: for each vehicle the body's corners at every fourth sample, shape (k, 4, 2), m.
        paths: for each vehicle its rear-axle middle, shape (n, 2), m.
        box: least and greatest x, least and greatest y of all of it, m.
        peaks: greatest magnitudes over all vehicles, by limit's name, SI.
        run_up, stopping: longest way before the manoeuvre, and from the stop's command to standstill, m.
        stands: whether every vehicle stands still at the end.
    """

    start: tuple[float, float]
    outlines: tuple[Array, ...]
    paths: tuple[Array, ...]
    box: tuple[float, float, float, float]
    peaks: dict[str, float]
    run_up: float
    stopping: float
    stands: bool


def run_of(vehicle: Vehicle, drive: Drive) -> OpenLoopRun:
    """Drive a vehicle by a drive's commands, open loop."""
    return open_loop(
        vehicle, drive.duration, speed=drive.speed_command, curvature=drive.curvature_command,
        acceleration=drive.acceleration_command, period=float(drive.time[1] - drive.time[0]),
    )  # fmt: skip


def log_of_run(name: str, drive: Drive, vehicle: Vehicle, outputs: Sequence[str]) -> Log:
    """Drive a vehicle by a planned drive in simulation and give the log that it would leave, without noise."""
    run = run_of(vehicle, drive)
    data = {
        "time": drive.time,
        "speed_command": drive.speed_command,
        "acceleration_command": drive.acceleration_command,
        "speed": run.series("speed"),
        **{output: run.series(output) for output in outputs},
    }
    unit = None
    if drive.steering_command is None:
        data["curvature_command"] = drive.curvature_command
    else:
        data["steering_command"] = drive.steering_command
        unit = "rad" if vehicle.steering.interface == "angle" else None
    return Log(name, data, unit)


def driven(drive: Drive, vehicles: Sequence[Vehicle], size: Size, space: Space) -> Ground:
    """Drive all vehicles from one start mark that lies so that what they sweep begins at the margin, in the middle."""
    runs = [run_of(vehicle, drive) for vehicle in vehicles]
    outlines = [_outlines(run, size) for run in runs]
    corners = np.concatenate([o.reshape(-1, 2) for o in outlines])
    low, high = np.min(corners, axis=0), np.max(corners, axis=0)
    shift = np.array([space.margin - low[0], -0.5 * (low[1] + high[1])])
    paths = [np.stack([run.series("x"), run.series("y")], axis=1) + shift for run in runs]
    first, last = drive.manoeuvre
    last = min(last, drive.time.size) - 1
    way = [np.cumsum(run.series("speed")) * float(drive.time[1] - drive.time[0]) for run in runs]
    longitudinal = [run.series("longitudinal_acceleration") for run in runs]
    peaks = {
        "speed": _most(np.abs(run.series("speed")) for run in runs),
        "lateral_acceleration": _most(np.abs(run.series("lateral_acceleration")) for run in runs),
        "acceleration": _most(longitudinal),
        "deceleration": _most(-values for values in longitudinal),
        "steering_rate": _most(np.abs(run.series("steering_rate")) for run in runs),
        "steering_angle": _most(np.abs(run.series("steering_angle")) for run in runs),
    }
    return Ground(
        (float(shift[0]), float(shift[1])),
        tuple(np.concatenate([o[::_EVERY], o[-1:]]) + shift for o in outlines),
        tuple(paths),
        (float(low[0] + shift[0]), float(high[0] + shift[0]), float(low[1] + shift[1]), float(high[1] + shift[1])),
        peaks,
        max(float(values[first]) for values in way),
        max(float(values[-1] - values[last]) for values in way),
        all(float(run.series("speed")[-1]) < _STILL for run in runs),
    )  # fmt: skip


def broken(ground: Ground, space: Space, limits: Limits) -> list[str]:
    """Name what a drive does not keep: limits by name, "length", "width", or "standstill" at its end."""
    left, right, low, high = ground.box
    found = [name for name, peak in ground.peaks.items() if peak > getattr(limits, name) * (1.0 + 1e-9)]
    if left < space.margin - 1e-9 or right > space.length - space.margin + 1e-9:
        found.append("length")
    if max(-low, high) > 0.5 * space.width - space.margin + 1e-9:
        found.append("width")
    return found if ground.stands else [*found, "standstill"]


def _outlines(run: OpenLoopRun, size: Size) -> Array:
    """Give the corners of the body at every sample, shape (n, 4, 2), m, from where it starts."""
    x, y, heading = (run.series(name) for name in ("x", "y", "heading"))
    along = np.array([-size.rear, size.wheelbase + size.front, size.wheelbase + size.front, -size.rear])
    across = 0.5 * size.width * np.array([-1.0, -1.0, 1.0, 1.0])
    c, s = np.cos(heading)[:, None], np.sin(heading)[:, None]
    return np.stack([x[:, None] + c * along - s * across, y[:, None] + s * along + c * across], axis=2)


def _most(series) -> float:  # type: ignore[no-untyped-def]
    return max(float(np.max(values)) for values in series)
