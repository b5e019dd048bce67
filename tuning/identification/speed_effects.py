"""Effects of the longitudinal side that are kept only where the logs show them: resistance, losses, gains, sensor, grade.

Each is tried against the fit without it, the one that promises most first. The promise is that of a score test (Rao
1948, from memory): the residuals are projected on what the effect would change, beside what the unknowns in the fit can
take over. It costs one simulation; a fit is made only where it promises enough.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Estimate, fit
from tuning.identification.quality import EVIDENCE, evidence
from tuning.identification.records import Recording
from tuning.identification.speed_problem import COMMAND_AGE, GRADE, SENSOR_LAG, SpeedProblem
from tuning.identification.unknowns import Unknown

__all__ = ["TRIAL_STEPS", "Effect", "SpeedFit", "always_tried", "effects_of", "keep_what_shows", "run_speed"]

Array = NDArray[np.float64]

_SPREAD = ("drive.dead_time", "drive.lag", "drive.brake_dead_time", "drive.brake_lag", "drive.speed_gain")
_ROLLING = "tyres.rolling_resistance"
_NOT_OF_THE_VEHICLE = ("sensors", "road")
TRIAL_STEPS = 6  # evaluations of J that a trial of one more effect gets
_DIFFERENCE = 1e-4  # of a coordinate of order 1
_LEAST_DROP = 0.01  # of the sum of squares of an output: a smaller one explains nothing that matters
_DOUBTFUL = 4.0  # standard errors from doing nothing within which a kept effect is tried without once more
_USUAL_GRADE = 0.02  # rad, standard deviation of a test road's mean grade; common practice, no source
_MOST_LOGS = 12  # whose grades are looked for


@dataclass(frozen=True)
class Effect:
    """Something that the vehicle may do, left out unless the logs show it.

    Attributes:
        words: what it is called.
        unknowns: what it adds to the fit; their starts are values at which it shows.
        absent: value at which it does nothing.
    """

    words: str
    unknowns: tuple[Unknown, ...]
    absent: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its unknowns."""
        return tuple(u.name for u in self.unknowns)


@dataclass(frozen=True)
class SpeedFit:
    """A fitted longitudinal side.

    Attributes:
        problem: what was fitted.
        estimate: the outcome.
        needed: names without which a fit leaves part of the loop open.
    """

    problem: SpeedProblem
    estimate: Estimate
    needed: tuple[str, ...] = ()

    @property
    def values(self) -> dict[str, float]:
        """The unknowns' values by name."""
        return self.problem.values(self.estimate.z)

    def vehicle_values(self, values: Mapping[str, float] | None = None) -> dict[str, Any]:
        """Give what belongs into a vehicle file, by dotted name: not what is of the sensors, the log or the road.

        Args:
            values: of the unknowns, by name; None for the found ones.
        """
        values = self.values if values is None else values
        found: dict[str, Any] = {
            name: value for name, value in values.items() if name.partition(".")[0] not in _NOT_OF_THE_VEHICLE
        }
        if COMMAND_AGE in values:
            # They stand at 0 where commands are stamped late.
            found["drive.dead_time"] = self.problem.vehicle.drive.dead_time
            if "drive.brake_lag" in values:
                found["drive.brake_dead_time"] = self.problem.vehicle.drive.brake_dead_time
        if self.problem.by_positions:
            found["drive.interface"] = "positions"
        return found


def run_speed(
    problem: SpeedProblem, starts: int, seed: int, noise: dict[str, float], steps: int | None = None
) -> SpeedFit:
    """Fit a problem from several starts of its dynamic unknowns."""
    spread = [i for i, u in enumerate(problem.unknowns) if u.name in _SPREAD]
    estimate = fit(
        problem.residuals, problem.stack, problem.unknowns, noise, spread, starts, seed, steps=steps
    )
    return SpeedFit(problem, estimate)


def effects_of(problem: SpeedProblem, known: Collection[str], pedals: Collection[str]) -> list[Effect]:
    """Give the effects that these logs could show, without those that are known.

    Args:
        problem: the fit without them.
        known: dotted names.
        pedals: which of "drive" and "brake" the logs ask anything of.
    """
    fastest = float(np.max(problem.recording.drives.speed))
    mass = problem.vehicle.body.mass
    found = always_tried(problem.recording)
    if "drive" not in pedals:
        found = [effect for effect in found if not any(name.startswith("drive.") for name in effect.names)]
    if mass is not None:
        area = min(0.005 * mass / fastest, 30.0)  # some 0.003 m/s² a m/s at the fastest
        found.append(Effect("air drag", (Unknown("body.drag_area", "m²", 0.0, 30.0, area),)))
    found += _of_positions(pedals) if problem.by_positions else _of_loop(pedals)
    if problem.accelerometer:
        found.append(Effect("lag of the speed sensor", (Unknown(SENSOR_LAG, "s", 0.0, 1.0, 0.05),)))
    logs = np.unique(problem.recording.log)
    # A grade common to all logs cannot be told from rolling resistance: their mean is level.
    if 2 <= logs.size <= _MOST_LOGS:
        grades = (
            Unknown(f"{GRADE}[{int(k)}]", "rad", -0.15, 0.15, 0.005, prior=(0.0, _USUAL_GRADE))
            for k in logs[:-1]
        )
        found.append(Effect("grade of each log", tuple(grades)))
    return [effect for effect in found if not any(name in known for name in effect.names)]


