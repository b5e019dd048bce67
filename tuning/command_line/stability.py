"""`pathtrim stability`: margins of laws on a vehicle, over speed and over a gain."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tuning.command_line.options import AsJson
from tuning.command_line.output import BROKEN_LIMIT, deliver, say

if TYPE_CHECKING:
    import numpy as np

    from tuning.stability import StabilityFindings, StabilityLimits

__all__ = ["NAME", "SHORT", "command"]

NAME = "stability"
SHORT = "Stability margins of laws, over speed and over a gain."

_SPEEDS = "2:20:37"
_MAP_COUNT = 40  # speeds and values of the map of a law that runs compiled
_MAP_COUNT_IN_PYTHON = 16  # of one in Python, whose answers are asked for one by one


def command(
    vehicle: Annotated[
        Path, typer.Option(metavar="FILE", help="Vehicle file (TOML), as `identify` writes it.")
    ],
    law: Annotated[
        list[str],
        typer.Option(
            metavar="NAME-OR-FILE...",
            help="Law by name with its default gains, parameter file, or study such as study/Stanley; one or more.",
        ),
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for tables, pictures and report.")],
    speeds: Annotated[
        str, typer.Option(metavar="LOW:HIGH[:COUNT]", help="Speeds that the loop must be good for, m/s.")
    ] = _SPEEDS,
    gain: Annotated[
        str | None,
        typer.Option(
            metavar="NAME[=LOW:HIGH[:COUNT]]",
            help="Gain of the map, in the law's own unit; `none` for no map. Default: the law's first.",
        ),
    ] = None,
    curvature: Annotated[float, typer.Option(help="Of the path, 1/m, + left: a steady curve.")] = 0.0,
    latency: Annotated[float, typer.Option(help="Age of a measured pose, s.")] = 0.0,
    latency_told: Annotated[
        bool, typer.Option("--latency-told", help="The tracker is told the age of the pose.")
    ] = False,
    extra_dead_time: Annotated[float, typer.Option(help="Of the steering, s, unknown to the tracker.")] = 0.0,
    compensation: Annotated[
        bool, typer.Option(help="Whether the tracker makes up for the dead time that it knows.")
    ] = True,
    period: Annotated[float, typer.Option(help="Between two commands, s.")] = 0.02,
    draws: Annotated[
        int, typer.Option(min=0, help="Vehicles drawn from the 95 % intervals in the vehicle file; 0: none.")
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Of the draws.")] = 1,
    gain_margin: Annotated[
        float, typer.Option(help="Least gain margin either way, dB; 0 asks for none.")
    ] = 6.0,
    phase_margin: Annotated[float, typer.Option(help="Least phase margin, deg; 0 asks for none.")] = 40.0,
    delay_margin: Annotated[float, typer.Option(help="Least delay margin, s; 0 asks for none.")] = 0.05,
    disk_margin: Annotated[float, typer.Option(help="Least disk margin, up to 2; 0 asks for none.")] = 0.0,
    as_json: AsJson = False,
) -> None:
    """Say how much gain, phase and delay each law stands on a vehicle before it is unstable, speed by speed.

    The loop is linearised about a steady drive and sampled exactly, with its dead time and the tracker's compensation in
    it. Exit status 1 means that a margin is smaller than asked for at some speed of the range. What limits of rate and
    grip do to large motions is for `compare` to show.

    Example: pathtrim stability --vehicle vehicle.toml --law PurePursuit study/Stanley --speeds 2:20 --out stability
    """
    import os

    # Matrices here are small: threads only wait for each other. Read when numpy is loaded, which nothing has done yet.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

    import tuning
    from tuning.command_line import inputs
    from tuning.stability import Setting, StabilityLimits, drawn_from_intervals
    from tuning.stability.over_speed import FASTEST, SLOWEST
    from tuning.stability.stability_map import gain_of

    named = inputs.named_laws(law)
    car = tuning.Vehicle.load(vehicle)
    at = _range("--speeds", speeds, least=SLOWEST, most=FASTEST)
    chosen, given = _gain_word(gain)
    limits = StabilityLimits.model_validate(
        {
            "gain_margin": gain_margin or None,
            "gain_reduction": gain_margin or None,
            "phase_margin": phase_margin or None,
            "delay_margin": delay_margin or None,
            "disk_margin": disk_margin or None,
        }
    )
    setting = Setting(
        car,
        period=period,
        compensate_dead_time=compensation,
        latency=latency,
        latency_told=latency_told,
        extra_dead_time=extra_dead_time,
    )
    for one in named.values() if chosen != "none" else ():
        gain_of(one, setting, chosen, given)
    vehicles = drawn_from_intervals(car, draws, seed) if draws else []
    inputs.output_folder(out)
    inputs.keep_others(
        {
            out / "report.html": inputs.REPORT_MARK,
            out / "margins.csv": "law,speed_m_s,",
            out / "stability.json": '"command": "stability"',
        }
    )
    if caution := inputs.caution_on_fit(car, vehicle):
        say(caution)
    if car.link.period or car.link.jitter:
        say(
            f"pathtrim: caution: the command link adds up to {1e3 * (car.link.period + car.link.jitter):.0f} ms that are not "
            "in these loops; hold them against the delay margin, or give --extra-dead-time"
        )
    found = [
        _examined(name, one, setting, at, chosen, given, curvature, vehicles, limits)
        for name, one in named.items()
    ]
    files, shown = _written(found, out)
    report = tuning.write_report(out / "report.html", vehicle=car, stability=found, files=shown)
    data = {
        **_data(found, limits),
        "files": [str(file) for file in [*report, *files, out / "stability.json"]],
    }
    _write_json(out, data)
    deliver(_text(found, out), data, as_json)
    if not all(one.keeps_limits for one in found):
        raise typer.Exit(BROKEN_LIMIT)


def _examined(
    name: str, law: Any, setting: Any, speeds: np.ndarray, gain: str | None, given: np.ndarray | None, curvature: float,
    vehicles: list[Any], limits: StabilityLimits,
) -> StabilityFindings:  # fmt: skip
    """Find the margins of one law, its map and what draws leave of them."""
    import numpy as np

    from tracker.laws.base import IN_PYTHON
    from tuning.stability import (
        StabilityFindings,
        map_of,
        margins_over_speed,
        robustness,
    )
    from tuning.stability.stability_map import gain_of

    say(f"margins of {name} at {speeds.size} speeds ...")
    over = margins_over_speed(law, setting, speeds, curvature=curvature, limits=limits, progress=True)
    mapped = None
    if gain != "none":
        which, _, logarithmic, values = gain_of(law, setting, gain, given)
        count = _MAP_COUNT_IN_PYTHON if law.kernel == IN_PYTHON else _MAP_COUNT
        if given is not None and given.size > 2:
            count = given.size
        spaced = np.geomspace if values[0] > 0.0 and (logarithmic or given is not None) else np.linspace
        values = spaced(values[0], values[-1], count)
        across = np.linspace(speeds[0], speeds[-1], count) if speeds.size > 1 else speeds
        mapped = map_of(law, setting, which, values, across, curvature=curvature, progress=True)
    spread = None
    if vehicles:
        some = speeds[np.unique(np.linspace(0, speeds.size - 1, min(speeds.size, 10)).round().astype(int))]
        spread = robustness(
            law, vehicles, some, setting=setting, curvature=curvature, limits=limits, progress=True
        )
    return StabilityFindings(name, over, mapped, spread)


def _range(
    option: str,
    word: str,
    count: int = 37,
    least: float = -math.inf,
    most: float = math.inf,
    example: str = "2:20:37",
) -> np.ndarray:
    """Read LOW:HIGH or LOW:HIGH:COUNT, within `least` and `most`."""
    import numpy as np

    from tracks.errors import InputError

    parts = word.split(":")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    whole = len(numbers) < 3 or (numbers[2].is_integer() and 2 <= numbers[2] <= 1000)
    if len(numbers) not in (2, 3) or not whole or not least <= numbers[0] < numbers[1] <= most:
        within = f" and both from {least:g} to {most:g}" if math.isfinite(most) else ""
        raise InputError(
            f"{option} received {word!r}",
            f"LOW:HIGH or LOW:HIGH:COUNT, low below high{within}, with a count from 2 to 1000",
            f"write for example {example}",
        )
    return np.linspace(numbers[0], numbers[1], int(numbers[2]) if len(numbers) == 3 else count)


def _gain_word(word: str | None) -> tuple[str | None, np.ndarray | None]:
    """Read NAME or NAME=LOW:HIGH."""
    if word is None:
        return None, None
    from tracks.errors import InputError

    name, equals, span = word.partition("=")
    name = name.strip()
    if not name:
        raise InputError(
            f"--gain received {word!r}",
            "NAME or NAME=LOW:HIGH, or none",
            "leave --gain out for the law's first gain",
        )
    return name, _range(f"--gain {name}", span, 2, example=f"{name}=0.5:4") if equals else None


def _written(found: list[StabilityFindings], out: Path) -> tuple[list[Path], dict[str, str]]:
    """Write the tables: give the files, and what the report says of them."""
    import pandas as pd

    from tuning.stability.tables import write_table

    whole = pd.concat([one.over_speed.to_frame().assign(law=one.name) for one in found], ignore_index=True)
    files = write_table(whole, out, "margins")
    shown = {"margins.csv, .parquet": "margins of every law at every speed"}
    for one in found:
        stem = "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in one.name)
        if one.map is not None:
            files += one.map.save(out, f"map-{stem}")
            shown[f"map-{stem}.csv, .parquet"] = f"margins of {one.name} over speed and {one.map.gain}"
            shown[f"map-{stem}-edge.csv"] = f"where {one.name} is at the edge of stability"
        if one.robustness is not None:
            files += one.robustness.save(out, f"draws-{stem}")
            shown[f"draws-{stem}.csv, .parquet"] = f"margins of {one.name} on every drawn vehicle"
    shown["stability.json"] = "the margins over speed for programs"
    return files, shown


def _write_json(out: Path, data: dict[str, Any]) -> None:
    from tracks.file_access import write_atomically
    from tuning.command_line.output import as_json_text

    write_atomically(out / "stability.json", as_json_text(data) + "\n")


def _data(found: list[StabilityFindings], limits: StabilityLimits) -> dict[str, Any]:
    laws = {}
    for one in found:
        over = one.over_speed
        name, usage = over.usages[over.worst]
        laws[one.name] = {
            "keeps_limits": one.keeps_limits,
            "stable": all(margins.stable for margins in over.found),
            "gains": {key: _plain(value) for key, value in over.law.gains.items()},
            "binding_limit": name,
            "usage": usage,
            "speed": one.shown_speed,
            "margins": over.to_frame().to_dict("records"),
        }
        if one.robustness is not None:
            laws[one.name]["draws"] = {
                "count": one.robustness.count,
                "speeds": one.robustness.speeds,
                "share_stable": one.robustness.share_stable,
                "share_with_margins": one.robustness.share_kept,
            }
    return {
        "command": NAME,
        "keeps_limits": all(one.keeps_limits for one in found),
        "limits": limits.active,
        "laws": laws,
    }


def _plain(value: Any) -> Any:
    return value.model_dump() if hasattr(value, "model_dump") else value


def _text(found: list[StabilityFindings], out: Path) -> str:
    from tuning.text import number, spoken, text_table

    rows = []
    for one in found:
        over = one.over_speed
        unstable = [v for v, m in zip(over.speeds, over.found, strict=True) if not m.stable]
        if unstable:
            where = (
                number(unstable[0])
                if len(unstable) == 1
                else f"{number(unstable[0])} to {number(unstable[-1])}"
            )
            rows.append((one.name, where, "unstable !", "", "", "", ""))
            continue
        least = {
            name: over.values(name) for name in ("gain_margin", "phase_margin", "delay_margin", "disk_margin")
        }
        name, usage = over.usages[over.worst]
        cells = [
            "any" if math.isinf(least[key].min()) else number(factor * float(least[key].min()))
            for key, factor in (("gain_margin", 1.0), ("phase_margin", 1.0), ("delay_margin", 1e3), ("disk_margin", 1.0))
        ]  # fmt: skip
        mark = " !" if usage > 1.0 else ""
        rows.append((one.name, number(one.shown_speed), f"{spoken(name)}{mark}", *cells))
    heads = ("law", "at m/s", "binding limit", "least gain dB", "phase deg", "delay ms", "disk")
    broken = [one.name for one in found if not one.keeps_limits]
    lines = [
        text_table(heads, rows, words=(0, 2)),
        "",
        f"Less margin than asked for: {', '.join(broken)}." if broken else "Every margin asked for is there.",
        f"Written: {out}/ with report.html, pictures, margins.csv and maps.",
    ]
    return "\n".join(lines)
