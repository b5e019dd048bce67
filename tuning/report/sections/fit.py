"""The sections on an identification: verdict, agreement, precision, frequency response, residuals, what to drive next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tuning.identification.residual_tests import in_words
from tuning.logs.units import si_unit
from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import (
    correlation_data,
    correlation_picture,
    fit_picture,
    fit_signal,
    residual_tests,
    residuals_picture,
    response_data,
    response_picture,
    value_lines,
    values_picture,
)
from tuning.report.sections.response import response_words
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.identification import Identified

__all__ = ["fit_pictures", "fit_sections"]

# A fit below this predicts too little to tune on (common practice, no source).
_POOR = 70.0
_STRETCH = 20.0  # times dead time and lag of the steering: what is shown larger
_SHORTEST, _LONGEST = 3.0, 12.0  # s, of it


def fit_pictures(found: Identified) -> dict[str, bytes]:
    """Draw what an identification can show; name -> PNG, without what its logs do not give."""
    answer = found.vehicle.response
    span = min(max(_STRETCH * (answer.dead_time + answer.lag), _SHORTEST), _LONGEST)
    drawn = {}
    for output, trace in found.traces.items():
        label = f"{spoken(output)}, {si_unit(output)}"
        drawn[_of(output)] = png(fit_picture(fit_signal(label, trace, found.validation[output], span)))
    if panels := response_data(found):
        drawn["frequency-response"] = png(response_picture(panels))
    if tests := residual_tests(found):
        drawn["residuals"] = png(residuals_picture(tests))
    if lines := value_lines(found):
        drawn["intervals"] = png(values_picture(lines))
    data = correlation_data(found)
    if len(data.names) > 1:
        drawn["correlations"] = png(correlation_picture(data))
    return drawn


def fit_sections(
    found: Identified, pictures: dict[str, bytes], health: Section | None = None, *, verdict: bool = True
) -> tuple[Section, ...]:
    """Give the sections on an identification, in the order in which they are to be read.

    Args:
        found: what `identify` gave.
        pictures: what `fit_pictures` drew.
        health: the section on the logs, where they were examined.
        verdict: whether to say what the vehicle is good for; not where the page's head says it already.
    """
    sections = [_identification(found, pictures, verdict)]
    if "intervals" in pictures or "correlations" in pictures:
        sections.append(_precision(found, pictures))
    if "frequency-response" in pictures:
        sections.append(_response(found, pictures["frequency-response"]))
    if "residuals" in pictures:
        sections.append(_residuals(found, pictures["residuals"]))
    if health is not None:
        sections.append(health)
    noticed = Table(
        "What the identification noticed", ("Finding",), tuple((text,) for text in found.findings)
    )
    sections.append(Section("Findings", (), (noticed,)))
    if found.advice:
        sections.append(Section("What to drive next", steps=found.advice))
    return tuple(sections)


def _of(output: str) -> str:
    return f"fit-{output.replace('_', '-')}"


def _identification(found: Identified, pictures: dict[str, bytes], verdict: bool) -> Section:
    paragraphs = (
        *((found.verdict,) if found.verdict and verdict else ()),
        f"Judged on driving that the fit never saw: {found.held_out}. Fit is 100 (1 − ‖measured − simulated‖ / "
        "‖measured − its mean‖): 100 % is perfect, 0 % no better than a constant.",
    )
    parts: list[Table | Picture] = [_agreement(found)]
    for output, values in found.validation.items():
        if (name := _of(output)) in pictures:
            words = spoken(output)
            parts.append(
                Picture(
                    pictures[name],
                    f"{words.capitalize()} measured (grey) and simulated from commands alone (blue) on driving held out of the "
                    "fit; right: the shaded stretch larger; beneath: measured less simulated.",
                    f"{words.capitalize()} over time, measured and simulated: fit {values['fit_percent']:.1f} %.",
                )
            )
    return Section("Identification", paragraphs, tuple(parts))


def _precision(found: Identified, pictures: dict[str, bytes]) -> Section:
    parts: list[Table | Picture] = []
    paragraphs = []
    if "intervals" in pictures:
        lines = value_lines(found)
        wide = [line.label for line in lines if not line.enough]
        said = f"wider than that: {', '.join(wide)}" if wide else "all intervals are within it"
        parts.append(
            Picture(
                pictures["intervals"],
                "95 % interval of each value found, from the value. Shaded is what tuning needs (common practice, no source); "
                f"longer intervals are vermillion with a square. An arrow: it goes on. Here {said}.",
                "; ".join(f"{line.label} {line.text}" for line in lines),
            )
        )
    if "correlations" in pictures:
        strong = correlation_data(found).strong
        if strong:
            pairs = "; ".join(f"{first} with {second} ({value:+.2f})" for first, second, value in strong[:5])
            pairs = pairs.replace("-", "\u2212")
            paragraphs.append(
                f"Known together better than apart: {pairs}. An error of the one is made good by the other, so change neither "
                "by hand alone."
            )
        parts.append(
            Picture(
                pictures["correlations"],
                "Correlation of the errors of the values; 0.9 and more (bold): the logs tell a combination of both rather than "
                "each. A dot: none.",
                "Table of correlations of the values found.",
            )
        )
    return Section("How well the values are known", tuple(paragraphs), tuple(parts))


def _response(found: Identified, picture: bytes) -> Section:
    panels = response_data(found)
    intro = (
        "What the readings say by themselves, without a model: how much of a steering command comes through at each frequency, "
        "and how late. Averages of windows of the driving, fitted and held out alike. The simulated answer was put through "
        "the same estimate, so both share whatever the estimate gets wrong."
    )
    words = tuple(response_words(panel) for panel in panels)
    caption = (
        "Gain (0 dB: as asked for), phase and coherence. Coherence is the share of the answer that follows the command linearly: "
        "from 0.6 usable (shaded), from 0.8 good. The dashed line holds for small motions, without limits, play or delays of sensors, at the middle speed."
    )
    return Section("Frequency response", (intro, *words), (Picture(picture, caption, " ".join(words)),))


def _residuals(found: Identified, picture: bytes) -> Section:
    words = tuple(in_words(spoken(output), test) for output, test in residual_tests(found).items())
    intro = (
        "A model that has all of the dynamics leaves nothing that follows the command. Tested on held-out driving; a right "
        "model fails in one case of a hundred."
    )
    caption = (
        "Correlation of what is left over with itself (left) and with the command (right; at lags above 0 the residual comes "
        "after the command). Shaded: 99 % of single lags of a right model; dashed: the largest of all its lags from 0 on. "
        "Squares lie beyond. On the left they only mean that what is left is no white noise."
    )
    return Section("What is left over", (intro, *words), (Picture(picture, caption, " ".join(words)),))


def _agreement(found: Identified) -> Table:
    rows = []
    for output, values in found.validation.items():
        fit = values["fit_percent"]
        trained = found.training.get(output, {}).get("fit_percent", math.nan)
        rows.append(
            (
                spoken(output),
                Cell(f"{fit:.1f} %", "broken" if fit < _POOR else ""),
                f"{trained:.1f} %" if math.isfinite(trained) else "–",
                f"{values['r_squared']:.4f}",
                f"{number(values['rmse'])} {si_unit(output)}",
            )
        )
    heads = ("Signal", "Fit, held out", "Fit, fitted part", "R², held out", "RMS error, held out")
    return Table(f"Agreement (✕ marks a fit below {_POOR:.0f} %)", heads, tuple(rows), numbers=(1, 2, 3, 4))
