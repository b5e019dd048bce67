"""`pathtrim compare`: laws beside each other on the same drives."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuning.command_line.options import AsJson, LimitsWord, Scale, ScenarioFile, Speed
from tuning.command_line.output import BROKEN_LIMIT, as_json_text, deliver, say

if TYPE_CHECKING:
    from tuning import Comparison

__all__ = ["NAME", "SHORT", "command", "comparison_data", "write_tables"]

NAME = "compare"
SHORT = "Laws beside each other on the same drives."


def command(
    laws: Annotated[
        list[str],
        typer.Argument(
            metavar="LAW-OR-FILE...",
            help="Parameter files, studies such as study/MPC, or PurePursuit, Stanley, PreviewLQR, MPC with default "
            "gains.",
        ),
    ],
    vehicle: Annotated[
        Path, typer.Option(metavar="FILE", help="Vehicle file (TOML) of the vehicle that drives.")
    ],
    track: Annotated[
        list[str], typer.Option(metavar="NAME-OR-FILE", help="Course or track file; repeat --track for more.")
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for table, pictures and report.")],
    speed: Speed = None,
    scale: Scale = 1.0,
    scenarios: ScenarioFile = None,
    limits: LimitsWord = None,
    workers: Annotated[int | None, typer.Option(help="Processes for laws that run in Python.")] = None,
    as_json: AsJson = False,
) -> None:
    """Drive each law on each track in every scenario, and put the results in one table.

    What happens on the way (stop demands, take-overs, lost links ... of a --scenarios file) has a table of its own.

    Example: pathtrim compare --vehicle vehicle.toml --track double-lane-change --track campus-loop
    study/Stanley export/parameters.json --out comparison
    """
    import tuning
    from tuning.command_line import inputs

    named = inputs.named_laws(laws)
    car = tuning.Vehicle.load(vehicle)
    roads = inputs.tracks_from(track, speed, scale)
    bounds = inputs.limits_from(limits)
    drives = inputs.scenarios_from(scenarios, roads, car)
    inputs.output_folder(out)
    inputs.keep_others(
        {
            out / "report.html": inputs.REPORT_MARK,
            out / "comparison.csv": "law,track,scenario,",
            out / "events.csv": "law,track,scenario,number,event,",
            out / "comparison.json": '"command": "compare"',
        }
    )
    if caution := inputs.caution_on_fit(car, vehicle):
        say(caution)
    for name, law in named.items():
        if law.response is None:
            say(f"pathtrim: note: {name} drives with gains that were not tuned for this vehicle")
        elif law.response != car.response:
            say(
                f"pathtrim: note: {name} was tuned for another vehicle than {vehicle}; it drives as it was exported"
            )
    say(f"driving {', '.join(named)} on {', '.join(road.name for road in roads)} ...")
    comparison = tuning.compare(named, car, roads, drives, limits=bounds, workers=workers)
    files = {"comparison.csv": "every measure of every run", "comparison.json": "the same for programs"}
    if len(comparison.events):
        files["events.csv"] = "what became of every event of every run"
    written = tuning.write_report(out / "report.html", vehicle=car, comparison=comparison, files=files)
    written += write_tables(comparison, out)
    data = {**comparison_data(comparison), "files": [str(file) for file in written]}
    verdict = (
        "Every limit is kept." if comparison.keeps_limits else "Not every limit is kept (usage above 100 %)."
    )
    text = "\n".join(
        [
            comparison.text().rstrip(),
            "",
            verdict,
            f"Written: {out}/ with report.html, pictures and comparison.csv.",
        ]
    )
    deliver(text, data, as_json)
    if not comparison.keeps_limits:
        raise typer.Exit(BROKEN_LIMIT)


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """Give a comparison as plain values."""
    return {
        "command": NAME,
        "keeps_limits": comparison.keeps_limits,
        "worst": comparison.worst.to_dict("records"),
        "runs": comparison.table.to_dict("records"),
        "events": comparison.events.to_dict("records"),
        "limits": comparison.limits.active,
    }


def write_tables(comparison: Comparison, folder: Path) -> list[Path]:
    """Write the tables of a comparison as CSV and as JSON; give the files."""
    from tracks.file_access import write_atomically

    written = {"comparison.csv": comparison.table.to_csv(index=False, lineterminator="\n")}
    if len(comparison.events):
        written["events.csv"] = comparison.events.to_csv(index=False, lineterminator="\n")
    else:
        (folder / "events.csv").unlink(missing_ok=True)  # of an earlier comparison: not of these runs
    written["comparison.json"] = as_json_text(comparison_data(comparison)) + "\n"
    for name, text in written.items():
        write_atomically(folder / name, text)
    return [folder / name for name in written]
