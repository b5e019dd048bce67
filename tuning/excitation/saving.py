"""A plan as files: commands to play back, a channel file for the logs to come, pictures of the ground, and a card."""

from __future__ import annotations

import re
from html import escape
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

import numpy as np

from tracks.file_access import make_folder, write_atomically
from tuning.excitation.picture import drive_picture
from tuning.excitation.text import CAUTIONS, DRIVE_HEAD, VALUE_HEAD, drive_rows, plan_text, value_rows
from tuning.identification.advice import advice_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuning.excitation.drives import Drive
    from tuning.excitation.plan import ExcitationPlan

__all__ = ["channel_file", "command_table", "file_name", "save_plan"]

_MARK = '<meta name="generator" content="pathtrim">'
_STYLE = (
    "body{font-family:sans-serif;max-width:64em;margin:2em auto;padding:0 1em;color:#1c2430;line-height:1.4}"
    "table{border-collapse:collapse;margin:1em 0}td,th{padding:.25em .7em;border-bottom:1px solid #d5dae1;"
    "text-align:right}td:first-child,th:first-child{text-align:left}img{width:100%}"
    ".caution{background:#fbe9dd;padding:.6em 1.4em}h2{margin-top:2em}@media print{section{break-inside:avoid}}"
)
# What a logger records, by quantity: the unit, and what it is.
_MEASURED = {
    "speed": ("m/s", "of the middle of the rear axle"),
    "yaw_rate": ("rad/s", "positive to the left"),
    "steering_angle": ("rad", "of the road wheels, positive to the left"),
    "lateral_acceleration": ("m/s^2", "positive to the left"),
}


def save_plan(plan: ExcitationPlan, folder: FilePath) -> list[FilePath]:
    """Write everything of a plan into a folder, which is made; give the files."""
    make_folder(folder)
    written: dict[str, str | bytes] = {
        "plan.txt": plan_text(plan) + "\n",
        "channels.toml": channel_file(plan),
    }
    names = []
    for number, (drive, ground) in enumerate(zip(plan.drives, plan.grounds, strict=True), start=1):
        name = file_name(number, drive)
        names.append(name)
        written[f"{name}.csv"] = command_table(drive, plan.interface)
        written[f"{name}.png"] = drive_picture(drive, ground, plan.space, plan.size)
    written["card.html"] = _card(plan, names)
    for name, content in written.items():
        write_atomically(folder / name, content)
    return [folder / name for name in written]


def file_name(number: int, drive: Drive) -> str:
    """Give the name of a drive's files without suffix: "03_steps_at_5.2_m_s_pass_1_of_2"."""
    return f"{number:02d}_{re.sub(r'[^a-zA-Z0-9.]+', '_', drive.name)}"


def command_table(drive: Drive, interface: str) -> str:
    """Give the commands of a drive as CSV with units in the header, one row every 0.02 s."""
    steering = ("curvature_command [1/m]", drive.curvature_command)
    if drive.steering_command is not None:
        unit = "rad" if interface == "angle" else "-"
        steering = (f"steering_command [{unit}]", drive.steering_command)
    columns = {
        "time [s]": (drive.time, 3),
        steering[0]: (steering[1], 6),
        "speed_command [m/s]": (drive.speed_command, 4),
        "acceleration_command [m/s^2]": (drive.acceleration_command, 4),
    }
    rows = zip(
        *([f"{x + 0.0:.{places}f}" for x in np.round(v, places)] for v, places in columns.values()),
        strict=True,
    )
    return "\n".join([",".join(columns), *(",".join(row) for row in rows)]) + "\n"


def channel_file(plan: ExcitationPlan) -> str:
    """Give a channel file (TOML) for the logs of these drives: commands as in the CSVs, measurements to be renamed."""
    lines = [
        "# Channel file for logs of these drives: which column is which quantity, in which unit.",
        "# Columns of the commands are named as in the command files; correct the others to what your logger writes.",
        "# Axes of ISO 8855: positive to the left; scale = -1.0 turns a sign.",
    ]
    lines += _channel("time", "time [s]", "s", "")
    if plan.interface == "curvature":
        lines += _channel("curvature_command", "curvature_command [1/m]", "1/m", "")
    elif plan.interface == "angle":
        lines += _channel("steering_command", "steering_command [rad]", "rad", "")
    else:
        lines += _channel("steering_command", "steering_command [-]", "", "")
    lines += _channel("speed_command", "speed_command [m/s]", "m/s", "")
    lines += _channel("acceleration_command", "acceleration_command [m/s^2]", "m/s^2", "")
    for name in ("speed", *plan.outputs):
        unit, what = _MEASURED[name]
        lines += _channel(name, f"{name} [{unit}]", unit, what)
    return "\n".join(lines) + "\n"


def _channel(name: str, column: str, unit: str, what: str) -> list[str]:
    note = f"  # {what}; correct the column's name" if what else ""
    return ["", f"[{name}]{note}", f'column = "{column}"', *([f'unit = "{unit}"'] if unit else [])]


def _card(plan: ExcitationPlan, names: Sequence[str]) -> str:
    runs = sum(drive.repeats for drive in plan.drives)
    parts = [
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'>{_MARK}<title>Excitation plan</title>"
        f"<style>{_STYLE}</style></head><body><h1>Excitation plan</h1>",
        f"<p>{runs} drives of together {plan.duration:.0f} s, each from standstill to standstill, in a space of "
        f"{plan.space.length:g} m by {plan.space.width:g} m; the whole vehicle keeps {plan.space.margin:g} m from its edge. "
        f"Top speed {plan.limits.speed:g} m/s, lateral acceleration at most {plan.limits.lateral_acceleration:g} m/s&sup2;, "
        "for the planned vehicle and for every variant that was reckoned with.</p>",
        "<div class='caution'><p><b>Before anything moves</b></p><ul>",
        *(f"<li>{escape(text)}</li>" for text in CAUTIONS),
        "</ul></div><h2>Drives</h2>",
        "<p>The start mark is where the middle of the rear axle stands: m from the near end, m to the left of the middle "
        "line. Run-up and stop are the longest of all variants.</p>",
        _html_table(DRIVE_HEAD, drive_rows(plan)),
        "<h2>What they will tell</h2>",
        "<p>Expected 95 % half-widths: of the planned vehicle; and for the worst variant with a factor of caution, since "
        "residuals hold more than noise. Needed widths are judgements of common practice, no source.</p>",
        _html_table(VALUE_HEAD, value_rows(plan)),
        "<ul>",
        *(f"<li>{escape(text)}</li>" for text in (*plan.findings, *advice_for(plan.undetermined))),
        "</ul>",
    ]
    for number, (name, drive) in enumerate(zip(names, plan.drives, strict=True), start=1):
        times = f", {drive.repeats} times" if drive.repeats > 1 else ""
        parts.append(
            f"<section><h2>{number}. {escape(drive.name)}{times}</h2><p>Commands: <code>{escape(name)}.csv</code></p>"
            f"<img src='{escape(name)}.png' alt='ground and commands of {escape(drive.name)}'></section>"
        )
    return "\n".join([*parts, "</body></html>"]) + "\n"


def _html_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    cells = "".join(f"<th>{escape(c)}</th>" for c in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><tr>{cells}</tr>{body}</table>"
