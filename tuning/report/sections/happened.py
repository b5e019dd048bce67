"""What happened on the drives of a comparison: one table a track, an event of a scenario after the other."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from tuning.report.page import Cell, Table
from tuning.search.endings import by_event
from tuning.text import number

if TYPE_CHECKING:
    from tuning.search import Comparison

__all__ = ["event_words", "happened_tables"]

_Rows = Sequence[Mapping[str, Any]]

# Column of `Comparison.events` -> head.
_FIGURES = {
    "began_at": "Began at, m",
    "began_after": "after, s",
    "speed": "Speed, m/s",
    "stopping_distance": "Stopping distance, m",
    "stopping_time": "Stopping time, s",
    "excursion": "Out of corridor, m",
    "lateral_error": "Lateral error, m",
    "command_jump": "Jump of command, 1/m",
}
_LIMITS = {"stopping_distance": "stopping_distance", "excursion": "stopping_excursion"}  # figure -> its limit


def happened_tables(comparison: Comparison) -> list[Table]:
    """Give a table of events a track, laws beside each other; none where nothing happened.

    Columns in which nothing applies (a jump of the command where nobody handed back) are left out. Distance and excursion of a
    stop beyond their limits are marked as broken.
    """
    rows: _Rows = comparison.events.to_dict("records")
    tracks = dict.fromkeys(str(row["track"]) for row in rows)
    return [_table(comparison, track, [row for row in rows if row["track"] == track]) for track in tracks]


def _table(comparison: Comparison, track: str, rows: _Rows) -> Table:
    figures = [name for name in _FIGURES if any(math.isfinite(row[name]) for row in rows)]
    cells: list[tuple[Cell | str, ...]] = []
    said = ""
    for group in by_event(rows):
        for i, row in enumerate(group):
            if row["scenario"] != said:
                said = row["scenario"]
                cells.append((f"In the scenario {said}",))
            ending = Cell(row["ending"], "" if row["as_meant"] else "broken")
            values = [_figure(comparison, row, name) for name in figures]
            cells.append((Cell(row["event"], "quiet" if i else ""), row["law"], *values, ending))
    heads = ("Event", "Law", *(_FIGURES[name] for name in figures), "How it ended")
    numbers = tuple(range(2, 2 + len(figures)))
    return Table(f"What happened on {track}", heads, tuple(cells), numbers)


def _figure(comparison: Comparison, row: Mapping[str, Any], name: str) -> Cell:
    value = float(row[name])
    if not math.isfinite(value):
        return Cell("–", "quiet")
    limit = comparison.limits.active.get(_LIMITS.get(name, ""), math.inf)
    judged = math.isfinite(row["stopping_distance"])  # the limits are on stops, not on what a driver did
    return Cell(number(value), "broken" if judged and value > limit else "")


def event_words(comparison: Comparison) -> list[str]:
    """Say what the tables mean, and which events never began: a drive without its stop proves nothing of it."""
    rows: _Rows = comparison.events.to_dict("records")
    caution = [f"Take care: {comparison.not_judged}."] if comparison.not_judged else []
    if not rows:
        return caution
    words = [
        *caution,
        "What happened on the way has a table for each track. Out of corridor is the distance of the body's side beyond the "
        "corridor's edge, 0 inside; this and the lateral error are the largest while the event went on or the vehicle "
        "stopped because of it. The jump of the command is the largest change of curvature from one command to the next "
        "in the second after a hand-back.",
    ]
    missing = dict.fromkeys(
        f"{row['event']} ({row['scenario']}) on {row['track']} with {row['law']}"
        for row in rows
        if not row["happened"]
    )
    if missing:
        listed = "; ".join(missing)
        words.append(f"Take care: some events never began, and nothing is proved of them: {listed}.")
    return words
