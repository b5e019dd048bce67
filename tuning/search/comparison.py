"""A comparison: laws beside each other on the same drives, as tables and as text."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from tracker import Law
from tuning.measures import MEASURES, Limits
from tuning.search.endings import ending, event_row
from tuning.search.scoring import not_judged, run_usage, worst
from tuning.search.study import usage_rows
from tuning.simulation import Run

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Comparison"]


@dataclass(frozen=True)
class Comparison:
    """Laws on the same drives.

    Attributes:
        laws: by the name that tables call them.
        limits: on the measures.
        runs: by law, track and scenario: `runs["Stanley"]["campus loop"]["nominal"]`.
    """

    laws: dict[str, Law]
    limits: Limits
    runs: dict[str, dict[str, dict[str, Run]]]

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a law, track and scenario: outcome, its `ending` in words, largest `usage`, `binding_limit`, every measure."""
        import pandas as pd

        return pd.DataFrame([self._row(*drive) for drive in self._all()])

    @cached_property
    def usage(self) -> pd.DataFrame:
        """One row a law, limit, track and scenario with the measure, its bound and the usage."""
        import pandas as pd

        rows = []
        for law, track, scenario, run in self._all():
            rows += [{"law": law, **row} for row in usage_rows(self.limits, run.measures, track, scenario)]
        return pd.DataFrame(rows)

    @cached_property
    def worst(self) -> pd.DataFrame:
        """One row a law and track: the worst of every measure over the scenarios, and what binds in which."""
        import pandas as pd

        rows = []
        for law, by_track in self.runs.items():
            for track, by_scenario in by_track.items():
                rows.append({"law": law, "track": track, **self._worst_of(by_scenario)})
        return pd.DataFrame(rows)

    @cached_property
    def events(self) -> pd.DataFrame:
        """One row a law, track, scenario and event: where and when it began, how it ended, how far to a standstill."""
        import pandas as pd

        return pd.DataFrame(
            [
                event_row(*drive, number)
                for drive in self._all()
                for number in range(1, 1 + len(drive[3].happenings))
            ]
        )

    @property
    def not_judged(self) -> str:
        """Which limits on stops no run was judged by, in words; empty where none."""
        return not_judged(self.limits, self.usage["limit"] if len(self.usage) else ())

    @property
    def keeps_limits(self) -> bool:
        """Whether every law keeps every limit in every run."""
        return bool((self.table["usage"].to_numpy() <= 1.0).all())

    def text(self) -> str:
        """Give tables to read in ten seconds: each law on each track, the worst of its scenarios; and what happened."""
        from tuning.search.comparison_text import comparison_text

        text = comparison_text(_records(self.worst), _records(self.events))
        return text + (f"\nTake care: {self.not_judged}.\n" if self.not_judged else "")

    def _all(self) -> Iterator[tuple[str, str, str, Run]]:
        for law, by_track in self.runs.items():
            for track, by_scenario in by_track.items():
                for scenario, run in by_scenario.items():
                    yield law, track, scenario, run

    def _row(self, law: str, track: str, scenario: str, run: Run) -> dict[str, Any]:
        binding = worst([run_usage(self.limits, run.measures)])
        return {
            "law": law,
            "track": track,
            "scenario": scenario,
            "outcome": run.outcome.name.lower(),
            "ending": ending(run),
            "usage": binding.usage,
            "binding_limit": binding.limit,
            **run.measures,
        }

    def _worst_of(self, by_scenario: dict[str, Run]) -> dict[str, Any]:
        runs = list(by_scenario.values())
        binding = worst([run_usage(self.limits, run.measures) for run in runs])
        found: dict[str, Any] = {
            "usage": binding.usage,
            "binding_limit": binding.limit,
            "scenario": list(by_scenario)[binding.run],
            "outcome": runs[binding.run].outcome.name.lower(),
            "ending": ending(runs[binding.run]),
        }
        for name in MEASURES:
            known = [run.measures[name] for run in runs if not math.isnan(run.measures[name])]
            pick = min if name == "course_driven" else max
            found[name] = pick(known) if known else math.nan
        return found


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