def always_tried(recording: Recording) -> list[Effect]:
    """Give the effects that a fit by positions starts with, and drops where they do not show.

    Without them a vehicle by positions is so unlike the measured one that a fit says nothing of the others: nothing
    holds its speed but its own losses.
    """
    fastest = float(np.max(recording.drives.speed))
    loss = Unknown("drive.no_load_speed", "m/s", max(1.02 * fastest, 0.5), 500.0, 10.0 * fastest, True)
    found = [
        Effect("rolling resistance", (Unknown("tyres.rolling_resistance", "", 0.0, 0.2, 0.01),)),
        Effect("viscous drag", (Unknown("body.viscous_drag", "1/s", 0.0, 5.0, 0.02),)),
        Effect("loss of drive with speed", (loss.at(10.0 * fastest),), np.inf),
    ]
    if recording.speed_command is None:
        found.append(
            Effect("dead zone of the throttle", (Unknown("drive.throttle_free", "", 0.0, 0.9, 0.05),))
        )
        found[2] = Effect(found[2].words, (loss.at(1.5 * fastest),), np.inf)
    return found


def _of_positions(pedals: Collection[str]) -> list[Effect]:
    found = []
    if "drive" in pedals:
        found += [
            Effect("bend of the throttle's map", (Unknown("drive.throttle_bend", "", -1.0, 1.0, 0.1),)),
            Effect("drag of the driving motor", (Unknown("drive.motor_drag", "1/s", 0.0, 10.0, 0.02),)),
        ]
    if "brake" in pedals:
        found.append(Effect("dead zone of the brake", (Unknown("drive.brake_free", "", 0.0, 0.9, 0.02),)))
    return found


def _of_loop(pedals: Collection[str]) -> list[Effect]:
    found = [Effect("integral part of the loop", (Unknown("drive.speed_integral", "1/s²", 0.0, 10.0, 0.1),))]
    if "drive" in pedals:
        found.append(
            Effect("gain of the drive", (Unknown("drive.drive_gain", "", 0.2, 5.0, 1.1, True),), 1.0)
        )
    if "brake" in pedals:
        found.append(
            Effect("gain of the brake", (Unknown("drive.brake_gain", "", 0.2, 5.0, 1.1, True),), 1.0)
        )
    return found


def keep_what_shows(found: SpeedFit, effects: list[Effect], seed: int) -> SpeedFit:
    """Add the effects that the logs show to a fit, one after the other, and drop those it holds that they do not."""
    present = {u.name for u in found.problem.unknowns}
    kept = [effect for effect in effects if effect.names[0] in present]
    left = [effect for effect in effects if effect.names[0] not in present]
    grades = [_with_rolling(effect, effects, present) for effect in left if effect.names[0].startswith(GRADE)]
    # Grades come after the others: they would take what rolling resistance does to all logs alike. Once they are in, the
    # others are asked again.
    left = [effect for effect in left if not effect.names[0].startswith(GRADE)]
    for batch in (list(left), grades, left if grades else []):
        batch[:] = [effect for effect in batch if effect.names[0] not in found.values]
        while batch:
            promises = _promises(found, batch)
            best = max(range(len(batch)), key=lambda i: promises[i][0])
            promise, starts = promises[best]
            effect = batch.pop(best)
            if promise <= EVIDENCE * len(effect.unknowns):
                break
            trial = _with(found, effect, starts, seed)
            if _explains(found, trial, len(effect.unknowns)) and not _stuck(trial, effect):
                found = trial
                kept.append(effect)
    for effect in list(kept):
        simpler = _without(found, effect, seed) if _doubtful(found, effect) else None
        if simpler is not None and not _explains(simpler, found, len(effect.unknowns)):
            found = simpler
            kept.remove(effect)
    return found


def _with_rolling(grade: Effect, effects: list[Effect], present: Collection[str]) -> Effect:
    """Give the grades with the rolling resistance, if that is not known, so that they need not stand in for it."""
    rolling = [u for e in effects for u in e.unknowns if u.name == _ROLLING and u.name not in present]
    return replace(grade, unknowns=(*grade.unknowns, *rolling))


