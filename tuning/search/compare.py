"""Compare laws: the same drives for each, the same noise, every measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from tracker import Law
from tracker.laws.base import IN_PYTHON
from tracks import Track
from tracks.errors import InputError
from tuning.measures import Limits
from tuning.search.comparison import Comparison
from tuning.search.crew import checked_workers, executor
from tuning.search.scenarios import checked
from tuning.simulation import Run, Scenario, simulate
from tuning.vehicle import Vehicle

__all__ = ["compare"]


class _Job(NamedTuple):
    name: str
    law: Law
    track: Track
    scenario: Scenario


def compare(
    laws: Law | Sequence[Law] | Mapping[str, Law],
    vehicle: Vehicle,
    tracks: Track | Sequence[Track],
    scenarios: Scenario | Sequence[Scenario] | None = None,
    limits: Limits | None = None,
    workers: int | None = None,
) -> Comparison:
    """Drive each law on each track in each scenario.

    Args:
        laws: laws with their gains, or by the names that the table shall call them.
        vehicle: that drives, whatever vehicle a law was tuned for.
        tracks: each driven in each scenario.
        scenarios: None for those of `default_scenarios`.
        limits: None for the defaults of `Limits`.
        workers: processes for laws that run in Python; None takes every core.

    Raises:
        InputError: no law, track or scenario, or two of one name.
    """
    named = _named(laws)
    roads, drives = checked(tracks, scenarios, vehicle)
    jobs = [
        _Job(name, law, track, scenario)
        for name, law in named.items()
        for track in roads
        for scenario in drives
    ]
    return Comparison(named, limits or Limits(), _drive(jobs, vehicle, checked_workers(workers)))


def _named(laws: Law | Sequence[Law] | Mapping[str, Law]) -> dict[str, Law]:
    """Give the laws by name; the second of one kind is called "PurePursuit 2"."""
    if isinstance(laws, Mapping):
        named = dict(laws)
    else:
        named = {}
        for law in [laws] if isinstance(laws, Law) else laws:
            name = getattr(law, "name", "")
            same = sum(isinstance(other, Law) and other.name == name for other in named.values())
            named[name if not same else f"{name} {same + 1}"] = law
    if not named:
        raise InputError("no law is given", "one law or more", "add a law")
    for name, law in named.items():
        if not isinstance(law, Law):
            raise InputError(
                f"{name or 'a law'} is {law!r}",
                "a law with its gains",
                "pass a law such as tracker.PurePursuit()",
            )
    return named


def _drive(jobs: list[_Job], vehicle: Vehicle, workers: int) -> dict[str, dict[str, dict[str, Run]]]:
    """Drive all jobs: compiled laws here, meanwhile laws in Python by workers, if there are several runs of these."""
    slow = [i for i, job in enumerate(jobs) if job.law.kernel == IN_PYTHON]
    futures: dict[int, Any] = {}
    pool = executor(workers) if workers > 1 and len(slow) > 1 else None
    try:
        if pool is not None:
            futures = {i: pool.submit(_run, jobs[i], vehicle) for i in slow}
        found = {i: _run(job, vehicle) for i, job in enumerate(jobs) if i not in futures}
        for i, future in futures.items():
            found[i] = _at_home(future.result(), jobs[i])
    except BaseException:
        if pool is not None:
            pool.shutdown(wait=True, kill_workers=True)
        raise
    nested: dict[str, dict[str, dict[str, Run]]] = {}
    for i, job in enumerate(jobs):
        nested.setdefault(job.name, {}).setdefault(job.track.name, {})[job.scenario.name] = found[i]
    return nested


def _run(job: _Job, vehicle: Vehicle) -> Run:
    run = simulate(job.law, vehicle, job.track, job.scenario)
    _ = run.measures  # taken here, by the worker, and kept with the run
    return run


def _at_home(run: Run, job: _Job) -> Run:
    """Give a run that came from a worker with the law and track of this process, not copies of them."""
    home = replace(run, law=job.law, track=job.track, scenario=job.scenario)
    home.__dict__["measures"] = run.measures
    return home
