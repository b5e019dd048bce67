"""The section on a comparison: laws beside each other, limit by limit and track by track."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tuning.measures import MEASURES
from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import driven_data, driven_picture, usage_data, usage_picture
from tuning.search.scoring import HOPELESS
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.search import Comparison

__all__ = ["comparison_pictures", "comparison_section", "track_scenario", "worst_usages"]

_SHOWN = {
    "lateral_error_max": "Largest error",
    "lateral_error_rms": "RMS error",
    "overshoot": "Overshoot",
    "lateral_acceleration_r79": "Lateral acceleration",
    "lateral_jerk_r79": "Lateral jerk",
}


def worst_usages(comparison: Comparison) -> dict[str, dict[str, float]]:
    """Give law -> limit -> largest usage over all tracks and scenarios."""
    worst: dict[str, dict[str, float]] = {law: {} for law in comparison.laws}
    for row in comparison.usage.to_dict("records"):
        of_law, limit = worst[str(row["law"])], str(row["limit"])
        of_law[limit] = max(of_law.get(limit, 0.0), float(row["usage"]))
    return worst


def track_scenario(comparison: Comparison, track: str) -> str:
    """Give the scenario that the picture of a track shows: the first, which is the nominal one by default."""
    return next(iter(next(iter(comparison.runs.values()))[track]))


def comparison_pictures(comparison: Comparison) -> dict[str, bytes]:
    """Draw the usages and one picture a track; name -> PNG, the usages first."""
    bounds = comparison.limits.active
    pictures = {"usage": png(usage_picture(usage_data(worst_usages(comparison))))}
    for track in next(iter(comparison.runs.values())):
        scenario = track_scenario(comparison, track)
        runs = {law: by_track[track][scenario] for law, by_track in comparison.runs.items()}
        first = next(iter(runs.values()))
        data = driven_data(
            first.track, runs, bounds.get("lateral_error_max"), bounds.get("lateral_acceleration_r79")
        )
        pictures[track] = png(driven_picture(data))
    return pictures


def comparison_section(comparison: Comparison, pictures: dict[str, bytes]) -> Section:
    """Give the section on a comparison.

    Args:
        comparison: of at least one law on one track.
        pictures: what `comparison_pictures` drew.
    """
    paragraphs = (
        f"Each law drove each track in {len(_scenarios(comparison))} scenarios: {', '.join(_scenarios(comparison))}. "
        "Usage is measure / limit: 100 % is the limit itself. The binding limit is the one with the largest usage.",
    )
    parts: list[Table | Picture] = [_tracks_table(comparison), _usage_table(comparison)]
    for name, data in pictures.items():
        parts.append(_usage_part(data) if name == "usage" else _track_part(comparison, name, data))
    return Section("Comparison", paragraphs, tuple(parts))


def _scenarios(comparison: Comparison) -> list[str]:
    first = next(iter(comparison.runs.values()))
    return list(dict.fromkeys(scenario for by_scenario in first.values() for scenario in by_scenario))


def _percent(usage: float) -> str:
    return "not finished" if usage >= HOPELESS else f"{100.0 * usage:.0f} %"


def _tracks_table(comparison: Comparison) -> Table:
    heads = ["Track", "Law", "Usage", "Of the limit on", "In the scenario"]
    heads += [f"{label}, {MEASURES[name].unit}" for name, label in _SHOWN.items()]
    rows = []
    last = ""
    tracks = list(next(iter(comparison.runs.values())))
    found = sorted(comparison.worst.to_dict("records"), key=lambda row: tracks.index(str(row["track"])))
    for row in found:
        binding = spoken(str(row["binding_limit"])) or "none applies"
        usage = Cell(_percent(row["usage"]), "kept" if row["usage"] <= 1.0 else "binding broken")
        values = [_value(row[name]) for name in _SHOWN]
        track = str(row["track"])
        mark = "quiet" if track == last else ""
        rows.append((Cell(track, mark), str(row["law"]), usage, binding, str(row["scenario"]), *values))
        last = track
    return Table(
        "Worst of all scenarios, each law on each track",
        tuple(heads),
        tuple(rows),
        numbers=(2, *range(5, len(heads))),
    )


def _value(value: float) -> str:
    return "–" if math.isnan(value) or math.isinf(value) else number(value)


def _usage_table(comparison: Comparison) -> Table:
    usages = usage_data(worst_usages(comparison))
    bindings = [usages.binding(j) for j in range(len(usages.laws))]
    rows = []
    for i, limit in enumerate(usages.limits):
        bound = comparison.limits.active.get(limit)
        known = MEASURES.get(limit)
        entries = [_usage_cell(float(value), bindings[j] == i) for j, value in enumerate(usages.usage[i])]
        shown = f"{number(bound)} {known.unit}" if bound is not None and known is not None else ""
        rows.append((Cell(spoken(limit)), Cell(known.meaning if known else "", "quiet"), shown, *entries))
    heads = ("Limit", "Meaning", "Bound", *usages.laws)
    caption = "Usage of each limit, the worst of all tracks and scenarios (underlined: the binding limit)"
    return Table(caption, heads, tuple(rows), numbers=tuple(range(2, len(heads))))


def _usage_cell(usage: float, binding: bool) -> Cell:
    if math.isnan(usage):
        return Cell("–", "quiet")
    marks = [*(["binding"] if binding else []), *(["broken"] if usage > 1.0 else [])]
    return Cell(_percent(usage), " ".join(marks))


def _usage_part(data: bytes) -> Picture:
    return Picture(
        data,
        "How much of each limit every law uses, the worst of all tracks and scenarios. To the right of the line the "
        "limit is broken.",
        "Bars of the usage of each limit by law; the figures stand in the table above.",
    )


def _track_part(comparison: Comparison, track: str, data: bytes) -> Picture:
    scenario = track_scenario(comparison, track)
    errors = ", ".join(
        f"{law} {number(by_track[track][scenario].measures['lateral_error_max'])} m"
        for law, by_track in comparison.runs.items()
    )
    return Picture(
        data,
        f"{track}, scenario {scenario}: path (dotted), corridor (grey), and where each law drove; lateral error, speed "
        "and lateral acceleration over arc length. Dashed: limits.",
        f"Driven lines on {track}; largest lateral errors: {errors}.",
    )
