"""How a drive ended and what became of its events: in words, and as rows of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from tracker import StopReason
from tuning.simulation import DriverTakesOver, Happening, LinkLost, LocalisationLost, Outcome, Run, StopDemand
from tuning.simulation.events import Event

__all__ = ["by_event", "ending", "event_ending", "event_row"]

_OUTCOMES: Final[dict[Outcome, str]] = {
    Outcome.FINISHED: "reached the end",
    Outcome.LOST: "left the path",
    Outcome.OUT_OF_TIME: "ran out of time",
    Outcome.NOT_FINITE: "a state was not finite",
    Outcome.STOPPED: "stopped by the tracker",
    Outcome.STOPPED_ON_DEMAND: "stopped on demand",
    Outcome.STOPPED_BY_WATCHDOG: "stopped by the watchdog",
}
_REASONS: Final[dict[StopReason, str]] = {
    StopReason.MEASUREMENT_NOT_FINITE: "a measurement was not finite",
    StopReason.TIME_NOT_INCREASING: "time did not increase",
    StopReason.LAW_FAILED: "the law failed",
    StopReason.LOST: "too far from the path",
    StopReason.ROLLING_BACK: "it rolled back",
    StopReason.DEMANDED: "on demand",
    StopReason.LOCALISATION_LOST: "localisation lost",
}
# What the end of an event is called; of all others it is "over".
_OVER: Final[dict[type[Event], str]] = {
    DriverTakesOver: "handed back",
    StopDemand: "released",
    LinkLost: "link back",
    LocalisationLost: "localisation back",
}


def ending(run: Run) -> str:
    """Say how a run ended: "reached the end", "stopped on demand", "stopped: localisation lost"."""
    outcome = Outcome(run.outcome)
    if outcome is Outcome.STOPPED and run.stop_reason in _REASONS:
        return f"stopped: {_REASONS[run.stop_reason]}"
    return _OUTCOMES[outcome]


def event_ending(run: Run, found: Happening) -> str:
    """Say how an event ended: with the run, or before; then of the run only what was not meant."""
    how = ending(run)
    if found.happened and not found.ended < math.inf:
        return how
    over = "did not begin"
    if found.happened:
        over = f"{_OVER.get(type(found.event), 'over')} after {found.ended - found.begun:.1f} s"
    return over if run.as_meant else f"{over}; {how}"


def event_row(law: str, track: str, scenario: str, run: Run, number: int) -> dict[str, Any]:
    """Give what became of an event as one row of a table; NaN where something does not apply.

    `number` counts the scenario's events from 1; `began_at` (m of arc length), `began_after` and `ended_after` (s since the start of the run), `speed` where it began
    (m/s), `ending` in words, `as_meant` of the whole run, then the figures of `Happening` in its units.
    """
    found = run.happenings[number - 1]
    return {
        "law": law,
        "track": track,
        "scenario": scenario,
        "number": number,
        "event": found.event.title,
        "happened": found.happened,
        "began_at": found.at,
        "began_after": _finite(found.begun),
        "ended_after": _finite(found.ended),
        "speed": found.speed,
        "ending": event_ending(run, found),
        "as_meant": run.as_meant,
        "stopping_distance": found.stopping_distance,
        "stopping_time": found.stopping_time,
        "excursion": found.excursion,
        "lateral_error": found.lateral_error,
        "command_jump": found.command_jump,
    }


def by_event(rows: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Give rows of `event_row` in groups, one an event of a track and scenario: laws beside each other."""
    groups: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    tracks, scenarios = (list(dict.fromkeys(row[name] for row in rows)) for name in ("track", "scenario"))
    for row in rows:
        place = (tracks.index(row["track"]), scenarios.index(row["scenario"]), row["number"])
        groups.setdefault(place, []).append(row)
    return [groups[place] for place in sorted(groups)]


def _finite(value: float) -> float:
    return value if math.isfinite(value) else math.nan
