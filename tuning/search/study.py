"""A study: every candidate of a tuning, the winner and why it won."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

from tracker import Gain, Law
from tracks.errors import InputError
from tuning.measures import MEASURES, Limits
from tuning.search.evaluation import Problem, Result, worst_measures
from tuning.search.scoring import HOPELESS, UNFINISHED, not_judged, run_usage
from tuning.search.space import Point
from tuning.simulation import Scenario
from tuning.text import spoken

if TYPE_CHECKING:
    # pandas is imported where it is used: workers, which import this package, need none of it.
    import pandas as pd

__all__ = ["Study", "study_of", "usage_rows"]

_ABOUT = ("stage", "score", "rank", "binding_limit", "track", "scenario", "outcome", "ending", "failure")


@dataclass(frozen=True)
class Study:
    """All candidates of a tuning.

    Attributes:
        best: the law with the best gains, told the vehicle's response.
        candidates: one row a candidate in the order they were run: `stage` ("sweep" or "refine"), its gains,
            `score`, the `rank` that the search made small, the `binding_limit` with its `track` and `scenario`, the `outcome` of that run, its `ending` in words, `failure`
            (why it could not be run), and the worst of every measure over the runs.
        usage: of the best law: one row a limit, track and scenario with the `measure`, its `bound` and the `usage`.
        best_index: row of the best law in `candidates`.
        gains: that were tuned, with their ranges.
        limits: that were to be kept.
        scenarios: that each track was driven in.
        tracks: names.
        seed: of the sweep.
        vehicle: name, from its provenance.
    """

    best: Law
    candidates: pd.DataFrame
    usage: pd.DataFrame
    best_index: int
    gains: dict[str, Gain]
    limits: Limits
    scenarios: tuple[Scenario, ...]
    tracks: tuple[str, ...]
    seed: int
    vehicle: str

    @property
    def best_row(self) -> pd.Series:
        """The row of the best law in `candidates`."""
        return self.candidates.iloc[self.best_index]

    @property
    def _best(self) -> dict[str, Any]:
        return dict(zip(self.candidates.columns, self.best_row.tolist(), strict=True))

    @property
    def best_score(self) -> float:
        """The largest usage of the best law; 1 or less keeps every limit."""
        return float(self._best["score"])

    @property
    def binding_limit(self) -> str:
        """The limit that the best law uses most."""
        return str(self._best["binding_limit"])

    @property
    def keeps_limits(self) -> bool:
        """Whether the best law keeps every limit in every run."""
        return self.best_score <= 1.0

    def provenance(self) -> dict[str, Any]:
        """Give in plain values what a parameter file says about the study."""
        return {
            "candidates": len(self.candidates),
            "seed": self.seed,
            "score": self.best_score if math.isfinite(self.best_score) else None,
            "binding_limit": self.binding_limit,
            "tracks": list(self.tracks),
            "scenarios": [scenario.name for scenario in self.scenarios],
            "limits": dict(self.limits.active),
        }

    def summary(self) -> str:
        """Say in a few lines what was found and what binds."""
        row = self._best
        gains = ", ".join(
            f"{spoken(name)} {row[name]:.4g} {gain.unit}".rstrip() for name, gain in self.gains.items()
        )
        kept = int((self.candidates["score"].to_numpy() <= 1.0).sum())
        lines = [
            f"{self.best.name}: {gains}",
            f"{_count(len(self.candidates), 'candidate')} on {_count(len(self.tracks), 'track')} in "
            f"{_count(len(self.scenarios), 'scenario')}, of which {kept} keep every limit",
        ]
        where = f'on "{row["track"]}", scenario "{row["scenario"]}"'
        if row["binding_limit"] == UNFINISHED:
            lines.append(f"no candidate completed every run; the best failed {where}: {row['ending']}")
        elif row["binding_limit"]:
            name = str(row["binding_limit"])
            verdict = "every limit is kept" if self.keeps_limits else "not every limit is kept"
            lines.append(
                f"{verdict}; {spoken(name)} binds at {100.0 * self.best_score:.0f} % of its limit of "
                f"{self.limits.active[name]:g} {MEASURES[name].unit}, {where}"
            )
        else:
            lines.append("no limit applies to these tracks")
        applied = self.usage["limit"] if len(self.usage) else ()
        if self.best_score < HOPELESS and (caution := not_judged(self.limits, applied)):
            lines.append(caution)
        return "\n".join(lines)

    def save(self, directory: str | FilePath) -> None:
        """Write the study into a folder, made where it is missing; raises `FileError`."""
        from tuning.search.study_files import write_study

        write_study(self, directory)

    @classmethod
    def load(cls, directory: str | FilePath, laws: Mapping[str, type[Law]] | None = None) -> Study:
        """Read a study that `save` wrote; `laws` names laws of your own. Raises `FileError`."""
        from tuning.search.study_files import read_study

        return read_study(directory, laws)


def _count(number: int, thing: str) -> str:
    """Say how many of a thing there are."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def study_of(problem: Problem, points: list[Point], results: list[Result], sweep: int, seed: int) -> Study:
    """Put the results of a search together; candidates from `sweep` on are refinements."""
    import pandas as pd

    taken = [name for name in problem.space.gains if name in MEASURES or name in _ABOUT]
    if taken:
        raise InputError(f"a gain is called {taken[0]}", "a name that no measure has", "rename the gain")
    best = min(range(len(results)), key=lambda i: results[i].rank)
    if math.isinf(results[best].score):
        raise InputError(
            f"not one of {len(results)} candidates of {problem.law.__name__} could be run ({_reason(problem, results[0])})",
            "a law that runs", "correct the law or its search space",
        )  # fmt: skip
    rows = [
        _row(problem, point, result, "sweep" if i < sweep else "refine")
        for i, (point, result) in enumerate(zip(points, results, strict=True))
    ]
    return Study(
        best=problem.candidate(points[best]),
        candidates=pd.DataFrame(rows),
        usage=pd.DataFrame(usage_of(problem, results[best])),
        best_index=best,
        gains=dict(problem.space.gains),
        limits=problem.limits,
        scenarios=problem.scenarios,
        tracks=tuple(track.name for track in problem.tracks),
        seed=seed,
        vehicle=problem.vehicle.provenance.name,
    )


