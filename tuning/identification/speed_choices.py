"""Which effects the longitudinal side keeps.

Each is tried against the fit without it, the one that promises most first. The promise is that of a score test (Rao
1948, from memory): the residuals are projected on what the effect would change, beside what the unknowns in the fit can
take over. It costs one simulation; a fit is made only where it promises enough.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tuning.identification.quality import EVIDENCE, evidence
from tuning.identification.speed_effects import ROLLING, Effect
from tuning.identification.speed_fitted import SpeedFit, run_speed
from tuning.identification.speed_problem import GRADE, SpeedProblem
from tuning.identification.unknowns import Unknown

__all__ = ["TRIAL_STEPS", "keep_what_shows"]

Array = NDArray[np.float64]

TRIAL_STEPS = 6  # evaluations of J that a trial of one more effect gets
_DIFFERENCE = 1e-4  # of a coordinate of order 1
_LEAST_DROP = 0.01  # of the sum of squares of an output: a smaller one explains nothing that matters
_DOUBTFUL = 4.0  # standard errors from doing nothing within which a kept effect is tried without once more


def keep_what_shows(found: SpeedFit, effects: list[Effect], seed: int) -> SpeedFit:
    """Add the effects that the logs show to a fit, one after the other, and drop those it holds that they do not."""
    present = {u.name for u in found.problem.unknowns}
    kept = [effect for effect in effects if effect.names[0] in present]
    left = [effect for effect in effects if effect.names[0] not in present]
    grades = [_with_rolling(effect, effects, present) for effect in left if effect.names[0].startswith(GRADE)]
    # Grades come after the others: they would take what rolling resistance does to all logs alike. Once they are in, the
    # others are asked again.
    left = [effect for effect in left if not effect.names[0].startswith(GRADE)]
    for again, candidates in enumerate((left, grades, left)):
        batch = [effect for effect in candidates if effect.names[0] not in found.values]
        if again == 2 and not any(name.startswith(GRADE) for name in found.values):
            break
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
    rolling = [u for e in effects for u in e.unknowns if u.name == ROLLING and u.name not in present]
    return replace(grade, unknowns=(*grade.unknowns, *rolling))


def _explains(smaller: SpeedFit, larger: SpeedFit, count: int) -> bool:
    """Say whether the larger of two fits explains so much more that its `count` further unknowns are real."""
    gain, drop = evidence(*(one.problem.residuals(one.estimate.z) for one in (smaller, larger)))
    return gain > EVIDENCE * count and drop > _LEAST_DROP


def _stuck(trial: SpeedFit, effect: Effect) -> bool:
    names = [u.name for u in trial.problem.unknowns]
    return any(trial.estimate.at_bound[names.index(name)] for name in effect.names if name != ROLLING)


def _doubtful(found: SpeedFit, effect: Effect) -> bool:
    """Say whether a kept effect lies within some standard errors of doing nothing."""
    if len(effect.unknowns) != 1:
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
