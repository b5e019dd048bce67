"""A comparison as text: the worst of each law on each track, and what happened on the way."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from io import StringIO
from typing import Any

from tuning.search.endings import by_event
from tuning.search.scoring import UNFINISHED
from tuning.text import spoken

__all__ = ["comparison_text"]

# What the text shows of each law on each track: measure, heading, format. The table has all of them.
_SHOWN = (
    ("lateral_error_max", "error\nmax m", "{:.3f}"),
    ("lateral_error_rms", "error\nRMS m", "{:.3f}"),
    ("overshoot", "over-\nshoot %", "{:.1f}"),
    ("lateral_acceleration_r79", "accel.\nm/s²", "{:.2f}"),
    ("lateral_jerk_r79", "jerk\nm/s³", "{:.2f}"),
    ("steering_rate_rms", "steering\nrad/s", "{:.3f}"),
)
# Shown where any run stopped on the way.
_STOPPING = (
    ("stopping_distance", "stopping\nm", "{:.1f}"),
    ("stopping_excursion", "out of\ncorridor m", "{:.2f}"),
)
_EVENT = (
    ("began_at", "began\nat m", "{:.1f}"),
    ("began_after", "\nafter s", "{:.1f}"),
    ("speed", "speed\nm/s", "{:.2f}"),
    ("stopping_distance", "stopping\nm", "{:.2f}"),
    ("stopping_time", "\ns", "{:.1f}"),
    ("excursion", "out of\ncorridor m", "{:.2f}"),
    ("lateral_error", "lateral\nerror m", "{:.3f}"),
    ("command_jump", "jump of\ncommand 1/m", "{:.4f}"),
)
_WIDEST = 400  # columns: lines are as long as their content, never wrapped

_Rows = Sequence[Mapping[str, Any]]
_Columns = Sequence[tuple[str, str, str]]


def comparison_text(worst: _Rows, events: _Rows) -> str:
    """Give tables to read in ten seconds.

    Args:
        worst: rows of `Comparison.worst`.
        events: rows of `Comparison.events`; without any there is no second table.
    """
    shown = (*_SHOWN, *applying(_STOPPING, worst))
    heads = ["\ntrack", "\nlaw", "largest\nusage", "\nof the limit on", "\nin the scenario"]
    groups = [[[row["track"], *_cells(row, shown)] for row in part] for part in _by_track(worst)]
    text = _table([*heads, *(heading for _, heading, _ in shown)], (0, 1, 3, 4), groups)
    text += "\nThe worst of all scenarios; a limit is kept at 100 % or less.\n"
    if events:
        numbers = applying(_EVENT, events)
        heads = ["\ntrack", "\nscenario", "\nwhat happened", "\nlaw", *(heading for _, heading, _ in numbers)]
        groups = []
        for part in _by_track(events):
            lines, said = [], ""
            for group in by_event(part):
                for i, row in enumerate(group):
                    scenario = "" if row["scenario"] == said else row["scenario"]
                    event = "" if i else row["event"]
                    said = row["scenario"]
                    figures = _numbers(row, numbers)
                    lines.append([row["track"], scenario, event, row["law"], *figures, row["ending"]])
            groups.append(lines)
        text += "\n" + _table([*heads, "\nhow it ended"], (0, 1, 2, 3, len(heads)), groups) + "\n"
    return text


def applying(columns: _Columns, rows: _Rows) -> _Columns:
    """Give the columns that have a number in any row."""
    return [column for column in columns if any(math.isfinite(row[column[0]]) for row in rows)]


def _by_track(rows: _Rows) -> list[list[Mapping[str, Any]]]:
    tracks = dict.fromkeys(row["track"] for row in rows)
    return [[row for row in rows if row["track"] == track] for track in tracks]


def _table(heads: Sequence[str], words: Sequence[int], groups: list[list[list[str]]]) -> str:
    """Set a table; columns of words stand flush left, and a group's first column is said once."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), show_edge=False, pad_edge=False, collapse_padding=True)
    for i, heading in enumerate(heads):
        table.add_column(heading, justify="left" if i in words else "right", no_wrap=True)
    for group in groups:
        for i, row in enumerate(group):
            table.add_row(row[0] if i == 0 else "", *row[1:])
        table.add_section()
    stream = StringIO()
    Console(file=stream, width=_WIDEST, color_system=None, legacy_windows=False, markup=False).print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()).rstrip()


def _cells(row: Mapping[str, Any], shown: _Columns) -> list[str]:
    if row["binding_limit"] == UNFINISHED:
        fate = f"{row['ending']} after {row['course_driven']:.0f} % of the course"
        return [row["law"], "—", fate, row["scenario"], *("—" for _ in shown)]
    mark = "" if row["usage"] <= 1.0 else "!"
    limit = spoken(row["binding_limit"].removeprefix("lateral_")) or "none applies"
    return [row["law"], f"{mark} {100.0 * row['usage']:.0f} %", limit, row["scenario"], *_numbers(row, shown)]


def _numbers(row: Mapping[str, Any], columns: _Columns) -> list[str]:
    return ["—" if math.isnan(row[name]) else form.format(row[name]) for name, _, form in columns]
