"""`pathtrim identify`: drive logs to a vehicle file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

if TYPE_CHECKING:
    from tuning import Identified

__all__ = ["NAME", "SHORT", "command", "identified_data"]

NAME = "identify"
SHORT = "Drive logs to a vehicle file."


def command(
    logs: Annotated[
        list[str],
        typer.Argument(
            metavar="LOG...",
            help="Drive logs: CSV, Parquet, MDF or MCAP. Files of one drive are joined by +: imu.csv+commands.csv.",
        ),
    ],
    channels: Annotated[
        Path,
        typer.Option(
            metavar="FILE", help="Channel file (TOML): which column is which quantity, in which unit."
        ),
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Vehicle file to write.")] = Path("vehicle.toml"),
    known: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VALUE", help="What you know, in SI units, as wheelbase=2.9; repeat for more."
        ),
    ] = None,
    prior: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=MEAN:SD",
            help="What you know within limits: mean and standard deviation, SI, as wheelbase=2.9:0.05.",
        ),
    ] = None,
    validate: Annotated[
        list[str] | None,
        typer.Option(metavar="LOG", help="Log to judge the fit by; repeat for more. Default: part of LOG..."),
    ] = None,
    model: Annotated[
        str, typer.Option(help="kinematic, single-track, or auto: whichever foretells better.")
    ] = "auto",
    name: Annotated[str, typer.Option(help="Name of the vehicle, for its file and reports.")] = "",
    seed: Annotated[
        int, typer.Option(min=0, help="Of the first guesses; the same seed finds the same values.")
    ] = 0,
    as_json: AsJson = False,
) -> None:
    """Find out how the vehicle answers its commands: drive logs to a vehicle file, with a report on the fit beside it.

    The logs need time (s), a steering command (curvature 1/m, an angle, or a number without a unit), a speed, and a yaw
    rate or heading; a measured steering angle makes the answer sharper. Drive steps and sweeps, both ways, at several
    speeds. Each LOG is a drive of its own; files recorded side by side on one drive are joined by +.

    Example: pathtrim identify drive1.csv drive2.csv --channels channels.toml --known wheelbase=3.4 --out vehicle.toml
    """
    import tuning
    from tuning.command_line import inputs

    report = out.with_name(f"{out.stem}-fit.html")
    files = [inputs.drive_files(log) for log in logs]
    held_files = [inputs.drive_files(log) for log in validate or []]
    inputs.output_file(out, [channels, *(file for drive in (*files, *held_files) for file in drive)])
    inputs.keep_others({report: inputs.REPORT_MARK})
    values = inputs.known_values(known or [])
    mapped = tuning.Channels.load(channels)
    drives = [tuning.read_log(drive, mapped) for drive in files]
    held = [tuning.read_log(drive, mapped) for drive in held_files] or None
    say(f"fitting {sum(log.duration for log in drives):.0f} s of driving from {len(drives)} log(s) ...")
    found = tuning.identify(
        drives,
        known=values,
        validate=held,
        model=inputs.model_name(model),
        seed=seed,
        name=name,
        prior=inputs.prior_values(prior or []),
    )
    health = tuning.examine([*drives, *(held or [])], known=values)
    written = tuning.write_report(
        report, found=found, health=health, files={out.name: "the vehicle file"}, pictures=False
    )
    found.vehicle.save(out)
    lines = [
        found.table(),
        "",
        f"Written: {out} and {report} (open it before you trust the values).",
    ]
    trusted = found.trusted
    if trusted:
        lines.append(
            f"Next: pathtrim tune --vehicle {out} --law PurePursuit Stanley MPC --track double-lane-change --out study"
        )
    else:
        say(f"pathtrim: caution: {found.verdict}")
        for text in (*found.doubts, *(f"drive next, {advice}" for advice in found.advice)):
            say(f"  ! {text}")
    deliver(
        "\n".join(lines),
        {**identified_data(found), "trusted": trusted, "files": [str(out), *map(str, written)]},
        as_json,
    )
    if not trusted:
        raise typer.Exit(BROKEN_LIMIT)


def identified_data(found: Identified) -> dict[str, Any]:
    """Give an identification as plain values."""
    return {
        "command": NAME,
        "parameters": {str(name): row for name, row in found.parameters.to_dict("index").items()},
        "validation": found.validation,
        "training": found.training,
        "held_out": found.held_out,
        "verdict": found.verdict,
        "undetermined": list(found.undetermined),
        "advice": list(found.advice),
        "doubts": list(found.doubts),
        "findings": list(found.findings),
        "model": found.vehicle.model_name,
    }
