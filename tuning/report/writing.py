"""Whole reports: a fit, a tuning, a comparison, or all of them on one page, with the pictures beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from tracks.errors import InputError
from tracks.file_access import make_folder, write_atomically
from tuning.report.page import Page, Section, provenance, write_page
from tuning.report.sections import (
    comparison_pictures,
    comparison_section,
    files_section,
    fit_pictures,
    fit_sections,
    health_heading,
    health_pictures,
    health_section,
    stability_heading,
    stability_pictures,
    stability_sections,
    study_picture,
    study_section,
    vehicle_section,
)
from tuning.search.scoring import HOPELESS
from tuning.text import spoken

if TYPE_CHECKING:
    from tuning.health import Health
    from tuning.identification import Identified
    from tuning.search import Comparison, Study
    from tuning.stability import StabilityFindings
    from tuning.vehicle import Vehicle

__all__ = ["write_report"]

_FOLDER = "pictures"
_TIE = 1.01  # times the smallest usage: laws as close as that are as good as equal


def write_report(
    path: str | FilePath,
    *,
    title: str = "",
    found: Identified | None = None,
    vehicle: Vehicle | None = None,
    studies: Sequence[Study] = (),
    comparison: Comparison | None = None,
    health: Health | None = None,
    stability: Sequence[StabilityFindings] = (),
    files: Mapping[str, str] | None = None,
    done: Sequence[str] = (),
    pictures: bool = True,
) -> list[FilePath]:
    """Write one stand-alone HTML page on whatever is given, and its pictures as PNG files in a folder beside it.

    Args:
        path: of the page; its folder is made where it is missing.
        title: heading; empty for one that says what was done.
        found: what `identify` gave; its vehicle is described unless `vehicle` is another.
        vehicle: to describe.
        studies: what `tune` gave, one a law.
        comparison: what `compare` gave.
        health: what `examine` gave of the logs.
        stability: what was found of the margins of laws, one each.
        files: other files that belong to the report, as shown -> what they hold.
        done: what was done, step by step.
        pictures: whether to write the pictures as files too; the page has them embedded either way.

    Returns:
        The files written, the page first.

    Raises:
        InputError: nothing to report on.
        FileError: a file cannot be written.
    """
    target = FilePath(path)
    described = vehicle or (found.vehicle if found is not None else None)
    drawn: dict[str, bytes] = {}
    sections: list[Section] = []
    if comparison is not None:
        shown = comparison_pictures(comparison)
        drawn.update(shown)
        sections.append(comparison_section(comparison, shown))
    for study in studies:
        name = f"tuning-{study.best.name}"
        drawn[name] = study_picture(study)
        sections.append(study_section(study, drawn[name], comparison))
    if stability:
        shown = stability_pictures(stability)
        drawn.update(shown)
        sections += stability_sections(stability, shown)
    about = [vehicle_section(described, found if vehicle is None else None)] if described is not None else []
    examined = None
    if health is not None:
        shown = health_pictures(health)
        drawn.update(shown)
        examined = health_section(health, shown)
    if found is not None:
        shown = fit_pictures(found)
        drawn.update(shown)
        first, *more = fit_sections(found, shown, examined, verdict=bool(studies) or comparison is not None)
        about = [first, *about, *more]
    elif examined is not None:
        about.append(examined)
    sections += about
    if done:
        sections.insert(0, Section("What was done", steps=tuple(done)))
    if not sections:
        raise InputError(
            "there is nothing to report on",
            "a fit, logs, a vehicle, a study, margins or a comparison",
            "pass one",
        )
    written = [target]
    make_folder(target.parent)
    if pictures:
        make_folder(target.parent / _FOLDER)
        for name, data in drawn.items():
            written.append(_free(target.parent / _FOLDER / f"{_file_name(name)}.png", written))
            write_atomically(written[-1], data)
    if files:
        sections.append(files_section(files))
    heading, summary = _title(found, studies, comparison), _summary(found, studies, comparison)
    verdict = _verdict(found, studies, comparison)
    if stability and found is None and not studies and comparison is None:
        heading, summary, verdict = stability_heading(stability)
    if health is not None and found is None and not studies and comparison is None:
        heading, summary, verdict = health_heading(health)
    page = Page(title or heading, summary, tuple(sections), verdict, _seeds(studies))
    write_page(page, target)
    return written


def _file_name(name: str) -> str:
    """Give a name that every file system takes: a track may be called anything."""
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in name)


def _free(file: FilePath, taken: Sequence[FilePath]) -> FilePath:
    """Give the file, or one with a number if two names differ only in what a file system does not take."""
    names = {other.name.lower() for other in taken}
    count = 1
    free = file
    while free.name.lower() in names:
        count += 1
        free = file.with_stem(f"{file.stem}-{count}")
    return free


def _title(found: Identified | None, studies: Sequence[Study], comparison: Comparison | None) -> str:
    if comparison is not None:
        return f"{_listed(list(comparison.laws))} compared"
    if studies:
        return f"{_listed([study.best.name for study in studies])} tuned"
    name = found.vehicle.provenance.name if found is not None else ""
    return f"{name or 'Vehicle'} identified" if found is not None else "Vehicle"


def _summary(found: Identified | None, studies: Sequence[Study], comparison: Comparison | None) -> str:
    """Say in a sentence what was found: of the laws if there are any, else of the fit."""
    if comparison is not None:
        scores = dict.fromkeys(comparison.laws, 0.0)
        for row in comparison.worst.to_dict("records"):
            scores[str(row["law"])] = max(scores[str(row["law"])], float(row["usage"]))
        best = min(scores, key=scores.__getitem__)
        level = [law for law, score in scores.items() if score <= _TIE * scores[best]]
        count = len(next(iter(comparison.runs.values())))
        tracks = f"{count} track{'' if count == 1 else 's'}"
        if scores[best] >= HOPELESS:
            return f"{'No law completes' if len(scores) > 1 else f'{best} does not complete'} every run on {tracks}."
        if len(level) > 1:
            errors = _largest_rms(comparison)
            return (
                f"Of {len(scores)} laws on {tracks}, {_listed(level)} tie: the largest usage of each is "
                f"{100.0 * scores[best]:.0f} % (within 1 %). Of these, {min(level, key=errors.__getitem__)} has the "
                "smaller RMS lateral error."
            )
        return (
            f"Of {len(scores)} laws on {tracks}, {best} stays furthest from the limits: "
            f"its largest usage is {100.0 * scores[best]:.0f} %."
            if len(scores) > 1
            else f"{best} on {tracks}: its largest usage of a limit is {100.0 * scores[best]:.0f} %."
        )
    if studies:
        return " ".join(_reached(study) for study in studies)
    return _told(found) if found is not None else ""


def _told(found: Identified) -> str:
    """Say what an identification is good for: its verdict, or the first doubt, or how well it predicts."""
    if found.verdict:
        return found.verdict
    if found.doubts:
        return f"Not to be trusted: {found.doubts[0]}."
    fits = [f"{spoken(output)} {values['fit_percent']:.0f} %" for output, values in found.validation.items()]
    return f"How the vehicle responds to commands, found from its drive logs. Held-out driving is predicted: {_listed(fits)}."


def _reached(study: Study) -> str:
    if study.best_score >= HOPELESS:
        return f"No candidate of {study.best.name} completes every run."
    share = f"{100.0 * study.best_score:.0f} %"
    return f"{study.best.name} reaches {share} of its binding limit, {spoken(study.binding_limit)}."


def _largest_rms(comparison: Comparison) -> dict[str, float]:
    """Give law -> largest RMS lateral error over tracks and scenarios, m; infinite where it has none."""
    errors = dict.fromkeys(comparison.laws, 0.0)
    for row in comparison.worst.to_dict("records"):
        error = float(row["lateral_error_rms"])
        errors[str(row["law"])] = max(errors[str(row["law"])], math.inf if math.isnan(error) else error)
    return errors


def _verdict(
    found: Identified | None, studies: Sequence[Study], comparison: Comparison | None
) -> tuple[str, str]:
    kept: dict[str, bool] = {study.best.name: study.keeps_limits for study in studies}
    if comparison is not None:
        kept = dict.fromkeys(comparison.laws, True)
        for row in comparison.worst.to_dict("records"):
            kept[str(row["law"])] &= bool(row["usage"] <= 1.0)
    if not kept and found is not None:
        if found.trusted:
            return "kept", "can be tuned on"
        return "broken", "not to be tuned on yet"
    if not kept:
        return "", ""
    breaking = [law for law, keeps in kept.items() if not keeps]
    if not breaking:
        return "kept", f"{_listed(list(kept))} {'keeps' if len(kept) == 1 else 'keep'} every limit"
    verb = "breaks" if len(breaking) == 1 else "break"
    return "broken", f"{_listed(breaking)} {verb} a limit"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _seeds(studies: Sequence[Study]) -> dict[str, str]:
    seeds = {f"seed of tuning {study.best.name}": study.seed for study in studies}
    return provenance(**seeds)
