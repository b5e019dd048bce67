"""The section on an identification: how well each value is known, and how well the vehicle foretells a drive."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tuning.logs.units import si_unit
from tuning.report.look import png
from tuning.report.page import Cell, Picture, Section, Table
from tuning.report.pictures import fit_picture, fit_signal
from tuning.text import number, spoken

if TYPE_CHECKING:
    from tuning.identification import Identified

__all__ = ["fit_pictures", "fit_section"]

# A fit below this predicts too little to tune on (common practice, no source).
_POOR = 70.0


def fit_pictures(found: Identified) -> dict[str, bytes]:
    """Draw measured against simulated signals on what was held out; name -> PNG, empty without such signals."""
    signals = [
        fit_signal(
            f"{spoken(output)}, {si_unit(output)}",
            trace.time,
            trace.measured,
            trace.simulated,
            found.validation[output]["fit_percent"],
        )
        for output, trace in found.traces.items()
    ]
    return {"fit": png(fit_picture("held out", signals))} if signals else {}


def fit_section(found: Identified, pictures: dict[str, bytes]) -> Section:
    """Give the section on an identification.

    Args:
        found: what `identify` gave.
        pictures: what `fit_pictures` drew.
    """
    paragraphs = (
        f"Judged on driving that the fit never saw: {found.held_out}. Fit is 100 (1 − ‖measured − simulated‖ / "
        "‖measured − its mean‖): 100 % is perfect, 0 % no better than a constant.",
    )
    parts: list[Table | Picture] = [_agreement(found)]
    if "fit" in pictures:
        fits = ", ".join(f"{spoken(name)} {v['fit_percent']:.1f} %" for name, v in found.validation.items())
        parts.append(
            Picture(
                pictures["fit"],
                "Measured (grey) against simulated from commands alone (blue), on driving held out of the fit.",
                f"Measured and simulated signals over time; fit: {fits}.",
            )
        )
    parts.append(
        Table("What the identification noticed", ("Finding",), tuple((text,) for text in found.findings))
    )
    return Section("Identification", paragraphs, tuple(parts))


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
