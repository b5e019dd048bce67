"""What a set of drives can tell and what not, before any fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.identification.foreseen import Foreseen, foreseen_of
from tuning.identification.information import Problem, by_log, sensitivities
from tuning.identification.known import refusals_in_words, resolve
from tuning.identification.needed import Need
from tuning.identification.noise_levels import Noise, given_noise, measured_noise
from tuning.identification.nominal import nominal_speed, nominal_steering, nominal_vehicle
from tuning.identification.records import Recording, gather
from tuning.identification.speeds import check_moving, moving_threshold, with_speed
from tuning.identification.unknowns import Unknown
from tuning.logs.log import Log
from tuning.vehicle import Vehicle

__all__ = ["Information", "foresee", "foresee_problems", "information"]

Array = NDArray[np.float64]
Levels = Mapping[str, float | Sequence[float] | Noise]


@dataclass(frozen=True)
class Information:
    """What each log of a set tells about the unknowns.

    Attributes:
        parts: for each problem its unknowns and the information of each log, shape (logs, p, p).
        noise: by output.
        findings: in plain words.
    """

    parts: tuple[tuple[tuple[Unknown, ...], Array], ...]
    noise: dict[str, Noise]
    findings: tuple[str, ...]

    def foreseen(
        self, chosen: Sequence[int] | None = None, needed: Mapping[str, Need] | None = None
    ) -> Foreseen:
        """Give the forecast for some of the logs, by number, or for all."""
        take = slice(None) if chosen is None else list(chosen)
        parts = [(unknowns, np.sum(each[take], axis=0)) for unknowns, each in self.parts]
        return foreseen_of(parts, self.noise, self.findings, needed)


def foresee(
    logs: Log | Sequence[Log],
    known: Mapping[str, Any] | None = None,
    vehicle: Vehicle | None = None,
    noise: Levels | None = None,
    needed: Mapping[str, Need] | None = None,
) -> Foreseen:
    """Say which values a set of drives can tell, how well, and what to drive next, before anything is fitted.

    A nominal vehicle is simulated along the commands and speeds of the logs; how its outputs would change with each
    value, against the noise of the outputs, gives the least error that any fit can have (Cramér-Rao). Real residuals hold
    more than noise, so real intervals are wider: twice as wide is usual (Tischler & Remple, Aircraft and Rotorcraft System
    Identification, 2006: from memory).

    Args:
        logs: drives as `identify` takes them. What they measure may be anything: only which outputs there are counts,
            and their noise where `noise` does not give it.
        known: values that need not be found, as in `identify`, SI.
        vehicle: nominal; None for first guesses and usual values.
        noise: standard deviation by output (SI), or (deviation, correlation of neighbouring samples); what is not
            given is measured from the logs.
        needed: how well values must be known, in place of `tuning.identification.needed.NEEDED`.

    Raises:
        InputError: the logs lack a steering command or a speed, never move, or an argument is out of range.
    """
    return information(logs, known, vehicle, noise).foreseen(needed=needed)


@refusals_in_words()
def information(
    logs: Log | Sequence[Log],
    known: Mapping[str, Any] | None = None,
    vehicle: Vehicle | None = None,
    noise: Levels | None = None,
) -> Information:
    """Give what each log tells about the unknowns; arguments and errors as in `foresee`."""
    drives = [logs] if isinstance(logs, Log) else list(logs)
    if not drives:
        raise InputError("foresee was given no log", "one or more", "read a drive with read_log")
    values = resolve(known)
    findings: list[str] = []
    command, interface = _command(drives)
    drives = [with_speed(log, findings) for log in drives]
    check_moving(drives)
    recording = gather(drives, command, moving_threshold(drives), findings)
    nominal = nominal_vehicle(recording, interface, values, vehicle)
    problems: list[Problem] = [nominal_steering(recording, nominal, values)]
    speed = nominal_speed(recording, nominal, values)
    if speed is not None:
        problems.append(speed)
    else:
        findings.append("the logs hold no speed command, so they tell nothing about drive and brake")
    if not any(name != "speed" for name in recording.measured):
        findings.append("the logs measure no answer to the steering: record yaw_rate and steering_angle")
    return _gathered(problems, recording, len(drives), noise, findings)


def foresee_problems(
    problems: Sequence[Problem],
    recording: Recording,
    noise: Levels | None = None,
    findings: Sequence[str] = (),
) -> Foreseen:
    """Give the forecast for problems of one's own, which share no unknown; sensitivities are taken at their starts."""
    count = int(np.max(recording.log)) + 1
    return _gathered(problems, recording, count, noise, findings).foreseen()


def _gathered(
    problems: Sequence[Problem],
    recording: Recording,
    count: int,
    noise: Levels | None,
    findings: Sequence[str],
) -> Information:
    levels = measured_noise(recording) | given_noise(noise or {})
    parts = []
    for problem in problems:
        each = by_log(problem, sensitivities(problem), levels, recording.log)
        whole = np.zeros((count, *each.shape[1:]))
        whole[: each.shape[0]] = each
        parts.append((problem.unknowns, whole))
    used = {name: level for name, level in levels.items() if name in recording.measured}
    return Information(tuple(parts), used, tuple(findings))


def _command(logs: Sequence[Log]) -> tuple[str, str]:
    """Give the quantity that steers and the interface it means."""
    for command in ("curvature_command", "steering_command"):
        if all(log.has(command) for log in logs):
            break
    else:
        raise InputError(
            "the logs have no steering command in common",
            "curvature_command in every log, or steering_command in every log",
            "add the table to the channel file, or look at these logs apart",
        )
    if command == "curvature_command":
        return command, "curvature"
    return command, "angle" if logs[0].steering_unit == "rad" else "number"
