"""Tune a law: a Sobol sweep over its gains, then local refinement of the best few.

The score of a candidate is its largest usage (measure / limit) over all limits, tracks and scenarios; a score of 1 or
less keeps every limit. The smallest score wins; the mean usage decides between candidates that are as good as equal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from tracker import Law
from tracks import Track
from tracks.errors import InputError
from tuning.measures import Limits
from tuning.search.crew import Crew
from tuning.search.evaluation import Problem, Result
from tuning.search.nelder_mead import nelder_mead
from tuning.search.progress import Ask, following
from tuning.search.scenarios import checked
from tuning.search.space import Point, Space
from tuning.search.study import Study, study_of
from tuning.simulation import Scenario
from tuning.vehicle import Vehicle

__all__ = ["tune"]

_APART = 0.15  # of the cube's side: refinement starts at least this far apart, else they find the same hollow


def tune(
    law: type[Law],
    vehicle: Vehicle,
    tracks: Track | Sequence[Track],
    limits: Limits | None = None,
    scenarios: Scenario | Sequence[Scenario] | None = None,
    *,
    candidates: int = 64,
    refine: int = 60,
    starts: int = 2,
    seed: int = 1,
    workers: int | None = None,
    progress: Ask = True,
    fixed: Mapping[str, Any] | None = None,
) -> Study:
    """Find the gains of a law that use the least of the limits in the worst of the runs.

    Args:
        law: a class of law; your own works as those of `tracker` do.
        vehicle: that will be driven; the law is told its response.
        tracks: each driven in each scenario.
        limits: on the measures; None for the defaults of `Limits`.
        scenarios: None for those of `default_scenarios`.
        candidates: of the sweep; a power of two.
        refine: candidates more, at most, shared by the refinements.
        starts: refinements, from the best candidates of the sweep.
        seed: of the sweep; the same seed gives the same study, whatever the number of workers.
        workers: processes; None takes every core where the work is worth it, 1 stays in this process.
        progress: True for a bar on standard error, or a function called with (done, total).
        fixed: gains, settings or an envelope that every candidate has.

    Returns:
        The study; a candidate that fails has an infinite score and its reason, and ends nothing.

    Raises:
        InputError: a setting is out of range, or not one candidate could be run.
    """
    problem = _problem(law, vehicle, tracks, limits, scenarios, dict(fixed or {}))
    if refine < 0 or starts < 1:
        raise InputError(f"refine is {refine}, starts {starts}", "0 or more and 1 or more", "raise them")
    points = list(problem.space.sobol(candidates, seed))
    with (
        following(progress, f"tuning {law.__name__}", candidates + refine) as done,
        Crew(problem, workers, candidates + refine, points[0]) as crew,
    ):
        results = crew.evaluate(points, done)
        found = _refine(crew, points, results, refine, starts, done)
    points += [point for point, _ in found]
    results += [result for _, result in found]
    return study_of(problem, points, results, candidates, seed)


def _problem(
    law: type[Law], vehicle: Vehicle, tracks: Track | Sequence[Track], limits: Limits | None,
    scenarios: Scenario | Sequence[Scenario] | None, fixed: dict[str, Any],
) -> Problem:  # fmt: skip
    if not (isinstance(law, type) and issubclass(law, Law)):
        raise InputError(
            f"law is {law!r}",
            "a class of law such as tracker.PurePursuit",
            "pass the class, not a law with its gains",
        )
    unknown = next((name for name in fixed if name not in law.model_fields), None)
    if unknown is not None:
        raise InputError(
            f"{unknown} is fixed, but {law.__name__} has no such gain", f"one of {', '.join(law.model_fields)}",
            "correct the name",
        )  # fmt: skip
    roads, drives = checked(tracks, scenarios, vehicle)
    space = Space.of(law, vehicle.response, fixed)
    return Problem(law, space, fixed, vehicle, roads, drives, limits or Limits())


def _refine(
    crew: Crew, points: list[Point], results: list[Result], budget: int, starts: int, done: Callable[[int], None]
) -> list[tuple[Point, Result]]:  # fmt: skip
    """Refine from the best candidates, one step of every refinement at a time; give what was tried, in order."""
    searches = [nelder_mead(points[i], results[i].rank) for i in _best_apart(points, results, starts)]
    tried: list[tuple[Point, Result]] = []
    asked = [(search, next(search)) for search in searches]
    while asked and len(tried) < budget:
        asked = asked[: budget - len(tried)]
        batch = crew.evaluate([point for _, point in asked], done)
        tried += [(point, result) for (_, point), result in zip(asked, batch, strict=True)]
        going = []
        for (search, _), result in zip(asked, batch, strict=True):
            try:
                going.append((search, search.send(result.rank)))
            except StopIteration:
                continue
        asked = going
    return tried


def _best_apart(points: list[Point], results: list[Result], count: int) -> list[int]:
    """Give the indices of the best candidates of finite score that are apart from each other."""
    order = np.argsort([result.rank for result in results], kind="stable")
    chosen: list[int] = []
    for i in order:
        if len(chosen) == count or not np.isfinite(results[i].rank):
            break
        if all(np.abs(points[i] - points[j]).max() >= _APART for j in chosen):
            chosen.append(int(i))
    return chosen
