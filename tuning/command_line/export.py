"""`pathtrim export`: the parameters of a tuned law, for the vehicle's software."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

if TYPE_CHECKING:
    from tuning import Study, Vehicle

__all__ = ["NAME", "SHORT", "command"]

NAME = "export"
SHORT = "A tuned law's parameters for the vehicle's software."


def command(
    study: Annotated[Path, typer.Argument(metavar="STUDY-DIR", help="Folder that `tune` wrote.")],
    law: Annotated[
        str, typer.Option(metavar="NAME", help="The law to export: PurePursuit, Stanley, PreviewLQR or MPC.")
    ],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the parameters, their schema and a README.")
    ],
    vehicle: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Vehicle file; its interface is explained. Default: that of the study."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write the best gains of a study as parameters.json, with its JSON Schema and a README.txt.

    Example: pathtrim export study --law MPC --out export
    """
    import tuning
    from tuning.command_line import inputs
    from tuning.text import spoken

    name = inputs.law_kind(law).__name__
    found = _study(study, name)
    car = _vehicle(study, vehicle)
    inputs.output_folder(out)
    written = tuning.export(found.best, out, vehicle=car, study=found)
    lines = [
        f"{name}: {100.0 * found.best_score:.0f} % of its binding limit, {spoken(found.binding_limit)}.",
        *(f"Written: {file}" for file in written),
        'Next: read README.txt there; in a script, law = tracker.load("parameters.json").',
        "Drive first on a closed course, slowly, with a trained safety driver and a working stop device.",
    ]
    data = {
        "command": NAME,
        "law": name,
        "usage": found.best_score,
        "keeps_limits": found.keeps_limits,
        "binding_limit": found.binding_limit,
        "files": [str(file) for file in written],
    }
    if not found.keeps_limits:
        say(f"pathtrim: note: these gains of {name} do not keep every limit")
    deliver("\n".join(lines), data, as_json)
    if not found.keeps_limits:
        raise typer.Exit(BROKEN_LIMIT)


def _study(folder: Path, law: str) -> Study:
    """Read the study of a law from the folder that `tune` wrote, or from the study's own folder."""
    import tuning
    from tracks.errors import FileError

    if not folder.is_dir():
        raise FileError(
            folder, "", "there is no such folder", "the folder that `pathtrim tune` wrote", "check the name"
        )
    if not (folder / law).is_dir():
        if (folder / "study.json").is_file():
            found = tuning.Study.load(folder)
            if found.best.name == law:
                return found
        tuned = sorted(entry.parent.name for entry in folder.glob("*/study.json"))
        raise FileError(
            folder, "", f"holds no study of {law}", f"studies of {', '.join(tuned) or 'laws'}",
            f"run `pathtrim tune --law {law}` first, or name another law",
        )  # fmt: skip
    return tuning.Study.load(folder / law)


def _vehicle(folder: Path, given: Path | None) -> Vehicle | None:
    import tuning

    if given is not None:
        return tuning.Vehicle.load(given)
    for beside in (folder / "vehicle.toml", folder.parent / "vehicle.toml"):
        if beside.is_file():
            return tuning.Vehicle.load(beside)
    return None
