"""The tracker: a law on a track, what runs on the vehicle at 50-100 Hz."""

from __future__ import annotations

from typing import Any

import numpy as np

from tracker.command import Command, Measurement
from tracker.engagement import restart, stand_by
from tracker.envelope import Envelope
from tracker.explanation import Before, Explanation, explain
from tracker.laws.base import IN_PYTHON, Law, Runner
from tracker.memory import CURVATURE, DEMAND, MEASURED, NEAR, STOP, StopReason, new_memory
from tracker.options import BLIND_FOR, WHEELBASES_JUMPED, Options
from tracker.perceiving import along_travel, lost, perceive, usable
from tracker.response import Response
from tracker.step import NO_SPEED, decide, deliver
from tracks import Track
from tracks.errors import InputError
from tracks.geometry import project

__all__ = ["WHEELBASES_LOST", "Tracker", "response_of", "speed_wanted"]

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
    So do a demanded stop (`demand_stop`) and a localisation that is silent or not believed for `blind_for`, while the
    vehicle keeps to the path.

    While a driver steers, call `stand_by` each period instead of `command`: engaging then makes no jump.

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
        jump_beyond: distance from the pose reckoned by speed and yaw rate beyond which a measured pose is not believed,
            m; None for half a wheelbase. A heading that is 0.3 rad off is not believed either.
        blind_for: the vehicle is stopped once the last believed pose was true longer ago than this, s.

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
        jump_beyond: float | None = None,
        blind_for: float = BLIND_FOR,
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
        if jump_beyond is not None and not jump_beyond > 0.0:
            raise InputError(
                f"jump_beyond is {jump_beyond} m", "above 0 m", "leave it out for half a wheelbase"
            )
        if not blind_for > 0.0:
            raise InputError(f"blind_for is {blind_for} s", "above 0 s", f"leave it out for {BLIND_FOR:g} s")
        self.law, self.track = law, track
        self.response = response_of(vehicle, law)
        self.envelope = envelope or law.envelope or Envelope()
        seen = self.response.backwards if track.reverse else self.response
        self._response = seen.values
        self._envelope = self.envelope.values(self.response)
        self._options = Options(
            period=float(period),
            speed_factor=float(speed_factor),
            compensate_dead_time=float(compensate_dead_time),
            lost_beyond=float(lost_beyond or WHEELBASES_LOST * self.response.wheelbase),
            jump_beyond=float(jump_beyond or WHEELBASES_JUMPED * self.response.wheelbase),
            blind_for=float(blind_for),
        )
        self._track = track.arrays
        self._memory = new_memory(start or 0.0)
        self._located = start is not None
        self._engaged = True
        self._runner: Runner | None = None
        self._gains = np.zeros((0, 0))
        if law.kernel == IN_PYTHON:
            self._runner = law.start(seen, self._envelope, track, period, speed_factor)
        else:
            self._gains = law.gain_table(seen, self._envelope, float(period))
        self._before: Before | None = None

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
        if not self._located:
            self._locate(measurement)
        if not self._engaged:
            self._engaged = True
            restart(self._runner, self._memory.numbers[CURVATURE])
        state = self._numbers(measurement)
        self._before = Before(state, self._memory.numbers.copy(), self._memory.law.copy())
        if self._runner is None:
            return Command(
                *decide(
                    self.law.kernel, self._gains, self._response, self._envelope, self._track, self._options,
                    self._memory, *state,
                )
            )  # fmt: skip
        reason = usable(self._memory, *state)
        wanted, speed, s = 0.0, state[4], self.arc_length
        law_speed, law_acceleration = NO_SPEED, 0.0
        if reason:
            speed = float(self._memory.numbers[MEASURED])
        else:
            view = perceive(self._response, self._track, self._options, self._memory, *state)
            reason, s = lost(self._options, view), view.s
            if not reason:
                wanted = self._runner.curvature(view)
                law_speed, law_acceleration = speed_wanted(self._runner)
                self._before = self._before._replace(answer=(wanted, law_speed, law_acceleration))
        return Command(
            *deliver(
                self._response, self._envelope, self._track, self._options, self._memory,
                reason, wanted, law_speed, law_acceleration, state[0], speed, s,
            )
        )  # fmt: skip

    def stand_by(self, measurement: Measurement) -> Command:
        """Give the command that matches what the vehicle does now, while a driver steers; never raises.

        Curvature driven now (within the envelope's), speed measured (a vehicle that rolls back: 0), acceleration 0. The
        next `command` goes on from there: the curvature at most at the envelope's rate, the speed at most at its
        acceleration or deceleration until it has met the plan. Earlier reasons to stop are forgotten, and any pose is
        believed. An unusable measurement gives the last command again.
        """
        if not self._located:
            self._locate(measurement)
        self._engaged = False
        self._before = None
        state = self._numbers(measurement)
        command = Command(
            *stand_by(self._response, self._envelope, self._track, self._options, self._memory, *state)
        )
        # A driver may leave the path and come back to it elsewhere.
        _, offset = project(self._track.path, state[1], state[2], self.arc_length)
        if abs(offset) > self._options.lost_beyond:
            self._located = False
        return command

    def explain(self) -> Explanation:
        """Tell of what the last command was made: pose, errors, each term of the law, limits, corrections, speed.

        Raises:
            InputError: no command since the start, or since a driver steered.
        """
        if self._before is None:
            raise InputError("there is no command to explain", "a command first", "call command(measurement)")
        return explain(
            self._before, self._memory, self.law, self._gains, self._runner, self._response, self._envelope,
            self._track, self._options,
        )  # fmt: skip

    def demand_stop(self, category: int) -> None:
        """Demand a stop, of a category of ISO 13850 and IEC 60204-1; takes effect at the next `command`.

        The vehicle keeps to the path while the speed asked for falls from that driven at the envelope's deceleration.
        The more severe of two demands holds.

        Args:
            category: 0: the vehicle's hardware removes power, so that commands have no effect; they are those of
                category 1. 1: a controlled stop, for good (until a driver has taken over, see `stand_by`).
                2: a controlled stop with power kept, until `release_stop`.

        Raises:
            InputError: no such category.
        """
        if category not in (0, 1, 2):
            raise InputError(
                f"stop category is {category!r}",
                "0, 1 or 2",
                "see ISO 13850 and IEC 60204-1 for their meaning",
            )
        numbers = self._memory.numbers
        numbers[DEMAND] = min(numbers[DEMAND] or np.inf, category + 1.0)

    def release_stop(self) -> None:
        """End a demand of category 2: the speed goes back to the plan within the envelope. No demand: nothing to do.

        Raises:
            InputError: the demand is of category 0 or 1, which is final.
        """
        demand = self._memory.numbers[DEMAND]
        if demand in (1.0, 2.0):
            raise InputError(
                f"a stop of category {demand - 1.0:.0f} was demanded, which is final",
                "a stop of category 2 to release",
                "let a driver take over (stand_by) and engage anew",
            )
        self._memory.numbers[DEMAND] = 0.0

    def _locate(self, m: Measurement) -> None:
        """Find the vehicle on the whole path, at the first usable measurement and after a drive elsewhere."""
        if np.all(np.isfinite((m.x, m.y, m.heading))):
            heading, _, _ = along_travel(self._track, m.heading, m.speed, m.steering_angle)
            s, _ = self.track.path.locate(m.x, m.y, heading=heading)
            self._memory.numbers[NEAR] = s
            self._located = True

    def _numbers(self, m: Measurement) -> tuple[float, ...]:
        """Give a measurement as the floats that compiled code takes, along the direction of travel."""
        heading, speed, angle = float(m.heading), float(m.speed), float(m.steering_angle)
        if self.track.reverse:
            heading, speed, angle = along_travel(self._track, heading, speed, angle)
        return (
            float(m.time),
            float(m.x),
            float(m.y),
            heading,
            speed,
            float(m.yaw_rate),
            angle,
            float(m.pose_age),
        )


def speed_wanted(runner: Runner) -> tuple[float, float]:
    """Give the speed (m/s) and acceleration (m/s²) that a runner wants to ask for; infinite and 0 for the plan's."""
    wanted = getattr(runner, "speed", None)
    return (NO_SPEED, 0.0) if wanted is None else (float(wanted[0]), float(wanted[1]))
