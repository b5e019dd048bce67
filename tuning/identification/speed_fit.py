"""The longitudinal side: dead times and lags of drive and brake, the loop or the maps of the positions, and resistance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.accelerometer import agrees_with_speed
from tuning.identification.quality import EVIDENCE, evidence
from tuning.identification.records import Recording
from tuning.identification.speed_choices import TRIAL_STEPS, keep_what_shows
from tuning.identification.speed_effects import Effect, effects_of
from tuning.identification.speed_fitted import SpeedFit, run_speed
from tuning.identification.speed_part import beginning
from tuning.identification.speed_problem import COMMAND_AGE, GRADE, SpeedProblem
from tuning.identification.speed_unknowns import NO_LIMIT, loop_unknowns, position_unknowns
from tuning.identification.speeds import say
from tuning.identification.unknowns import Unknown
from tuning.vehicle import Vehicle

__all__ = ["SpeedFit", "SpeedProblem", "fit_speed"]

Array = NDArray[np.float64]

_LEAST_DEMAND = 0.1  # m/s²; a loop that never asks for more has shown neither drive nor brake
_LEAST_SHARE = 0.01  # of the samples that must ask for drive (or brake) for its answer to be looked for
_LIMITS = {"drive.acceleration_limit": (1, 1.0), "drive.deceleration_limit": (2, -1.0)}
_PEDALS = {
    "drive": (1, 1.0, ("drive.dead_time", "drive.lag")),
    "brake": (2, -1.0, ("drive.brake_dead_time", "drive.brake_lag")),
}
_DEAD_TIMES = ("drive.dead_time", "drive.brake_dead_time")
_LAGS = ("drive.lag", "drive.brake_lag")
_NO_DEAD_TIME = 1e-4  # s
_FIRST_MINUTES = 120.0  # s of driving, by which starts are chosen
_FIRST_LIMITS = {"drive": ("drive.acceleration_limit", 1.5), "brake": ("drive.deceleration_limit", 2.5)}
_AT_LIMIT = 0.999  # of a limit, from which on it holds
_LONG = 0.02  # share of the samples for which a limit that is plainly there holds
_FIRST_STEPS = 10  # evaluations of J for that


def fit_speed(
    recording: Recording,
    vehicle: Vehicle,
    known: Mapping[str, Any],
    starts: int,
    seed: int,
    findings: list[str],
    near: Mapping[str, float] | None = None,
) -> SpeedFit | None:
    """Fit the speed loop, or drive and brake by positions, or give None, with a finding, where the logs show neither.

    Args:
        recording: the data.
        vehicle: holds every value that is not fitted.
        known: values by dotted name.
        starts, seed: of the fit.
        findings: gets what the reader of the result should know.
        near: values of an earlier fit to part of the data, whose choices are taken over.
    """
    if recording.speed_command is None and recording.throttle is None:
        say(findings, "the logs hold no speed command, nor a throttle: the [drive] table is assumed")
        return None
    by_positions = recording.speed_command is None
    unlimited = {name: NO_LIMIT for name in _LIMITS if name not in known and not by_positions}
    candidates = position_unknowns(recording) if by_positions else loop_unknowns()
    unknowns = tuple(u for u in candidates if u.name not in known)
    accelerometer = agrees_with_speed(recording, findings)
    problem = SpeedProblem(vehicle.replace(**unlimited), unknowns, recording, accelerometer)
    unknowns, pedals = _without_unasked(problem, findings)
    if "drive" not in pedals and by_positions:
        unknowns = tuple(u for u in unknowns if u.name not in ("drive.throttle_free", "drive.no_load_speed"))
    if not any(u.name in names for u in unknowns for _, _, names in _PEDALS.values()):
        return None
    problem = replace(problem, unknowns=unknowns)
    effects = effects_of(problem, known, pedals)
    if near is None:
        limits = _limit_unknowns(problem, known, pedals)
        found = _from_starts(replace(problem, unknowns=(*problem.unknowns, *limits)), starts, seed)
        found = _without_limits_unseen(found, seed)
        found = _with_age(found, seed)
        found = keep_what_shows(found, effects, seed)
        found = run_speed(_to_the_end(found.problem, found.values), 1, seed, found.estimate.noise)
    else:
        kept = [
            e
            for e in effects
            if any(n in near or (n.startswith(GRADE) and GRADE in str(near)) for n in e.names)
        ]
        problem = _as_before(problem, effects, kept, near)
        found = run_speed(_to_the_end(problem, near), 1, seed, _first_noise(problem))
    _say_effects(found, effects, known, findings)
    needed = tuple(
        name
        for pedal, (_, _, names) in _PEDALS.items()
        if pedal in pedals or not by_positions
        for name in names
    )
    return replace(found, needed=needed)


def _from_starts(problem: SpeedProblem, starts: int, seed: int) -> SpeedFit:
    """Fit from several starts; which of them leads on is settled by the first minutes, at a fraction of the cost."""
    whole = problem.recording
    part = beginning(whole, _FIRST_MINUTES)
    noise = _first_noise(problem)
    if starts > 1 and part.measured["speed"].at.size < 0.7 * whole.measured["speed"].at.size:
        first = run_speed(replace(problem, recording=part), starts, seed, noise, _FIRST_STEPS)
        values = first.values
        problem = replace(problem, unknowns=tuple(u.at(values[u.name]) for u in problem.unknowns))
        starts = 1
    return run_speed(problem, starts, seed, noise)


def _first_noise(problem: SpeedProblem) -> dict[str, float]:
    pairs = problem.compared({u.name: u.start for u in problem.unknowns})
    return {name: 0.2 * float(np.std(measured)) or 1.0 for name, (measured, _) in pairs.items()}


def _without_unasked(problem: SpeedProblem, findings: list[str]) -> tuple[tuple[Unknown, ...], list[str]]:
    """Leave out drive or brake where it is, as first guessed, hardly asked for anything; give the pedals in use."""
    answer = problem.simulate({u.name: u.start for u in problem.unknowns})
    kept, pedals = problem.unknowns, []
    for pedal, (row, sign, names) in _PEDALS.items():
        if float(np.mean(sign * answer[row] > _LEAST_DEMAND)) < _LEAST_SHARE:
            say(findings, f"the logs hardly ask anything of the {pedal}: its dead time and lag are assumed")
            limit = next(name for name, (at, _) in _LIMITS.items() if at == row)
            kept = tuple(u for u in kept if u.name not in (*names, limit))
        else:
            pedals.append(pedal)
    return kept, pedals


def _limit_unknowns(problem: SpeedProblem, known: Mapping[str, Any], pedals: list[str]) -> list[Unknown]:
    """Give the loop's limits as unknowns, of the pedals in use.

    They are in the fit from the start: one without them, or with one of two, ends in another valley.
    """
    if problem.by_positions:
        return []
    return [
        Unknown(name, "m/s²", 0.05, NO_LIMIT, start, True)
        for pedal, (name, start) in _FIRST_LIMITS.items()
        if pedal in pedals and name not in known
    ]


def _without_limits_unseen(found: SpeedFit, seed: int) -> SpeedFit:
    """Give the fit without the limits that the logs do not show; one that holds for long is shown."""
    for name, (row, sign) in _LIMITS.items():
        if name not in found.values:
            continue
        asked = sign * found.problem.simulate(found.values)[row]
        if np.mean(asked > _AT_LIMIT * found.values[name]) > _LONG:
            continue
        kept = tuple(u.at(found.values[u.name]) for u in found.problem.unknowns if u.name != name)
        simpler = run_speed(replace(found.problem, unknowns=kept), 1, seed, found.estimate.noise, TRIAL_STEPS)
        if not _explains(simpler, found):
            found = simpler
    return found


def _explains(smaller: SpeedFit, larger: SpeedFit) -> bool:
    gain, _ = evidence(*(one.problem.residuals(one.estimate.z) for one in (smaller, larger)))
    return gain > EVIDENCE


def _with_age(found: SpeedFit, seed: int) -> SpeedFit:
    """Let commands be stamped late where the vehicle seems to answer at once, and the logs show it.

    A logger that writes the newest command it has heard stamps it up to a period late. The dead time that would have to
    be below 0 then stands at 0, and the lag is too short. No more than their difference is ever seen.
    """
    at = [i for i, u in enumerate(found.problem.unknowns) if u.name in _DEAD_TIMES]
    if not at or not np.all(found.estimate.z[at] <= _NO_DEAD_TIME):
        return found
    values = found.values
    problem = _aged(found.problem)
    trial = run_speed(
        replace(problem, unknowns=tuple(u.at(values.get(u.name, u.start)) for u in problem.unknowns)),
        1, seed, found.estimate.noise,
    )  # fmt: skip
    return trial if _explains(found, trial) else found


def _aged(problem: SpeedProblem) -> SpeedProblem:
    """Give the problem with an age of its commands in place of dead times."""
    steps = np.diff(problem.recording.drives.time)
    period = float(np.median(steps[steps > 0.0]))
    age = Unknown(COMMAND_AGE, "s", 0.0, period, 0.5 * period)
    dead = {u.name for u in problem.unknowns if u.name in _DEAD_TIMES}
    unknowns = (*(u for u in problem.unknowns if u.name not in dead), age)
    return replace(problem, unknowns=unknowns, vehicle=problem.vehicle.replace(**dict.fromkeys(dead, 0.0)))


def _to_the_end(problem: SpeedProblem, values: Mapping[str, float]) -> SpeedProblem:
    """Give the problem started at these values, lags seen as they are: one near 0 has no interval by its logarithm."""
    unknowns = (u.at(values.get(u.name, u.start)) for u in problem.unknowns)
    return replace(
        problem,
        unknowns=tuple(replace(u, logarithmic=u.logarithmic and u.name not in _LAGS) for u in unknowns),
    )


def _as_before(
    problem: SpeedProblem, effects: list[Effect], kept: list[Effect], near: Mapping[str, float]
) -> SpeedProblem:
    """Give the problem with the limits and effects of an earlier fit, started at its values."""
    limits = [
        Unknown(name, "m/s²", 0.2 * near[name], min(2.0 * near[name], NO_LIMIT), near[name], True)
        for name in _LIMITS
        if name in near and name not in {u.name for u in problem.unknowns}
    ]
    # Grades belong to their logs, of which there are others now: they start from a level road.
    if COMMAND_AGE in near:
        problem = _aged(problem)
    optional = {name for effect in effects for name in effect.names}
    base = [u for u in problem.unknowns if u.name not in optional]
    added = [u for effect in kept for u in effect.unknowns]
    unknowns = tuple(
        u.at(0.0 if u.name.startswith(GRADE) else near.get(u.name, u.start)) for u in (*base, *limits, *added)
    )
    return replace(problem, unknowns=unknowns, graded=problem.recording)


def _say_effects(
    found: SpeedFit, effects: list[Effect], known: Mapping[str, Any], findings: list[str]
) -> None:
    if not found.problem.by_positions:
        answer = found.problem.simulate(found.values)
        for name, (row, sign) in _LIMITS.items():
            if name not in known and name not in found.values:
                most, what = float(np.max(sign * answer[row])), name.split(".")[1].removesuffix("_limit")
                say(
                    findings,
                    f"the {what} limit was not reached; the most asked for was {max(most, 0.0):.3g} m/s²",
                )
    if COMMAND_AGE in found.values:
        say(
            findings,
            f"the vehicle answers before its commands are logged: the log stamps them up to {found.values[COMMAND_AGE]:.2g} s "
            "late. Only the lag less that age is well known; log commands when they are sent",
        )
    shown = [effect.words for effect in effects if effect.names[0] in found.values]
    if shown:
        say(findings, f"the speed shows, by an information criterion: {', '.join(shown)}")
    if any(name.startswith(GRADE) for name in found.values):
        say(
            findings,
            "grades are those against the mean of all logs, the last one's what the others leave: a grade common to all "
            "looks like rolling resistance of the same size. Driving that was held out was predicted as on a level road",
        )
    left = [effect.words for effect in effects if effect.names[0] not in found.values]
    if left:
        say(findings, f"left out, since the speed does not show it: {', '.join(left)}")