def _reason(problem: Problem, result: Result) -> str:
    """Say why a candidate has no finite score: it failed, or a usage of it has no finite value."""
    if result.failure:
        return result.failure
    track, scenario = problem.runs[result.run]
    return (
        f"{spoken(result.limit)} has no finite value on {problem.tracks[track].name!r}, scenario "
        f"{problem.scenarios[scenario].name!r}, which ended thus: {result.ending}"
    )


def _row(problem: Problem, point: Point, result: Result, stage: str) -> dict[str, Any]:
    track, scenario = problem.runs[result.run]
    ran = result.failure == ""
    return {
        "stage": stage,
        **problem.space.at(point),
        "score": result.score,
        "rank": result.rank,
        "binding_limit": result.limit,
        "track": problem.tracks[track].name if ran else "",
        "scenario": problem.scenarios[scenario].name if ran else "",
        "outcome": result.outcome,
        "ending": result.ending,
        "failure": result.failure,
        **worst_measures(result),
    }


def usage_of(problem: Problem, result: Result) -> list[dict[str, Any]]:
    """Give the usage of every limit in every run of a candidate, one row each."""
    rows = []
    for (track, scenario), values in zip(problem.runs, result.measures.tolist(), strict=True):
        measures = dict(zip(MEASURES, values, strict=True))
        place = (problem.tracks[track].name, problem.scenarios[scenario].name)
        rows += usage_rows(problem.limits, measures, *place)
    return rows


def usage_rows(
    limits: Limits, measures: Mapping[str, float], track: str, scenario: str
) -> list[dict[str, Any]]:
    """Give the usage of every limit in one run, one row each."""
    return [
        {
            "limit": name,
            "track": track,
            "scenario": scenario,
            "measure": measures["course_driven"] if name == UNFINISHED else measures[name],
            "bound": 100.0 if name == UNFINISHED else limits.active[name],
            "usage": value,
        }
        for name, value in run_usage(limits, measures).items()
    ]
