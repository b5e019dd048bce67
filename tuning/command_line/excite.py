"""`pathtrim excite`: drives that show how the vehicle answers, for the ground that there is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

if TYPE_CHECKING:
    from tuning import ExcitationPlan, Vehicle

__all__ = ["NAME", "SHORT", "command", "plan_data"]

NAME = "excite"
SHORT = "Drives that show how the vehicle answers, for the ground that there is."


def command(
    length: Annotated[float, typer.Option(help="Of the free ground, m.")],
    width: Annotated[float, typer.Option(help="Of the free ground, m.")],
    speed: Annotated[float, typer.Option(help="Top speed, m/s.")],
    lateral_acceleration: Annotated[float, typer.Option(help="Limit, m/s².")],
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for commands, channel file, pictures and card.")
    ],
    vehicle: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Vehicle file: what is known or guessed so far.")
    ] = None,
    wheelbase: Annotated[
        float | None, typer.Option(help="Instead of a vehicle file, m; the rest is usual values.")
    ] = None,
    mass: Annotated[float | None, typer.Option(help="With --wheelbase, kg.")] = None,
    vehicle_width: Annotated[float | None, typer.Option(help="With --wheelbase, over the body, m.")] = None,
    margin: Annotated[
        float, typer.Option(help="That the vehicle keeps from the edge of the ground, m.")
    ] = 2.0,
    steering_rate: Annotated[
        float | None, typer.Option(help="Limit of the road wheels, rad/s. Default: the vehicle's own.")
    ] = None,
    needed: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="Value that must show, as steering.dead_time; repeat. Default: all."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Plan the fewest drives that determine what tuning needs, inside a given space and within limits.

    Each drive is simulated for the vehicle and for what it may turn out to be; none leaves the space or exceeds a limit.
    Drive on a closed course, with a trained safety driver and a working stop device; local codes and licensed
    practice come first.

    Example: pathtrim excite --wheelbase 3.4 --length 120 --width 20 --speed 8 --lateral-acceleration 2 --out plan
    """
    import tuning
    from tuning.command_line import inputs

    car = _vehicle(vehicle, wheelbase, mass, vehicle_width)
    inputs.output_folder(out)
    inputs.keep_others({out / "card.html": inputs.REPORT_MARK})
    space = tuning.Space(length, width, margin)
    say("simulating drives ...")
    plan = tuning.plan_excitation(
        car, space, speed, lateral_acceleration, needed or None, steering_rate=steering_rate
    )
    written = plan.save(out)
    text = (
        f"{plan.table()}\n\nWritten: {out}/ with card.html (open it first), command files and channels.toml."
    )
    deliver(text, {**plan_data(plan), "files": [str(file) for file in written]}, as_json)
    if plan.undetermined:
        say(f"pathtrim: caution: the best plan that fits leaves open: {', '.join(plan.undetermined)}")
        raise typer.Exit(BROKEN_LIMIT)


def plan_data(plan: ExcitationPlan) -> dict[str, Any]:
    """Give a plan as plain values."""
    drives = [
        {
            "name": drive.name,
            "repeats": drive.repeats,
            "seconds": drive.duration,
            "start": ground.start,
            "box": ground.box,
            "run_up": ground.run_up,
            "stopping": ground.stopping,
            "peaks": ground.peaks,
        }
        for drive, ground in zip(plan.drives, plan.grounds, strict=True)
    ]
    values = {
        name: {"half_width": wide, "needed": need, "determined": wide <= need}
        for name, (wide, need) in plan.expected.items()
    }
    return {
        "command": NAME,
        "drives": drives,
        "values": values,
        "undetermined": list(plan.undetermined),
        "findings": list(plan.findings),
    }


def _vehicle(file: Path | None, wheelbase: float | None, mass: float | None, width: float | None) -> Vehicle:
    import tuning
    from tracks.errors import InputError

    if (file is None) == (wheelbase is None):
        raise InputError(
            f"excite was given {'neither' if file is None else 'both'} of --vehicle and --wheelbase",
            "one of the two",
            "give a vehicle file, or the wheelbase in m",
        )
    if file is not None:
        if mass is not None or width is not None:
            raise InputError(
                "--mass or --vehicle-width stands beside --vehicle",
                "these only with --wheelbase",
                "put them into the vehicle file",
            )
        return tuning.Vehicle.load(file)
    body = {"wheelbase": wheelbase, "mass": mass, "width": width}
    return tuning.Vehicle.model_validate({"body": body})
