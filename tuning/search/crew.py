"""Where candidates are run: in this process while they are few and quick, else by worker processes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import as_completed
from types import TracebackType
from typing import Any, Self

import cloudpickle
import loky

from tracks.errors import InputError
from tuning.search.evaluation import Problem, Result, evaluate_chunk
from tuning.search.space import Point

__all__ = ["Crew", "checked_workers", "executor"]

_WORTH_STARTING = 3.0  # s of work: workers take about two to start
_CHUNK = 0.1  # s of work sent at a time: small against the whole, large against a millisecond of sending
_IDLE = 300  # s after which idle workers end; studies that follow one another share them


def checked_workers(workers: int | None) -> int:
    """Give the number of worker processes, every core where None is asked."""
    if workers is None:
        return loky.cpu_count()
    if workers < 1:
        raise InputError(f"workers is {workers}", "1 or more, or None for every core", "leave workers out")
    return int(workers)


def executor(workers: int) -> Any:
    """Give the shared pool. loky was chosen since it needs no `__main__` guard and sends a user's own classes."""
    return loky.get_reusable_executor(max_workers=workers, timeout=_IDLE)


class Crew:
    """Evaluates batches of candidates of one problem; results do not depend on the number of workers.

    Args:
        problem: what to evaluate.
        workers: processes; 1 stays in this process, None takes every core where that is worth starting them.
        expected: candidates that are to come, for that judgement.
    """

    def __init__(self, problem: Problem, workers: int | None, expected: int, sample: Point) -> None:
        self._problem = problem
        self._count = checked_workers(workers)
        # The sample also fills numba's cache on disk, so that workers load what they would else compile at once.
        self._seconds = problem.seconds_a_candidate(sample) if self._count > 1 else 0.0
        if workers is None and self._seconds * expected < _WORTH_STARTING:
            self._count = 1
        self._payload = cloudpickle.dumps(problem) if self._count > 1 else b""
        self._digest = hashlib.sha256(self._payload).hexdigest()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None and self._count > 1:
            executor(self._count).shutdown(wait=True, kill_workers=True)

    def evaluate(self, points: list[Point], done: Callable[[int], None]) -> list[Result]:
        """Evaluate candidates and give their results in order; `done(n)` is called as n more are finished."""
        if self._count == 1 or not points:
            results = []
            for point in points:
                results.append(self._problem.evaluate(point))
                done(1)
            return results
        pool = executor(self._count)
        size = self._chunk_size(len(points))
        futures = {
            pool.submit(evaluate_chunk, self._digest, self._payload, points[start : start + size]): start
            for start in range(0, len(points), size)
        }
        found: dict[int, list[Result]] = {}
        for future in as_completed(futures):
            results, seconds = future.result()
            self._seconds = seconds / len(results)
            found[futures[future]] = results
            done(len(results))
        return [result for start in sorted(found) for result in found[start]]

    def _chunk_size(self, points: int) -> int:
        evenly = -(-points // (2 * self._count))
        quick = int(_CHUNK / self._seconds) if self._seconds > 0.0 else 1
        return max(1, min(evenly, quick))
