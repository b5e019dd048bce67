"""The sections on stability: margins over speed, the map over a gain, what draws of the vehicle leave, and one loop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import (
    loop_curve,
    loop_picture,
    map_picture,
    margins_picture,
    robustness_picture,
)
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.stability import Margins, SpeedMargins, StabilityFindings, StabilityLimits

__all__ = ["stability_heading", "stability_pictures", "stability_sections"]

_ROWS = 9  # of a table over speed; the files hold every speed
_FACTORS = {
    "gain_margin": 1.0,
    "gain_reduction": 1.0,
    "phase_margin": 1.0,
    "delay_margin": 1e3,
    "disk_margin": 1.0,
}
_HEADS = ("speed, m/s", "gain up, dB", "gain down, dB", "phase, deg", "delay, ms", "disk", "crossover, Hz", "binding limit")  # fmt: skip

_METHOD = (
    "Vehicle with its dead time, hold of the commands, tracker with its compensation, and law are linearised about a steady "
    "drive and sampled exactly; the loop is cut at the command. Limits of rate, angle and envelope, play and dead band are not "
    "in a linear loop: a margin says what small motions do, a simulation what large ones do."
)
_SMALLEST = (
    "Gain up and down: what the vehicle may answer more or less than believed. Phase and delay: what may come late; the delay "
    "is dead time on top of the vehicle's own, unknown to the tracker. Disk: gain and phase at once (0 none, 2 all)."
)


def stability_heading(found: Sequence[StabilityFindings]) -> tuple[str, str, tuple[str, str]]:
    """Give title, summary and verdict of a page on stability alone."""
    names = _listed([one.name for one in found])
    title = f"Stability of {names}"
    broken = [one.name for one in found if not one.keeps_limits]
    summary = " ".join(_worst_words(one) for one in found)
    if broken:
        return title, summary, ("broken", f"{_listed(broken)}: less margin than asked for")
    return title, summary, ("kept", f"{names}: every margin asked for, at every speed")


def stability_pictures(found: Sequence[StabilityFindings]) -> dict[str, bytes]:
    """Draw every picture of the sections: name -> PNG."""
    limits = found[0].over_speed.limits
    drawn = {"margins": png(margins_picture(tuple(found), limits))}
    for one in found:
        if one.map is not None:
            drawn[f"map-{one.name}"] = png(map_picture(one.map, limits))
        if one.robustness is not None:
            drawn[f"draws-{one.name}"] = png(robustness_picture(one.robustness, one.over_speed))
        margins = one.over_speed.found[one.over_speed.worst]
        drawn[f"loop-{one.name}"] = png(loop_picture(loop_curve(one.loop, margins)))
    return drawn


def stability_sections(found: Sequence[StabilityFindings], drawn: dict[str, bytes]) -> list[Section]:
    """Give the section on margins over speed, then one for each law."""
    limits = found[0].over_speed.limits
    first = Section(
        "Margins over speed",
        (_METHOD, _SMALLEST, _asked(limits)),
        (
            Picture(
                drawn["margins"],
                f"Margins over speed: {_curve_words(found[0].over_speed)}. Shaded: less than asked for. x: unstable.",
                "Curves of gain, phase, delay and disk margin over speed, one a law.",
            ),
            *(_table(one) for one in found),
        ),
    )
    return [first, *(_law_section(one, drawn) for one in found)]


def _law_section(one: StabilityFindings, drawn: dict[str, bytes]) -> Section:
    paragraphs = [_worst_words(one)]
    parts: list[Picture | Table] = []
    if one.map is not None:
        paragraphs.append(_map_words(one))
        parts.append(
            Picture(
                drawn[f"map-{one.name}"],
                f"Stability map of {one.name}: margins over speed and {spoken(one.map.gain)}; the other gains hold.",
                f"Contours of four margins over speed and {spoken(one.map.gain)}, with the edge of stability.",
            )
        )
    if one.robustness is not None:
        paragraphs.append(_draw_words(one))
        parts.append(
            Picture(
                drawn[f"draws-{one.name}"],
                f"What {one.robustness.count} vehicles drawn from the uncertainty of the values leave of the margins, while the "
                "tracker believes in the vehicle as identified.",
                "Share of draws that are stable, and the spread of phase and delay margins, over speed.",
            )
        )
    parts.append(
        Picture(
            drawn[f"loop-{one.name}"],
            f"The loop at {number(one.shown_speed)} m/s, where a limit is used most.",
            "Bode and Nyquist plots of the loop, cut at the command.",
        )
    )
    return Section(f"Stability: {one.name}", tuple(paragraphs), tuple(parts))


def _curve_words(found: SpeedMargins) -> str:
    where = "on a straight"
    if found.curvature:
        where = f"on a curve of {number(1.0 / abs(found.curvature))} m radius"
    around = found.setting
    compensated = "compensated" if around.compensate_dead_time else "not compensated"
    words = f"{where}, {number(1.0 / around.period)} commands a second, dead time {compensated}"
    if around.latency:
        words += f", poses {number(1e3 * around.latency)} ms late"
    if around.extra_dead_time:
        words += f", {number(1e3 * around.extra_dead_time)} ms of dead time that the tracker does not know"
    return words


def _asked(limits: StabilityLimits) -> str:
    active = limits.active
    if not active:
        return "No least margins are asked for."
    units = {"gain_margin": "dB", "gain_reduction": "dB", "phase_margin": "deg", "delay_margin": "ms"}
    words = [
        f"{spoken(name)} {number(_FACTORS.get(name, 1.0) * bound)} {units.get(name, '')}".rstrip()
        for name, bound in active.items()
    ]
    return f"Asked for at least: {', '.join(words)} (defaults: common practice, no source)."


def _worst_words(one: StabilityFindings) -> str:
    found = one.over_speed
    margins, speed = found.found[found.worst], one.shown_speed
    unstable = [float(v) for v, m in zip(found.speeds, found.found, strict=True) if not m.stable]
    if unstable:
        return f"{one.name} is unstable at {_range(unstable)} m/s."
    name, usage = found.usages[found.worst]
    least = f"gain {_decibel(margins)}, phase {number(margins.phase_degrees)} deg, delay {_milliseconds(margins.delay)} ms"
    if not name:
        return f"{one.name} is stable from {number(found.speeds[0])} to {number(found.speeds[-1])} m/s."
    state = "all that is asked for is there" if usage <= 1.0 else f"{spoken(name)} is less than asked for"
    return f"{one.name} has its smallest margin, measured by what is asked for, at {number(speed)} m/s: {least}; {state}."


def _map_words(one: StabilityFindings) -> str:
    found = one.map
    assert found is not None
    if np.all(found.stable):
        words = f"Every {spoken(found.gain)} of the map is stable at every speed."
    else:
        share = 100.0 * float(found.stable.mean())
        words = f"{share:.0f} % of the map is stable."
    value, margin = found.best("disk_margin")
    ends = [0, len(value) - 1]
    told = " and ".join(
        f"{number(value[i])} {found.unit}".rstrip() + f" at {number(found.speeds[i])} m/s" for i in ends
    )
    words += f" Of the values shown, the disk margin is largest with {told}"
    if np.any(margin <= 0.0):
        words += "; at some speeds no value is stable"
    return f"{words}. More margin is not better driving: what holds the path worst has the most of it."


def _draw_words(one: StabilityFindings) -> str:
    found = one.robustness
    assert found is not None
    stable, kept = found.share_stable, found.share_kept
    if np.all(kept == 1.0):
        return f"All {found.count} draws have every margin asked for at every speed."
    at = int(np.argmin(kept))
    return (
        f"Of {found.count} draws, {100.0 * stable.min():.0f} % or more are stable at each speed; the fewest with every margin "
        f"asked for are {100.0 * kept[at]:.0f} %, at {number(found.speeds[at])} m/s."
    )


def _table(one: StabilityFindings) -> Table:
    found = one.over_speed
    count = len(found.found)
    shown = sorted({*np.linspace(0, count - 1, min(count, _ROWS)).round().astype(int).tolist(), found.worst})
    rows = []
    for i in shown:
        margins = found.found[i]
        limit, usage = found.usages[i]
        mark = "broken" if usage > 1.0 or not margins.stable else "kept"
        if not margins.stable:
            rows.append((number(found.speeds[i]), Cell("unstable", "broken"), *["-"] * 6))
            continue
        values = margins.as_dict()
        cells: list[Cell | str] = [number(found.speeds[i])]
        for name, factor in _FACTORS.items():
            bound = found.limits.active.get(name)
            broken = bound is not None and values[name] < bound
            shown_value = "any" if math.isinf(values[name]) else number(factor * values[name])
            cells.append(Cell(shown_value, "broken" if broken else ""))
        cells.append(number(margins.crossover / (2.0 * math.pi)))
        cells.append(Cell(spoken(limit), mark) if limit else "-")
        rows.append(tuple(cells))
    return Table(f"Margins of {one.name} over speed", _HEADS, tuple(rows), tuple(range(1, 7)))


def _decibel(margins: Margins) -> str:
    down = margins.gain_reduction_decibel
    low = "any" if math.isinf(down) else f"{number(down)} dB"
    high = "any" if math.isinf(margins.gain_up) else f"+{number(margins.gain_decibel)} dB"
    return f"{high} (down: {low})"


def _milliseconds(delay: float) -> str:
    return "any" if math.isinf(delay) else number(1e3 * delay)


def _range(speeds: list[float]) -> str:
    if len(speeds) == 1:
        return number(speeds[0])
    return f"speeds between {number(min(speeds))} and {number(max(speeds))}"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
