"""The section on drive logs: what they hold, whether they can be trusted, and what they can tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures.health import coverage_picture, driving_picture, excitation_picture
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.health import ChannelHealth, Health

__all__ = ["health_heading", "health_pictures", "health_section"]

_MARKS = {"determined": "kept", "weakly": "", "not": "broken"}


def health_pictures(health: Health) -> dict[str, bytes]:
    """Draw driving, coverage and excitation; name -> PNG, without those for which the logs hold nothing."""
    drawn = {}
    if health.manoeuvres is not None:
        drawn["health-driving"] = png(driving_picture(health.manoeuvres))
    if health.coverage is not None:
        drawn["health-coverage"] = png(coverage_picture(health.coverage))
    if health.spectra:
        drawn["health-excitation"] = png(excitation_picture(health))
    return drawn


def health_heading(health: Health) -> tuple[str, str, tuple[str, str]]:
    """Give title, summary, and verdict with its words, of a page on logs alone."""
    count, seconds = len(health.logs), sum(log.duration for log in health.logs)
    title = (
        f"{count} drive log{'' if count == 1 else 's'} examined"
        if count > 1
        else f"{health.logs[0].name} examined"
    )
    summary = f"{seconds:.0f} s of driving, looked at before anything is fitted to it."
    if health.foreseen is not None:
        verdicts = [str(verdict) for verdict in health.foreseen.values["verdict"]]
        summary += (
            f" Of {len(verdicts)} values of the vehicle these logs can tell {verdicts.count('determined')}."
        )
    doubts = len(health.doubts)
    if doubts:
        return (
            title,
            summary,
            ("broken", f"{doubts} doubt{'' if doubts == 1 else 's'}: do not fit these logs yet"),
        )
    return title, summary, ("kept", "no doubt stands")


def health_section(health: Health, pictures: dict[str, bytes] | None = None) -> Section:
    """Give the section on drive logs.

    Args:
        health: what `examine` gave.
        pictures: what `health_pictures` drew; None draws them.
    """
    drawn = health_pictures(health) if pictures is None else pictures
    paragraphs = [
        "Channels are checked against physics and against each other; nothing is repaired, and no model is fitted. "
        "A doubt means that whatever is built on the channel would be wrong; the rest is worth knowing."
    ]
    if health.trusted:
        paragraphs.append("No doubt stands.")
    parts: list[Table | Picture] = [_said(health), _told(health)]
    if health.advice:
        parts.append(
            Table("What to drive or record next", ("Next",), tuple((text,) for text in health.advice))
        )
    parts += _shown(health, drawn)
    parts += [_logs(health), _channels(health)]
    return Section("Log health", tuple(paragraphs), tuple(parts))


def _said(health: Health) -> Table:
    rows: list[tuple[Cell | str, ...]] = [
        (Cell("doubt" if f.is_doubt else "finding", "broken" if f.is_doubt else ""), f.kind, f.text)
        for f in health.physics
    ]
    rows += [("finding", "reading", text) for text in health.findings]
    if not rows:
        rows = [(Cell("none", "kept"), "", "every check passed")]
    return Table("What the channels show", ("", "Kind", "Finding"), tuple(rows))


def _told(health: Health) -> Table:
    """Show which values the logs can tell, before any fit."""
    heads = ("Value", "Nominal", "± 95 %, at best", "Needed", "Unit", "Verdict")
    if health.foreseen is None:
        return Table("What these logs can tell", ("Not judged",), ((health.unforeseen,),))
    rows: list[tuple[Cell | str, ...]] = []
    for row in health.foreseen.values.reset_index().to_dict("records"):
        verdict = str(row["verdict"])
        words = {"determined": "determined", "weakly": "weakly", "not": "not determined"}[verdict]
        numbers = (number(float(row["value"])), *(number(float(row[n]), 2) for n in ("half_width", "needed")))
        rows.append((str(row["name"]), *numbers, str(row["unit"]), Cell(words, _MARKS[verdict])))
    rows += [(f"only together: {' and '.join(group)}",) for group in health.foreseen.together]
    caption = "What these logs can tell, before any fit (the least error that any fit can have; real ones are wider)"
    return Table(caption, heads, tuple(rows), numbers=(1, 2, 3))


def _shown(health: Health, drawn: dict[str, bytes]) -> list[Picture]:
    found = []
    if "health-driving" in drawn and health.manoeuvres is not None:
        t = health.thresholds
        seconds = ", ".join(f"{spoken(name)} {value:.1f} s" for name, value in health.manoeuvres.items())
        caption = (
            f"What was driven. A curve has a yaw rate above {t.turning:g} rad/s or a lateral acceleration above {t.sideways:g} m/s²; "
            f"steering left or right is a change of these faster than {t.turning_change:g} rad/s² or {t.sideways_change:g} m/s³; "
            f"accelerating and braking are beyond {t.along:g} m/s²; standstill is below {t.standstill:g} m/s, or less for a slow "
            "vehicle. These thresholds are judgements. Reversing counts beside the others."
        )
        found.append(Picture(drawn["health-driving"], caption, f"Bars of seconds: {seconds}."))
    if "health-coverage" in drawn and health.coverage is not None:
        c = health.coverage
        caption = (
            "Seconds by speed and lateral acceleration. What is tuned for a white region was never seen there; curves to both "
            "sides at several speeds are what tells wheelbase, understeer and offsets apart."
        )
        spans = f"speed {c.speed_edges[0]:g} to {c.speed_edges[-1]:g} m/s, lateral acceleration up to {c.lateral_edges[-1]:g} m/s²"
        found.append(Picture(drawn["health-coverage"], caption, f"Map of seconds by {spans}."))
    if "health-excitation" in drawn:
        bands = "; ".join(
            f"{spoken(s.answer)} above noise up to {s.bandwidth:.2g} Hz ({s.windows} windows)"
            for s in health.spectra
        )
        caption = (
            "Power by frequency of the steering command (excitation) and of the answer, with the part of it that the command does "
            "not explain: noise, and whatever is not linear. Coherence is the share that it explains; above 0.5 the answer is more "
            f"signal than noise: {bands}."
        )
        found.append(Picture(drawn["health-excitation"], caption, f"Spectra and coherence; {bands}."))
    return found


def _logs(health: Health) -> Table:
    rows = [
        (
            log.name,
            f"{log.duration:.1f} s",
            str(log.samples),
            f"{log.rate:.4g} Hz",
            ", ".join(f"{span:.2g} s at {when:.1f} s" for when, span in log.gaps[:4])
            + (f" and {len(log.gaps) - 4} more" if len(log.gaps) > 4 else "")
            or "none",
        )
        for log in health.logs
    ]
    return Table("Logs", ("Log", "Duration", "Samples", "Clock", "Gaps"), tuple(rows), numbers=(1, 2, 3))


def _channels(health: Health) -> Table:
    rows: list[tuple[Cell | str, ...]] = []
    for log in health.logs:
        rows.append((log.name,))
        rows += [_channel(c) for c in health.channels if c.log == log.name]
    heads = (
        "Quantity",
        "Fresh readings",
        "Least",
        "Largest",
        "Resolution",
        "Noise",
        "Noise taken at",
        "Unit",
    )
    caption = "What each log holds (noise: standard deviation; while driving, all that is quicker than the readings counts)"
    return Table(caption, heads, tuple(rows), numbers=(1, 2, 3, 4, 5))


def _channel(c: ChannelHealth) -> tuple[Cell | str, ...]:
    rate = f"{number(c.rate)} Hz{', held' if c.held else ''}" if math.isfinite(c.rate) else "–"
    noise = number(c.noise) if c.noise_from else "–"
    return (
        spoken(c.quantity),
        rate,
        number(c.low),
        number(c.high),
        number(c.resolution),
        noise,
        c.noise_from or "–",
        c.unit or "–",
    )