def _explains(smaller: SpeedFit, larger: SpeedFit, count: int) -> bool:
    """Say whether the larger of two fits explains so much more that its `count` further unknowns are real."""
    gain, drop = evidence(*(one.problem.residuals(one.estimate.z) for one in (smaller, larger)))
    return gain > EVIDENCE * count and drop > _LEAST_DROP


def _stuck(trial: SpeedFit, effect: Effect) -> bool:
    names = [u.name for u in trial.problem.unknowns]
    return any(trial.estimate.at_bound[names.index(name)] for name in effect.names if name != _ROLLING)


def _doubtful(found: SpeedFit, effect: Effect) -> bool:
    """Say whether a kept effect lies within some standard errors of doing nothing."""
    if len(effect.unknowns) > 1:
        return False
    unknown = effect.unknowns[0]
    at = [u.name for u in found.problem.unknowns].index(unknown.name)
    value, error = float(found.estimate.z[at]), float(np.sqrt(found.estimate.covariance[at, at]))
    if np.isinf(effect.absent):
        # By its inverse, as it acts: 1/v is as many standard errors from 0 as 1 is of those of ln v.
        return error * _DOUBTFUL > 1.0
    absent = np.log(effect.absent) if unknown.logarithmic else effect.absent
    return abs(value - absent) < _DOUBTFUL * error


def _with(found: SpeedFit, effect: Effect, starts: Mapping[str, float], seed: int) -> SpeedFit:
    values, problem = found.values, found.problem
    known = tuple(u.at(values[u.name]) for u in problem.unknowns)
    present = {u.name for u in known}
    added = tuple(u.at(starts[u.name]) for u in effect.unknowns if u.name not in present)
    return run_speed(
        _graded(replace(problem, unknowns=(*known, *added))), 1, seed, found.estimate.noise, TRIAL_STEPS
    )


def _without(found: SpeedFit, effect: Effect, seed: int) -> SpeedFit:
    values = found.values
    left = tuple(u.at(values[u.name]) for u in found.problem.unknowns if u.name not in effect.names)
    return run_speed(replace(found.problem, unknowns=left), 1, seed, found.estimate.noise, TRIAL_STEPS)


def _graded(problem: SpeedProblem) -> SpeedProblem:
    return replace(problem, graded=problem.recording)


def _promises(found: SpeedFit, effects: list[Effect]) -> list[tuple[float, dict[str, float]]]:
    """Give, for each effect, the evidence that it promises, and where its unknowns would start."""
    problem = _graded(found.problem)
    base, noise = problem.residuals(found.estimate.z), found.estimate.noise
    values, sizes = found.values, [base[name].size for name in base]

    def weighted(residuals: Mapping[str, Array]) -> Array:
        return np.concatenate([residuals[name] / noise[name] for name in base])

    still = weighted(base)
    slopes = []
    for i in range(found.estimate.z.size):
        z = found.estimate.z.copy()
        z[i] += _DIFFERENCE
        slopes.append((weighted(problem.residuals(z)) - still) / _DIFFERENCE)
    promises = []
    for effect in effects:
        columns = list(slopes)
        for u in (u for u in effect.unknowns if u.name not in values):
            pairs = problem.compared({**values, u.name: u.start})
            columns.append(weighted({name: s - m for name, (m, s) in pairs.items()}) - still)
        added = [u for u in effect.unknowns if u.name not in values]
        share, after = _projected(still, np.stack(columns, axis=1), len(added))
        # An effect of one sign only, such as drag, is not there where the other sign would help.
        one_sided = (
            len(effect.unknowns) == 1 and not effect.unknowns[0].low < effect.absent < effect.unknowns[0].high
        )
        if one_sided and share[0] <= 0.0:
            promises.append((-np.inf, {}))
            continue
        parts = np.split(after, np.cumsum(sizes)[:-1])
        larger = {name: part * noise[name] for name, part in zip(base, parts, strict=True)}
        starts = {u.name: _at_share(u, effect.absent, s) for u, s in zip(added, share, strict=True)}
        promises.append((evidence(base, larger)[0], starts))
    return promises


def _projected(still: Array, columns: Array, added: int) -> tuple[Array, Array]:
    """Give the shares of the last `added` columns that reduce the residuals most, and the residuals then."""
    size = np.sqrt(np.sum(columns**2, axis=0))
    size[size == 0.0] = 1.0
    scaled = columns / size
    best = -np.linalg.pinv(scaled.T @ scaled, rcond=1e-9, hermitian=True) @ (scaled.T @ still)
    return (best / size)[-added:], still + scaled @ best


def _at_share(unknown: Unknown, absent: float, share: float) -> float:
    """Give the value at a share of the way from doing nothing to the unknown's start; of a speed by its inverse."""
    if np.isinf(absent):
        return unknown.start / max(share, 1e-9)
    return absent + share * (unknown.start - absent)
