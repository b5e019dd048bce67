"""`pathtrim health`: whether drive logs are fit for identification."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

__all__ = ["NAME", "SHORT", "command"]

NAME = "health"
SHORT = "Whether drive logs can be trusted, and what they can tell."


def command(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help="Drive logs, as for identify.")],
    channels: Annotated[
        Path,
        typer.Option(
            metavar="FILE", help="Channel file (TOML): which column is which quantity, in which unit."
        ),
    ],
    known: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VALUE", help="What you know, in SI units, as wheelbase=2.9; repeat for more."
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Report to write (HTML).")] = None,
    as_json: AsJson = False,
) -> None:
    """Check the channels of drive logs against physics, and say what was driven and what it can tell, before any fit.

    Signs, units, delays, frames and faults of sensors are said in plain words; nothing is repaired. Exit status 1 means that
    a doubt stands: do not fit these logs before it is cleared.

    Example: pathtrim health drive1.csv drive2.csv --channels channels.toml --known wheelbase=3.4 --out health.html
    """
    import tuning
    from tuning.command_line import inputs

    files = [inputs.drive_files(log) for log in logs]
    if out is not None:
        inputs.output_file(out, [channels, *(file for drive in files for file in drive)], report=True)
    values = inputs.known_values(known or [])
    mapped = tuning.Channels.load(channels)
    drives = [tuning.read_log(drive, mapped) for drive in files]
    say(f"examining {sum(log.duration for log in drives):.0f} s of driving from {len(drives)} log(s) ...")
    health = tuning.examine(drives, known=values)
    written = tuning.write_report(out, health=health, pictures=False) if out is not None else []
    lines = [health.text()]
    if written:
        lines.append(f"Written: {out}")
    if health.trusted:
        lines.append(
            f"Next: pathtrim identify {' '.join(logs)} --channels {channels} "
            f"{''.join(f'--known {value} ' for value in known or [])}--out vehicle.toml"
        )
    deliver(
        "\n".join(lines),
        {"command": NAME, **health.data(), "files": [str(file) for file in written]},
        as_json,
    )
    if not health.trusted:
        raise typer.Exit(BROKEN_LIMIT)
