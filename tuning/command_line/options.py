"""Options that several commands have in common, so that they mean the same and read the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["AsJson", "LimitsWord", "Scale", "ScenarioFile", "Speed"]

AsJson = Annotated[bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")]
Speed = Annotated[float | None, typer.Option(help="Top speed on the courses, m/s. Default: their own.")]
Scale = Annotated[float, typer.Option(help="Size of the courses: 0.1 for a car of a tenth of full size.")]
LimitsWord = Annotated[
    str | None, typer.Option(metavar="FILE", help="Limits file (TOML), or `gentle` for riders who stand.")
]
ScenarioFile = Annotated[
    Path | None,
    typer.Option(
        "--scenarios",
        metavar="FILE",
        help="Scenario file (TOML): circumstances of the drives, and what happens on the way. Default: four scenarios.",
    ),
]
