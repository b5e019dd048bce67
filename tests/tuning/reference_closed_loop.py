"""Our tracker driving the reference model MB through our by-wire layer.

The by-wire layer is the steering and the drive of our own vehicle (`tuning.vehicle.rk4`, its body left
unused): it takes the commands after their dead times, and its road-wheel angle and acceleration go to MB's
two inputs, the steering rate and the acceleration. Its speed is set to MB's at every step, so its speed loop
holds the speed of MB.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from reference_multi_body import STEP, MultiBody

import tracker
import tuning
from tracker.memory import StopReason
from tracks import Track
from tuning.vehicle import KINEMATIC, Inputs, State, Surroundings, Vehicle, rk4
from tuning.vehicle.steering import steering_target

__all__ = ["Drive", "drive_both"]

PERIOD = 0.02  # s, of the tracker
_STEPS = round(PERIOD / STEP)


class Drive(NamedTuple):
    """What came of a drive over one stretch of the path, arrays by control step or recording, shape (n,)."""

    s: np.ndarray  # m, along the path
    lateral_error: np.ndarray  # m, of the rear-axle middle, + left
    speed: np.ndarray  # m/s
    lateral_acceleration: np.ndarray  # m/s²
    stopped_because: StopReason

    @property
    def rms(self) -> float:
        """RMS of the lateral error, m."""
        return float(np.sqrt(np.mean(self.lateral_error**2)))

    @property
    def largest(self) -> float:
        """Largest lateral error either way, m."""
        return float(np.max(np.abs(self.lateral_error)))


class _Wires:
    """Commands under way, and the by-wire layer that they come to; dead times in whole steps of `STEP`."""

    def __init__(self, vehicle: Vehicle, speed: float) -> None:
        self.model, self.plant = KINEMATIC, vehicle.plant
        self.late = [round(dead / STEP) for dead in vehicle.dead_times]
        assert np.allclose(np.array(self.late) * STEP, vehicle.dead_times)
        first = tracker.Command(0.0, speed, 0.0)
        self.sent = [first] * (max(self.late) + 1)
        self.state = State(0.0, 0.0, 0.0, speed, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    def advance(self, command: tracker.Command, speed: float) -> tuple[float, float]:
        """Send a command, let a step pass: give road-wheel angle (rad) and acceleration (m/s²) at its end."""
        self.sent.append(command)
        steer, drive, brake = (self.sent[-1 - late] for late in self.late)
        inputs = Inputs(
            steering_target(self.plant, steer.curvature),
            drive.speed, drive.acceleration, brake.speed, brake.acceleration,
        )  # fmt: skip
        state = self.state._replace(speed=speed)
        self.state = rk4(self.model, self.plant, state, inputs, Surroundings(), STEP)
        return (
            self.state.steering_angle,
            self.state.drive_acceleration + self.state.brake_acceleration,
        )


def drive_multi_body(
    law: tracker.Law, p: Any, vehicle: Vehicle, track: Track, until: float, envelope: tracker.Envelope
) -> Drive:
    """Drive MB on a track that begins straight along x, up to arc length `until` (m).

    `vehicle` is what the tracker believes in and whose by-wire layer stands before MB.
    """
    speed = float(track.speed[0])
    car, wires = MultiBody(p, speed), _Wires(vehicle, speed)
    # MB's place is that of its centre of gravity; the rear axle starts on the track.
    car.state[0], car.state[1] = float(track.path.x[0]) + p.b, float(track.path.y[0])
    follower = tracker.Tracker(law, track, vehicle, envelope, period=PERIOD, start=0.0)
    rows, near, time = [], 0.0, 0.0
    while near < until and time < 60.0:
        x, y = car.rear_axle
        near, offset = track.path.locate(x, y, near=near)
        rows.append((near, offset, car.speed, car.lateral_acceleration))
        command = follower.command(
            tracker.Measurement(time, x, y, car.heading, car.speed, car.yaw_rate, car.angle)
        )
        for _ in range(_STEPS):
            angle, acceleration = wires.advance(command, car.speed)
            car.advance((angle - car.angle) / STEP, acceleration, STEP)
        time += PERIOD
    return Drive(*np.array(rows).T, follower.stopped_because)


def drive_both(
    law: tracker.Law, p: Any, vehicle: Vehicle, track: Track, until: float, envelope: tracker.Envelope
) -> tuple[Drive, Drive]:
    """Give what the bench predicts of our vehicle, and what the same tracker then does with MB."""
    run = tuning.simulate(law, vehicle, track, envelope=envelope, period=PERIOD)
    driven = run.s < until
    predicted = Drive(
        run.s[driven], run.lateral_error[driven], run.speed[driven], run.lateral_acceleration[driven],
        run.stop_reason,
    )  # fmt: skip
    return predicted, drive_multi_body(law, p, vehicle, track, until, envelope)
