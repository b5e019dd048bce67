"""From drive logs to the longitudinal side of a vehicle alone, where the logs say little or nothing of its steering."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tracks.errors import InputError
from tuning.identification.draws import Drawing
from tuning.identification.holding_out import split
from tuning.identification.known import TABLES, refusals_in_words, resolve
from tuning.identification.outcome import agreements, outcome_of
from tuning.identification.plausible import doubts_of_fit, unjudged
from tuning.identification.records import gather
from tuning.identification.result import Identified, Row, covariance_of, rows_of
from tuning.identification.speed_fit import SpeedFit, fit_speed
from tuning.identification.speeds import check_moving, moving_threshold, with_speed
from tuning.identification.traces import speed_traces_of
from tuning.logs.log import Log
from tuning.vehicle import Vehicle
from tuning.vehicle.tables import Provenance, is_refinement

__all__ = ["identify_drive"]


@refusals_in_words()
def identify_drive(
    logs: Log | Sequence[Log],
    known: Mapping[str, Any] | None = None,
    validate: Sequence[Log] | None = None,
    starts: int = 3,
    seed: int = 0,
    name: str = "",
) -> Identified:
    """Find drive, brake and resistance of a vehicle from logs that need hold no steering, as `identify` does.

    Args:
        logs: drives with a speed, and a `speed_command` or a `throttle_command` (with a `brake_command` where it has
            been used).
        known: values that need not be found, by field name or dotted name, SI; among them the wheelbase, which every
            vehicle file holds, and where it is known the mass, without which air drag is left out.
        validate: drives to judge by; otherwise some whole logs, or a stretch of a single one, are held out, and the
            values fitted once more to all of the driving.
        starts: first guesses followed to the end.
        seed: of the starts and of the drawing of held-out logs.
        name: of the vehicle, for its file.

    Raises:
        InputError: the logs hold no command of drive and brake, hardly ask anything of them, or never move.
    """
    drives = [logs] if isinstance(logs, Log) else list(logs)
    values = resolve(known)
    command = _command([*drives, *(validate or ())], values)
    findings = [f"{log.name}: {text}" for log in drives for text in log.findings]
    drives = [with_speed(log, findings) for log in drives]
    others = [with_speed(log, findings) for log in validate] if validate is not None else None
    check_moving(drives)
    fitted, held, words = split(drives, others, command, seed)
    threshold = moving_threshold(drives)
    vehicle = _vehicle(values, command)
    first: list[str] = findings if others is not None else []
    recording = gather(fitted, command, threshold, first)
    found = _fitted(fit_speed(recording, vehicle, values, starts, seed, first))
    traces = speed_traces_of(found, gather(held, command, threshold, []))
    if others is None:
        recording = gather(drives, command, threshold, findings)
        found = _fitted(fit_speed(recording, vehicle, values, 1, seed, findings, found.values))
    training = speed_traces_of(found, recording)
    doubts = doubts_of_fit(traces, training, unjudged(traces, training, ()))
    findings[:0] = doubts
    rows = rows_of(found.problem.unknowns, found.estimate, {})
    names, matrix = covariance_of(found.problem.unknowns, *found.estimate.found)
    vehicle, more = _assembled(vehicle, found, values, rows, agreements(traces), drives, name, findings)
    return outcome_of(
        vehicle, rows, more, (names, matrix), traces, training, others is not None, words, findings, doubts,
        Drawing(None, found),
    )  # fmt: skip


def _command(logs: Sequence[Log], known: Mapping[str, Any]) -> str:
    if not logs:
        raise InputError("identify_drive was given no log", "one or more", "read a drive with read_log")
    if "body.wheelbase" not in known:
        raise InputError(
            "known does not give the wheelbase",
            "body.wheelbase in m, which every vehicle file holds",
            "give known={'wheelbase': ...}",
        )
    for command in ("speed_command", "throttle_command"):
        if all(log.has(command) for log in logs):
            return command
    raise InputError(
        "the logs do not all hold the same command of the drive",
        "speed_command in every log, or throttle_command in every log",
        "add the table to the channel file, or identify these logs apart",
    )


def _vehicle(known: Mapping[str, Any], command: str) -> Vehicle:
    tables: dict[str, dict[str, Any]] = {"body": {}, "steering": {}, "drive": {}}
    for dotted, value in known.items():
        table, field = dotted.split(".")
        tables.setdefault(table, {})[field] = value
    if command == "throttle_command":
        tables["drive"]["interface"] = "positions"
    return Vehicle.model_validate(tables)


def _fitted(found: SpeedFit | None) -> SpeedFit:
    if found is None:
        raise InputError(
            "the logs hardly ask anything of drive and brake",
            "a drive with changes of speed, by speed command, throttle or brake",
            "check columns, units and signs of the commands in the channel file",
        )
    return found


def _assembled(
    vehicle: Vehicle,
    found: SpeedFit,
    known: Mapping[str, Any],
    rows: Sequence[Row],
    fit: Mapping[str, Mapping[str, float]],
    logs: Sequence[Log],
    name: str,
    findings: Sequence[str],
) -> tuple[Vehicle, list[Row]]:
    """Give the vehicle with its provenance, and the rows of the table for what was known or assumed."""
    changes = found.vehicle_values()
    given = {**known, **changes}
    assumed = [
        f"{table}.{field}"
        for table in ("steering", "drive")
        for field, described in TABLES[table].model_fields.items()
        if f"{table}.{field}" not in given
        and not is_refinement(TABLES[table], field)
        and isinstance(described.default, float)
    ]
    present = {row.name for row in rows}
    extra = [_row(dotted, known[dotted], "known") for dotted in known if dotted not in present]
    extra += [_row(n, v, "derived") for n, v in changes.items() if n not in {*present, *known}]
    final = vehicle.replace(**changes)
    extra += [_row(n, getattr(getattr(final, n.split(".")[0]), n.split(".")[1]), "assumed") for n in assumed]
    provenance = Provenance(
        name=name,
        source=", ".join(log.name for log in logs),
        date=datetime.date.today().isoformat(),
        notes=" ".join(f"{text}." for text in findings),
        assumed=(*assumed, *(row.name for row in rows if row.status == "not seen")),
        intervals={
            r.name: (r.low, r.high) for r in rows if np.isfinite(r.low + r.high) and r.status != "not seen"
        },
        fit={
            f"{output}_{m}": float(numbers[m])
            for output, numbers in fit.items()
            for m in ("fit_percent", "rmse")
        },
    )
    return final.replace(provenance=provenance), [row for row in extra if isinstance(row.value, float)]


def _row(dotted: str, value: Any, status: str) -> Row:
    table, field = dotted.split(".")
    extra = TABLES[table].model_fields[field].json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    return Row(dotted, value, unit, np.nan, np.nan, np.nan, status)
