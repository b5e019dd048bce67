"""`pathtrim tune`: the best gains of laws for a vehicle on tracks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuning.command_line.options import AsJson, LimitsWord, Scale, ScenarioFile, Speed
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

if TYPE_CHECKING:
    from tuning import Study

__all__ = ["NAME", "SHORT", "command"]

NAME = "tune"
SHORT = "The best gains of laws for a vehicle on tracks."


def command(
    vehicle: Annotated[
        Path, typer.Option(metavar="FILE", help="Vehicle file (TOML), as `identify` writes it.")
    ],
    law: Annotated[
        list[str],
        typer.Option(metavar="NAME...", help="PurePursuit, Stanley, PreviewLQR or MPC; one or more."),
    ],
    track: Annotated[
        list[str],
        typer.Option(
            metavar="NAME-OR-FILE...",
            help="Course (offset-straight, double-lane-change, constant-radius, slalom, campus-loop) or track file; "
            "one or more.",
        ),
    ],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the studies, one a law, and the report.")
    ],
    speed: Speed = None,
    scale: Scale = 1.0,
    scenarios: ScenarioFile = None,
    limits: LimitsWord = None,
    candidates: Annotated[int, typer.Option(help="Of the sweep, for each law; a power of two.")] = 64,
    refine: Annotated[int, typer.Option(help="Candidates more, at most, around the best ones.")] = 60,
    workers: Annotated[int | None, typer.Option(help="Processes. Default: every core where it pays.")] = None,
    seed: Annotated[int, typer.Option(min=0, help="Of the sweep; the same seed finds the same gains.")] = 1,
    as_json: AsJson = False,
) -> None:
    """Find the gains that stay furthest from every limit, over all tracks and scenarios.

    The score of a candidate is its largest usage (measure / limit); 1 or less keeps every limit. Each track is driven in
    every scenario of --scenarios; by default in four: nominal, started off the path, with steering later than
    identified, with a noisy position.

    Example: pathtrim tune --vehicle vehicle.toml --law PurePursuit Stanley MPC --track double-lane-change campus-loop
    --out study
    """
    import tuning
    from tuning.command_line import inputs

    kinds = list(dict.fromkeys(inputs.law_kind(name) for name in law))
    car = tuning.Vehicle.load(vehicle)
    roads = inputs.tracks_from(track, speed, scale)
    bounds = inputs.limits_from(limits)
    drives = inputs.scenarios_from(scenarios, roads, car)
    inputs.output_folder(out)
    inputs.keep_others(
        {
            out / "vehicle.toml": inputs.VEHICLE_MARK,
            out / "report.html": inputs.REPORT_MARK,
            **{out / kind.__name__ / "study.json": '"pathtrim-study"' for kind in kinds},
        }
    )
    if caution := inputs.caution_on_fit(car, vehicle):
        say(caution)
    studies = []
    for kind in kinds:
        say(f"tuning {kind.__name__} on {', '.join(road.name for road in roads)} ...")
        study = tuning.tune(
            kind, car, roads, bounds, drives, candidates=candidates, refine=refine, seed=seed, workers=workers
        )
        study.save(out / kind.__name__)
        studies.append(study)
    car.save(out / "vehicle.toml")
    files = {f"{kind.__name__}/": f"study of {kind.__name__}: every candidate" for kind in kinds}
    files["vehicle.toml"] = "the vehicle that was tuned for"
    written = tuning.write_report(out / "report.html", vehicle=car, studies=studies, files=files)
    best = min(studies, key=lambda study: study.best_score)
    deliver(_text(studies, best, out), _data(studies, best, [str(file) for file in written], out), as_json)
    if not all(study.keeps_limits for study in studies):
        raise typer.Exit(BROKEN_LIMIT)


def _text(studies: list[Study], best: Study, out: Path) -> str:
    from tuning.report.sections import best_gains, edge_gains
    from tuning.text import number, spoken, text_table

    rows = []
    for study in studies:
        row: Any = study.best_row
        where = f"{spoken(study.binding_limit)} ({row['track']}, {row['scenario']})"
        gains = ", ".join(
            f"{spoken(name)} {number(value)} {study.gains[name].unit}".rstrip()
            for name, value in best_gains(study).items()
        )
        mark = "" if study.keeps_limits else " !"
        rows.append((study.best.name, f"{100.0 * study.best_score:.0f} %{mark}", where, gains))
    lines = [
        text_table(("law", "usage", "binding limit (track, scenario)", "best gains"), rows, words=(0, 2, 3)),
        "",
    ]
    for study in studies:
        for name in edge_gains(study):
            lines.append(
                f"{study.best.name}: {spoken(name)} stands at the edge of its range; see the report."
            )
    broken = [study.best.name for study in studies if not study.keeps_limits]
    lines.append(
        f"Not every limit is kept by {', '.join(broken)} (usage above 100 %)."
        if broken
        else "Every limit is kept."
    )
    lines.append(f"Written: {out}/ with report.html and one study a law.")
    lines.append(f"Next: pathtrim export {out} --law {best.best.name} --out {out}/export")
    return "\n".join(lines)


def _data(studies: list[Study], best: Study, files: list[str], out: Path) -> dict[str, Any]:
    from tuning.report.sections import best_gains, edge_gains

    laws = {}
    for study in studies:
        row: Any = study.best_row
        laws[study.best.name] = {
            "usage": study.best_score,
            "keeps_limits": study.keeps_limits,
            "binding_limit": study.binding_limit,
            "track": row["track"],
            "scenario": row["scenario"],
            "gains": best_gains(study),
            "gains_at_edge": edge_gains(study),
            "candidates": len(study.candidates),
            "seed": study.seed,
            "study": str(out / study.best.name),
        }
    return {"command": NAME, "laws": laws, "best": best.best.name, "files": files}
