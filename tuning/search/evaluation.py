"""One candidate through all its runs: what a worker does. Imports here are paid by every worker."""

from __future__ import annotations

import math
import signal
import threading
import time
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import cloudpickle
import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from tracker import Law
from tracker.laws.base import IN_PYTHON
from tracks import Track
from tracks.validation import explain
from tuning.measures import MEASURES, Limits
from tuning.search.endings import ending
from tuning.search.scoring import rank, run_usage, worst
from tuning.search.space import Point, Space
from tuning.simulation import Outcome, Scenario, simulate
from tuning.vehicle import Vehicle

__all__ = ["Problem", "Result", "evaluate_chunk", "worst_measures"]


class Result(NamedTuple):
    """What came of one candidate.

    Attributes:
        score: largest usage; infinite where the candidate could not be run.
        rank: what the search makes small: the score, and a small share of the mean usage.
        limit: that binds.
        run: index of the run in which it does.
        outcome: of that run, by name. ending: the same in words, with the reason of a stop.
        failure: why the candidate could not be run; empty where it could.
        measures: of every run, shape (runs, measures) in the order of `MEASURES`; (0, measures) after a failure.
    """

    score: float
    rank: float
    limit: str
    run: int
    outcome: str
    ending: str
    failure: str
    measures: NDArray[np.float64]


@dataclass(frozen=True)
class Problem:
    """What every candidate of a study is asked: the law, the vehicle, and the runs it is judged by."""

    law: type[Law]
    space: Space
    fixed: dict[str, Any]
    vehicle: Vehicle
    tracks: tuple[Track, ...]
    scenarios: tuple[Scenario, ...]
    limits: Limits
    runs: tuple[tuple[int, int], ...] = field(init=False)

    def __post_init__(self) -> None:
        pairs = [(i, j) for i in range(len(self.tracks)) for j in range(len(self.scenarios))]
        object.__setattr__(self, "runs", tuple(pairs))

    def candidate(self, point: Point) -> Law:
        """Give the law at a point of the unit cube; raises what its validation raises."""
        gains = {"response": self.vehicle.response, **self.fixed, **self.space.at(point)}
        return self.law.model_validate(gains)

    def evaluate(self, point: Point) -> Result:
        """Run one candidate; whatever goes wrong inside is a failure with its reason, never an exception."""
        try:
            law = self.candidate(point)
            runs = [simulate(law, self.vehicle, self.tracks[i], self.scenarios[j]) for i, j in self.runs]
            measured = [run.measures for run in runs]
        except ValidationError as error:
            return _failed(" ".join(part for part in explain(error)[:2] if part))
        except Exception as error:  # a law may be the user's own: its faults must not end a study of others
            return _failed(f"{type(error).__name__}: {error}")
        usages = [run_usage(self.limits, measures) for measures in measured]
        binding = worst(usages)
        outcome = Outcome(runs[binding.run].outcome).name.lower()
        table = np.array([[measures[name] for name in MEASURES] for measures in measured])
        ranked = rank(binding.usage, usages)
        words = ending(runs[binding.run])
        return Result(binding.usage, ranked, binding.limit, binding.run, outcome, words, "", table)

    def seconds_a_candidate(self, point: Point) -> float:
        """Estimate the time that a candidate takes from one run, made twice as the first may compile; s."""
        seconds = 0.0
        for _ in range(2):
            start = time.perf_counter()
            try:
                simulate(self.candidate(point), self.vehicle, self.tracks[0], self.scenarios[0])
            except Exception:  # the sweep meets it again and records it
                return 0.0
            seconds = time.perf_counter() - start
            if self.law.kernel == IN_PYTHON:
                break
        return seconds * len(self.runs)


def _failed(reason: str) -> Result:
    return Result(math.inf, math.inf, "", 0, "failed", "failed", reason, np.empty((0, len(MEASURES))))


def worst_measures(result: Result) -> dict[str, float]:
    """Give the worst of each measure over the runs of a candidate; NaN where it applies to none."""
    if not result.measures.size:
        return dict.fromkeys(MEASURES, math.nan)
    known = np.where(np.isnan(result.measures), -np.inf, result.measures).max(axis=0)
    values = dict(zip(MEASURES, np.where(known == -np.inf, np.nan, known).tolist(), strict=True))
    place = list(MEASURES).index("course_driven")
    return {**values, "course_driven": float(result.measures[:, place].min())}


_unpacked: dict[str, Problem] = {}


def evaluate_chunk(digest: str, payload: bytes, points: list[Point]) -> tuple[list[Result], float]:
    """Evaluate candidates in a worker: give their results and the time taken, s.

    The problem comes along as bytes and is unpacked once a worker: unpacking tracks for every chunk costs more
    than sending them.
    """
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which stops its workers
    if digest not in _unpacked:
        _unpacked.clear()
        _unpacked[digest] = cloudpickle.loads(payload)
    problem = _unpacked[digest]
    start = time.perf_counter()
    results = [problem.evaluate(point) for point in points]
    return results, time.perf_counter() - start
