"""The section on a comparison: laws beside each other, limit by limit and track by track."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tuning.measures import MEASURES
from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import driven_data, driven_picture, usage_data, usage_picture
from tuning.report.sections.happened import event_words, happened_tables
from tuning.search.endings import ending
from tuning.search.scoring import HOPELESS, UNFINISHED
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.search import Comparison

__all__ = ["comparison_pictures", "comparison_section", "shown_drives", "worst_usages"]

_SHOWN = {
    "lateral_error_max": "Largest error",
    "lateral_error_rms": "RMS error",
    "overshoot": "Overshoot",
    "lateral_acceleration_r79": "Lateral acceleration",
    "lateral_jerk_r79": "Lateral jerk",
}
_STOPPING = {"stopping_distance": "Stopping distance", "stopping_excursion": "Out of corridor"}


def worst_usages(comparison: Comparison) -> dict[str, dict[str, float]]:
    """Give law -> limit -> largest usage over all tracks and scenarios."""
    worst: dict[str, dict[str, float]] = {law: {} for law in comparison.laws}
    for row in comparison.usage.to_dict("records"):
        of_law, limit = worst[str(row["law"])], str(row["limit"])
        of_law[limit] = max(of_law.get(limit, 0.0), float(row["usage"]))
    return worst


def shown_drives(comparison: Comparison) -> dict[str, tuple[str, str]]:
    """Give the drives that have a picture: its name -> track and scenario.

    On each track the first scenario, which is the nominal one by default, and every one in which something happens.
    """
    drives: dict[str, tuple[str, str]] = {}
    for track, by_scenario in next(iter(comparison.runs.values())).items():
        for i, (scenario, run) in enumerate(by_scenario.items()):
            if i == 0 or run.scenario.events:
                drives[track if i == 0 else f"{track}, {scenario}"] = (track, scenario)
    return drives


def comparison_pictures(comparison: Comparison) -> dict[str, bytes]:
    """Draw the usages and the drives of `shown_drives`; name -> PNG, the usages first."""
    bounds = comparison.limits.active
    pictures = {"usage": png(usage_picture(usage_data(worst_usages(comparison))))}
    for name, (track, scenario) in shown_drives(comparison).items():
        runs = {law: by_track[track][scenario] for law, by_track in comparison.runs.items()}
        first = next(iter(runs.values()))
        data = driven_data(
            first.track, runs, bounds.get("lateral_error_max"), bounds.get("lateral_acceleration_r79")
        )
        pictures[name] = png(driven_picture(data))
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
        *event_words(comparison),
    )
    parts: list[Table | Picture] = [_tracks_table(comparison), *happened_tables(comparison)]
    parts.append(_usage_table(comparison))
    drives = shown_drives(comparison)
    for name, data in pictures.items():
        parts.append(_usage_part(data) if name == "usage" else _drive_part(comparison, *drives[name], data))
    return Section("Comparison", paragraphs, tuple(parts))


def _scenarios(comparison: Comparison) -> list[str]:
    first = next(iter(comparison.runs.values()))
    return list(dict.fromkeys(scenario for by_scenario in first.values() for scenario in by_scenario))


def _percent(usage: float) -> str:
    return "not completed" if usage >= HOPELESS else f"{100.0 * usage:.0f} %"


def _tracks_table(comparison: Comparison) -> Table:
    heads = ["Track", "Law", "Usage", "Of the limit on", "In the scenario"]
    worst = comparison.worst.to_dict("records")
    stopping = {
        name: label for name, label in _STOPPING.items() if any(math.isfinite(row[name]) for row in worst)
    }
    shown = {**_SHOWN, **stopping}
    heads += [f"{label}, {MEASURES[name].unit}" for name, label in shown.items()]
    rows = []
    last = ""
    tracks = list(next(iter(comparison.runs.values())))
    found = sorted(worst, key=lambda row: tracks.index(str(row["track"])))
    for row in found:
        binding = spoken(str(row["binding_limit"])) or "none applies"
        if row["binding_limit"] == UNFINISHED:
            binding = f"{binding}: {row['ending']} after {row['course_driven']:.0f} % of the course"
        usage = Cell(_percent(row["usage"]), "kept" if row["usage"] <= 1.0 else "binding broken")
        values = [_value(row[name]) for name in shown]
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


def _drive_part(comparison: Comparison, track: str, scenario: str, data: bytes) -> Picture:
    runs = {law: by_track[track][scenario] for law, by_track in comparison.runs.items()}
    errors = ", ".join(
        f"{law} {number(run.measures['lateral_error_max'])} m" if run.as_meant else f"{law} {ending(run)}"
        for law, run in runs.items()
    )
    events = next(iter(runs.values())).scenario.events
    marks = " Numbers mark where an event began; a square, where the vehicle came to stand." if events else ""
    happened = f" Events: {', '.join(event.title for event in events)}." if events else ""
    return Picture(
        data,
        f"{track}, scenario {scenario}: path (dotted), corridor (grey), and where each law drove; lateral error, speed "
        f"and lateral acceleration over arc length. Dashed: limits.{marks}",
        f"Driven lines on {track}, scenario {scenario}; largest lateral errors: {errors}.{happened}",
    )
