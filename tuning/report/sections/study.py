"""The section on a study: the gains found, how close they come to the limits, and what the search saw."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import tuning_data, tuning_picture
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.search import Comparison, Study

__all__ = ["best_gains", "breaking_nearby", "edge_gains", "study_picture", "study_section"]

_CLOSE = 0.05  # share of a gain's range, on its own scale
_EDGE = 0.01  # share of a gain's range, on its own scale, within which it stands at the edge


def best_gains(study: Study) -> dict[str, float]:
    """Give the tuned gains of the best law."""
    row: Any = study.best_row
    return {name: float(row[name]) for name in study.gains}


def edge_gains(study: Study) -> list[str]:
    """Name the best gains that stand at an edge of their range: the search may have wanted to go further."""
    found = []
    best = best_gains(study)
    for name, gain in study.gains.items():
        value = best[name]
        if gain.logarithmic:
            close = (gain.high / gain.low) ** _EDGE
            if value < gain.low * close or value > gain.high / close:
                found.append(name)
        elif min(value - gain.low, gain.high - value) < _EDGE * (gain.high - gain.low):
            found.append(name)
    return found


def breaking_nearby(study: Study) -> int:
    """Count candidates close to the best one, each gain within 5 % of its range, that break a limit it keeps."""
    if not study.keeps_limits:
        return 0
    close = np.ones(len(study.candidates), dtype=bool)
    for name, gain in study.gains.items():
        values = np.asarray(study.candidates[name], dtype=float)
        low, high, best = gain.low, gain.high, best_gains(study)[name]
        if gain.logarithmic:
            values, low, high, best = np.log(values), np.log(low), np.log(high), np.log(best)
        close &= np.abs(values - best) <= _CLOSE * (high - low)
    return int(np.count_nonzero(close & (np.asarray(study.candidates["score"], dtype=float) > 1.0)))


def study_picture(study: Study) -> bytes:
    """Draw every candidate of a study over each gain; PNG."""
    data = tuning_data(study.best.name, study.gains, study.candidates, best_gains(study), study.best_score)
    return png(tuning_picture(data))


def study_section(study: Study, picture: bytes, comparison: Comparison | None = None) -> Section:
    """Give the section on a study.

    Args:
        study: of one law.
        picture: what `study_picture` drew.
        comparison: on the same page, whose usages a reader may hold against this one's.
    """
    law = study.best.name
    paragraphs = [line[:1].upper() + line[1:] + "." for line in study.summary().splitlines()[1:]]
    if comparison is not None:
        runs = next(iter(next(iter(comparison.runs.values())).values()))
        if set(runs) != {scenario.name for scenario in study.scenarios}:
            paragraphs.append(
                f"The {100.0 * study.best_score:.0f} % here is not the comparison's figure: the tuning drove "
                f"{', '.join(scenario.name for scenario in study.scenarios)}; the comparison drove {', '.join(runs)}."
            )
    at_edge = edge_gains(study)
    if at_edge:
        names = " and ".join(spoken(name) for name in at_edge)
        paragraphs.append(f"At the edge of the range searched: {names}. There may be better gains beyond.")
    breaking = breaking_nearby(study)
    if breaking:
        paragraphs.append(
            f"Take care: {breaking} of the candidates close to the best one (each gain within 5 % of its range) "
            f"{'breaks' if breaking == 1 else 'break'} a limit. Prefer gains from the middle of the shaded region."
        )
    best = best_gains(study)
    rows = tuple(
        (
            spoken(name),
            Cell(number(best[name], 4)),
            gain.unit or "1",
            Cell(f"{number(gain.low)} to {number(gain.high)}", "quiet"),
            Cell(gain.meaning, "quiet"),
        )
        for name, gain in study.gains.items()
    )
    heads = ("Gain", "Best", "Unit", "Range searched", "Meaning")
    searched = (
        f"{law}: largest usage of a limit over all tracks and scenarios, of every candidate over each gain. "
        "In the shaded region every limit is kept; the star is the best candidate."
    )
    words = (
        f"Scatter of {len(study.candidates)} candidates of {law}; best {100.0 * study.best_score:.0f} %, "
        f"binding limit {spoken(study.binding_limit)}."
    )
    parts = (Table(f"Gains of {law}", heads, rows, numbers=(1,)), Picture(picture, searched, words))
    return Section(f"Tuning {law}", tuple(paragraphs), parts)
