"""The tracker: a law on a track, what runs on the vehicle at 50-100 Hz."""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.command import Command, Measurement
from tracker.envelope import Envelope
from tracker.laws.base import IN_PYTHON, Law
from tracker.memory import MEASURED, NEAR, STOP, StopReason, new_memory
from tracker.response import Response
from tracker.step import Options, decide, deliver, lost, perceive, usable
from tracks import Track
from tracks.errors import InputError

__all__ = ["WHEELBASES_LOST", "Tracker", "response_of"]

# Lateral error over the wheelbase beyond which it is another road; common practice, no source.
WHEELBASES_LOST = 3.0


def response_of(vehicle: Any, law: Law | None = None) -> Response:
    """Give the `Response` of a vehicle, or that which the law carries, or an ideal vehicle's.

    Args:
        vehicle: a `Response`, anything with an attribute `response`, or None.
        law: asked when `vehicle` is None.
    """
    if vehicle is None:
        return (law.response if law is not None else None) or Response()
    response = getattr(vehicle, "response", vehicle)
    if not isinstance(response, Response):
        raise InputError(
            f"vehicle is a {type(vehicle).__name__}",
            "a tracker.Response, a tuning.Vehicle or None",
            "pass vehicle=tuning.Vehicle.load('vehicle.toml') or vehicle=tracker.Response(wheelbase=...)",
        )
    return response


class Tracker:
    """A law on a track, with dead-time compensation, envelope, and a controlled stop at the end of the path.

    The command asks for the curvature that makes this vehicle drive what the law wants: the understeer, the
    gain and the offset of its steering are corrected. An unusable measurement (not finite, absurdly large, or time not
    increasing), a law that gives no answer, a vehicle far from the path, across it or rolling back brings the vehicle to a controlled stop, for good.

    Args:
        law: a law with its gains.
        track: the track to follow.
        vehicle: a `Response` or a vehicle that has one; None takes what the law carries, and without
            that an ideal vehicle, so that nothing is compensated.
        envelope: limits on the commands; None takes what the law carries or the defaults.
        period: intended time between two commands, s (0.005 to 0.1).
        speed_factor: of the track's planned speed.
        compensate_dead_time: whether the law sees the vehicle where it will be when the command takes effect.
        start: arc length near which the vehicle is at the first measurement, m; None looks over the whole path.
        lost_beyond: lateral error beyond which the vehicle is stopped, m; None for three wheelbases.

    Raises:
        InputError: a setting is out of range.
    """

    def __init__(
        self,
        law: Law,
        track: Track,
        vehicle: Any = None,
        envelope: Envelope | None = None,
        *,
        period: float = 0.02,
        speed_factor: float = 1.0,
        compensate_dead_time: bool = True,
        start: float | None = None,
        lost_beyond: float | None = None,
    ) -> None:
        if not 0.005 <= period <= 0.1:
            raise InputError(f"period is {period} s", "0.005 to 0.1 s", "run the tracker at 10 to 200 Hz")
        if not 0.0 < speed_factor <= 3.0:
            raise InputError(
                f"speed_factor is {speed_factor}", "above 0 and at most 3", "scale the track's plan"
            )
        if lost_beyond is not None and not lost_beyond > 0.0:
            raise InputError(
                f"lost_beyond is {lost_beyond} m", "above 0 m", "leave it out for three wheelbases"
            )
        self.law, self.track = law, track
        self.response = response_of(vehicle, law)
        self.envelope = envelope or law.envelope or Envelope()
        self._response = self.response.values
        self._envelope = self.envelope.values(self.response)
        self._options = Options(
            period=float(period),
            speed_factor=float(speed_factor),
            compensate_dead_time=float(compensate_dead_time),
            lost_beyond=float(lost_beyond or WHEELBASES_LOST * self.response.wheelbase),
        )
        self._track = track.arrays
        self._memory = new_memory(start or 0.0)
        self._located = start is not None
        self._gains = law.gain_values() if law.kernel != IN_PYTHON else np.zeros(0)
        self._runner = None
        if law.kernel == IN_PYTHON:
            self._runner = law.start(self.response, self._envelope, track, period, speed_factor)

    @property
    def stopped_because(self) -> StopReason:
        """Why the vehicle is being stopped; `StopReason.NONE` in normal driving."""
        return StopReason(int(self._memory.numbers[STOP]))

    @property
    def arc_length(self) -> float:
        """Arc length of the vehicle's last projection on the path, m; grows past the length on further laps."""
        return float(self._memory.numbers[NEAR])

    @property
    def counts(self) -> dict[str, int]:
        """How often something worth knowing happened, by name; empty for closed-form laws."""
        return dict(getattr(self._runner, "counts", {}))

    def command(self, measurement: Measurement) -> Command:
        """Give the command for a measurement; never raises for what a vehicle may report."""
        m = measurement
        if not self._located:
            self._locate(m)
        state = (
            float(m.time),
            float(m.x),
            float(m.y),
            float(m.heading),
            float(m.speed),
            float(m.yaw_rate),
            float(m.steering_angle),
        )
        if self._runner is None:
            return Command(
                *decide(
                    self.law.kernel, self._gains, self._response, self._envelope, self._track, self._options,
                    self._memory, *state,
                )
            )  # fmt: skip
        reason = usable(self._memory, *state)
        wanted, speed, s = 0.0, state[4], self.arc_length
        if reason:
            speed = float(self._memory.numbers[MEASURED])
        else:
            view = perceive(self._response, self._track, self._options, self._memory, *state)
            reason, s = lost(self._options, view), view.s
            wanted = 0.0 if reason else self._runner.curvature(view)
        return Command(
            *deliver(
                self._response, self._envelope, self._track, self._options, self._memory,
                reason, wanted, state[0], speed, s,
            )
        )  # fmt: skip

    def _locate(self, m: Measurement) -> None:
        """Find the vehicle on the whole path, once, at the first usable measurement."""
        if np.all(np.isfinite((m.x, m.y, m.heading))):
            s, _ = self.track.path.locate(m.x, m.y, heading=m.heading)
            self._memory.numbers[NEAR] = s
            self._located = True
