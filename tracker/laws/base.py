"""The contract of a law: gains in, path curvature out.

A law is a frozen, validated object that holds only gains and settings. It meets the world through a `View`:
where the vehicle will be against the path when the command takes effect. It gives the path curvature that it
wants; dead time, envelope, understeer and offset are the tracker's business and so the same for every law.

Closed-form laws name a `kernel` and run compiled; other laws give a `Runner` and run in Python.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, Protocol, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from tracker.envelope import Envelope, EnvelopeValues
from tracker.response import Response

if TYPE_CHECKING:
    from tracks import Track

__all__ = ["IN_PYTHON", "Gain", "Law", "Runner", "View"]

IN_PYTHON = 0


class View(NamedTuple):
    """The vehicle against the path at the moment a command takes effect.

    On a track in reverse everything is seen along the direction of travel: the heading is the vehicle's turned by π,
    speed is above 0 and curvature is that of the rear axle's path in this direction.

    Attributes:
        time: of the measurement, s.
        x, y: middle of the rear axle, m.
        heading: rad; in a curve, less the slip of the rear axle in a steady turn, where tyres are known: the
            direction in which the rear axle moves.
        speed: m/s.
        curvature: that the vehicle is driving, 1/m, + left.
        s: arc length of the nearest point of the path, m; grows past the length on further laps.
        lateral_error: m, + when the vehicle is left of the path.
        heading_error: `heading` − path heading, rad, in (−π, π].
        path_curvature: of the path at `s`, 1/m, + left.
        ahead_curvature: of the path where the vehicle will be once the lag of steering and body has passed.
        yaw_rate: rad/s, anticlockwise.
        rear_velocity: lateral velocity of the rear-axle middle in the vehicle's axes, m/s, + left, by an observer;
            0 where the tyres are not known.
        slip: what was taken off the vehicle's heading, rad: `heading_error` + `slip` is the body's heading error.
        steering_angle: of the road wheel, as measured now, rad, + left.
        steered: 1/m: the curvature of the steady turn that belongs to the road-wheel angle.
        asked: 1/m: what was asked for last, within the envelope.
        turning: 1/m: the curvature that the vehicle drives now, by its sensors.
        since: time since the last command, s; the period at the first.
    """

    time: float
    x: float
    y: float
    heading: float
    speed: float
    curvature: float
    s: float
    lateral_error: float
    heading_error: float
    path_curvature: float
    ahead_curvature: float
    yaw_rate: float
    rear_velocity: float
    slip: float
    steering_angle: float
    steered: float
    asked: float
    turning: float
    since: float


class Gain(NamedTuple):
    """A gain that may be tuned: its search range, scale, unit and meaning."""

    low: float
    high: float
    logarithmic: bool
    unit: str
    meaning: str


class Runner(Protocol):
    """One law on one track with its run-time state; made by `Law.start` for each drive.

    A runner that remembers its last answers may also have `restart(curvature: float) -> None`: after a driver has
    steered it is called once, before the next view, with the path curvature that the vehicle drives, 1/m, + left.
    It may have `speed`, after each call of `curvature` the speed (m/s) and acceleration (m/s²) that the law wants to ask
    for, read ahead by the delay of drive or brake as the plan is; the lower of its speed and the plan's is asked for.
    And it may have `terms() -> dict[str, float]`: of what the last answer was made.
    """

    counts: dict[str, int]
    """How often something worth knowing happened (a solver's fallback, say); may be left out."""

    def curvature(self, view: View) -> float:
        """Give the path curvature wanted, 1/m, + left; NaN asks for a controlled stop."""
        ...


class Law(BaseModel):
    """Base of every law. A parameter file also carries the `response` and `envelope` it was tuned with."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kernel: ClassVar[int] = IN_PYTHON

    response: Response | None = Field(default=None, description="the vehicle that the gains were chosen for")
    envelope: Envelope | None = Field(default=None, description="limits on the commands")

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give the gains that a tuner may set, with ranges that suit the vehicle."""
        raise NotImplementedError(f"{cls.__name__} does not say which gains may be tuned")

    def gain_table(self, response: Response, envelope: EnvelopeValues, period: float) -> NDArray[np.float64]:
        """Give the gains of a closed-form law as its formula takes them, two-dimensional and C-contiguous.

        Args:
            response: what the vehicle is known to do.
            envelope: the limits that the tracker will apply to what the law asks.
            period: time between two commands, s.
        """
        raise NotImplementedError(f"{type(self).__name__} has no closed form")

    def start(
        self, response: Response, envelope: EnvelopeValues, track: Track, period: float, speed_factor: float
    ) -> Runner:
        """Make the runner of a law that runs in Python.

        Args:
            response: what the vehicle is known to do.
            envelope: the limits that the tracker will apply to what the law asks.
            track: the track to follow.
            period: time between two commands, s.
            speed_factor: the drive's speed over the track's plan.
        """
        raise NotImplementedError(f"{type(self).__name__} runs compiled")

    def with_gains(self, gains: dict[str, float]) -> Self:
        """Give the same law with some gains replaced, validated again."""
        return type(self).model_validate({**dict(self), **gains})

    @property
    def name(self) -> str:
        """The law's name in parameter files and on the command line."""
        return type(self).__name__

    @property
    def gains(self) -> dict[str, Any]:
        """Every gain and setting by name, without the vehicle and the envelope."""
        return {key: value for key, value in dict(self).items() if key not in ("response", "envelope")}
