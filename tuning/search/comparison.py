"""A comparison: laws beside each other on the same drives, as tables and as text."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from io import StringIO
from typing import TYPE_CHECKING, Any

from tracker import Law
from tuning.measures import MEASURES, Limits
from tuning.search.scoring import UNFINISHED, run_usage, worst
from tuning.search.study import usage_rows
from tuning.simulation import Run
from tuning.text import spoken

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Comparison"]

# What the text shows of each law on each track: measure, heading, format. The table has all of them.
_SHOWN = (
    ("lateral_error_max", "error\nmax m", "{:.3f}"),
    ("lateral_error_rms", "error\nRMS m", "{:.3f}"),
    ("overshoot", "over-\nshoot %", "{:.1f}"),
    ("lateral_acceleration_r79", "accel.\nm/s²", "{:.2f}"),
    ("lateral_jerk_r79", "jerk\nm/s³", "{:.2f}"),
    ("steering_rate_rms", "steering\nrad/s", "{:.3f}"),
)
_WIDEST = 400  # columns: lines are as long as their content, never wrapped


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
        """One row a law, track and scenario: outcome, largest `usage`, `binding_limit` and every measure."""
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

    @property
    def keeps_limits(self) -> bool:
        """Whether every law keeps every limit in every run."""
        return bool((self.table["usage"].to_numpy() <= 1.0).all())

    def text(self) -> str:
        """Give one table to read in ten seconds: each law on each track, the worst of its scenarios."""
        from rich import box
        from rich.console import Console
        from rich.table import Table

        table = Table(
            box=box.SIMPLE_HEAD, padding=(0, 1), show_edge=False, pad_edge=False, collapse_padding=True
        )
        for heading in ("\ntrack", "\nlaw"):
            table.add_column(heading, no_wrap=True)
        table.add_column("largest\nusage", justify="right", no_wrap=True)
        for heading in ("\nof the limit on", "\nin the scenario"):
            table.add_column(heading, no_wrap=True)
        for _, heading, _ in _SHOWN:
            table.add_column(heading, justify="right", no_wrap=True)
        rows = self.worst.to_dict("records")
        tracks = list(dict.fromkeys(row["track"] for row in rows))
        for track in tracks:
            for i, row in enumerate(row for row in rows if row["track"] == track):
                table.add_row(track if i == 0 else "", *_cells(row))
            table.add_section()
        stream = StringIO()
        Console(file=stream, width=_WIDEST, color_system=None, legacy_windows=False).print(table)
        lines = [line.rstrip() for line in stream.getvalue().splitlines()]
        return "\n".join(lines).rstrip() + "\nThe worst of all scenarios; a limit is kept at 100 % or less.\n"

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
        }
        for name in MEASURES:
            known = [run.measures[name] for run in runs if not math.isnan(run.measures[name])]
            pick = min if name == "course_driven" else max
            found[name] = pick(known) if known else math.nan
        return found


def _cells(row: dict[str, Any]) -> list[str]:
    if row["binding_limit"] == UNFINISHED:
        fate = f"{row['outcome'].replace('_', ' ')} after {row['course_driven']:.0f} %"
        return [row["law"], "—", fate, row["scenario"], *("—" for _ in _SHOWN)]
    mark = "" if row["usage"] <= 1.0 else "!"
    limit = spoken(row["binding_limit"].removeprefix("lateral_")) or "none applies"
    numbers = ["—" if math.isnan(row[name]) else form.format(row[name]) for name, _, form in _SHOWN]
    return [row["law"], f"{mark} {100.0 * row['usage']:.0f} %", limit, row["scenario"], *numbers]
