"""The inner loops as a user calls them on the vehicle: a command and a measurement in, positions out."""

from __future__ import annotations

from typing import Any, NamedTuple

from tracker.command import Command, Measurement
from tracker.inner_loops import InnerLoops, new_inner_loops_memory, positions
from tracker.tracker import response_of

__all__ = ["PositionLoop", "Positions"]


class Positions(NamedTuple):
    """What a vehicle with open-loop positions is asked for.

    Attributes:
        angle: road-wheel angle to ask for, rad, + left; `tuning.Vehicle.steering_number` gives the steering position.
        throttle: 0 to 1.
        brake: 0 to 1; never above 0 together with the throttle.
    """

    angle: float
    throttle: float
    brake: float


class PositionLoop:
    """Turns a tracker's commands into positions, on the vehicle.

    Args:
        loops: the settings.
        response: a `Response` or a vehicle that has one; None for an ideal one.

    Raises:
        InputError: `response` is neither.
    """

    def __init__(self, loops: InnerLoops, response: Any = None) -> None:
        self.loops, self.response = loops, response_of(response)
        self._values, self._response = loops.values, self.response.values
        self.reset()

    def reset(self) -> None:
        """Forget integral, trim and gear: call it while a driver drives, so that engaging starts anew."""
        self._memory = new_inner_loops_memory()
        self._time: float | None = None

    def positions(self, command: Command, measurement: Measurement) -> Positions:
        """Give the positions for a command; never raises for what a vehicle may report."""
        time = float(measurement.time)
        # The first call, and a time that goes back or is not finite, integrate nothing.
        period = time - self._time if self._time is not None else 0.0
        if abs(time) < float("inf"):
            self._time = time
        return Positions(
            *positions(
                self._values, self._response, self._memory, float(command.curvature), float(command.speed),
                float(command.acceleration), float(measurement.speed), float(measurement.steering_angle), period,
            )
        )  # fmt: skip
