"""`pathtrim demo`: the whole main job on the shipped data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

__all__ = ["NAME", "SHORT", "command"]

NAME = "demo"
SHORT = "The whole job on shipped data, in about a minute."


def command(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for everything the demo writes.")] = Path(
        "pathtrim-demo"
    ),
    workers: Annotated[int | None, typer.Option(help="Processes. Default: every core where it pays.")] = None,
    as_json: AsJson = False,
) -> None:
    """Take an invented campus shuttle from drive logs to tuned laws, a comparison, exported parameters and a report.

    Writes the logs and every file that a project of your own would have, so that the other commands can be tried on
    them. Takes a little more than a minute the first time, when equations are compiled, and half a minute after that.

    Example: pathtrim demo --out demo
    """
    from tuning.command_line import inputs
    from tuning.demo.demo import run_demo

    inputs.output_folder(out)
    result = run_demo(out, workers=workers, say=say)
    deliver(result.text(), result.data(), as_json)
    if not result.comparison.keeps_limits:
        raise typer.Exit(BROKEN_LIMIT)
