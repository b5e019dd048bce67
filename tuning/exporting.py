"""Hand the chosen law over to the vehicle's software: parameters, their schema, and what to know about them."""

from __future__ import annotations

import math
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

from tracker.laws import LAWS, Law
from tracker.parameters import CAUTIONS, as_json, document, schema
from tracks.file_access import make_folder, write_atomically

if TYPE_CHECKING:
    from tuning.search import Study
    from tuning.vehicle import Vehicle

__all__ = ["export"]

PARAMETERS, SCHEMA, NOTES = "parameters.json", "parameters.schema.json", "README.txt"


def export(
    law: Law, directory: str | FilePath, vehicle: Vehicle | None = None, study: Study | None = None
) -> list[FilePath]:
    """Write `parameters.json`, its JSON Schema and a README.txt into a folder, which is made where it is missing.

    Every file is written whole or not at all, and the parameters last.

    Args:
        law: with its gains.
        directory: the folder.
        vehicle: whose response the file carries where the law carries none; its interface is explained.
        study: that found the gains; noted as their provenance.

    Returns:
        The files written, parameters first.
    """
    others = cautions(law, vehicle, study)
    content = document(law, vehicle, _provenance(vehicle, study), others)
    parameters = as_json(content)
    own = {} if law.name in LAWS else {law.name: type(law)}
    texts = {
        NOTES: _notes(law, content, vehicle, others),
        SCHEMA: as_json(schema(own)),
        PARAMETERS: parameters,
    }
    folder = make_folder(directory)
    for name, text in texts.items():
        write_atomically(folder / name, text)
    return [folder / name for name in (PARAMETERS, SCHEMA, NOTES)]


def cautions(law: Law, vehicle: Vehicle | None, study: Study | None) -> list[str]:
    """Say what is doubtful about these gains, one sentence each; empty where nothing is."""
    found = []
    if law.response is None and vehicle is None:
        found.append("No vehicle is known: dead time, lag and limits are those of an ideal vehicle.")
    if vehicle is not None and law.response is not None and law.response != vehicle.response:
        found.append("The gains were chosen for another vehicle than the one named in the export.")
    if study is not None and study.best_score > 1.0:
        found.append(
            f"The tuning did not keep every limit: {study.binding_limit} stands at "
            f"{100.0 * study.best_score:.0f} % of its limit."
        )
    if vehicle is not None and vehicle.provenance.assumed:
        found.append(f"Not identified but assumed: {', '.join(vehicle.provenance.assumed)}.")
    return found


def _provenance(vehicle: Vehicle | None, study: Study | None) -> dict[str, Any]:
    from importlib.metadata import version

    content: dict[str, Any] = {"written_by": f"pathtrim {version('pathtrim')}"}
    if vehicle is not None:
        content["vehicle"] = vehicle.provenance.name
        content["interface"] = vehicle.steering.interface
    if study is not None:
        content["study"] = study.provenance()
    return content


def _notes(law: Law, content: dict[str, Any], vehicle: Vehicle | None, others: list[str]) -> str:
    described = {name: field.description or "" for name, field in type(law).model_fields.items()}
    gains = [f"  {name} = {value}  ({described.get(name, '')})" for name, value in content["gains"].items()]
    parts = [
        f"Parameters of the path-tracking law {law.name}",
        "Read first:\n" + "\n".join(f"  - {text}" for text in (*CAUTIONS, *others)),
        "Gains (parameters.json; parameters.schema.json is its JSON Schema, draft 2020-12):\n"
        + "\n".join(gains),
        "Units and signs: SI units and radians. Axes of ISO 8855: x forward, y left, z up. Curvature, steering\n"
        "angle, lateral error and yaw rate are positive to the left. The pose is that of the middle of the rear\n"
        "axle. Steering angles are road-wheel angles of the equivalent single front wheel.",
        "In:  time s, x m, y m, heading rad, speed m/s, yaw rate rad/s, steering angle rad.\n"
        "Out: curvature 1/m, speed m/s, acceleration m/s², at the same rate as the gains were tuned at (50 Hz).",
        _interface(content, vehicle),
    ]
    return "\n\n".join(parts) + "\n"


def _interface(content: dict[str, Any], vehicle: Vehicle | None) -> str:
    """Say how a commanded curvature becomes what this vehicle's steering interface takes."""
    response = content["response"]
    if response is None:
        return "Interface: unknown, since no vehicle was given."
    angle = f"angle = atan({response['wheelbase']:g} m · curvature)"
    limits = f"The road wheels stop at ±{math.degrees(response['angle_limit']):.1f}°."
    if vehicle is None or vehicle.steering.interface == "curvature":
        return f"Interface: send the curvature itself; the vehicle makes of it {angle}. {limits}"
    if vehicle.steering.interface == "angle":
        return f"Interface: send the road-wheel angle, {angle}, in rad. {limits}"
    rows = zip(vehicle.steering.map_angle, vehicle.steering.map_command, strict=True)
    table = "\n".join(f"  {angle:+.5f}  {number:+.5f}" for angle, number in rows)
    return (
        f"Interface: send a number. {angle}, then interpolate linearly in this static map\n"
        f"(road-wheel angle in rad, number to send; hold the ends beyond it):\n{table}\n{limits}"
    )
