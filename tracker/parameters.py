"""Parameter files: a law with its gains, and the vehicle they were chosen for, as versioned JSON.

A file is complete: every gain and every value of the response stands in it, so that no default of a later
version can change what the vehicle does. Loading one gives back the identical law.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError

from tracker.envelope import Envelope
from tracker.laws import LAWS, Law
from tracker.response import Response
from tracks.errors import FileError, InputError
from tracks.file_access import read_text, write_atomically
from tracks.validation import file_error

__all__ = [
    "CAUTIONS",
    "FORMAT",
    "VERSION",
    "as_json",
    "check_format",
    "document",
    "law_from",
    "load",
    "read_json",
    "save",
    "schema",
]

FORMAT = "pathtrim-parameters"
VERSION = 1
_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_CARRIED = ("response", "envelope")  # fields of every law with a place of their own in the file

CAUTIONS = (
    "These gains hold for the vehicle, load, tyres and road they were chosen for; identify anew after a change.",
    "Simulation does not replace a trial: drive first on a closed course, slowly, with a trained safety driver "
    "and a working stop device.",
    "Local codes and licensed practice come first.",
)


class _Document(BaseModel):
    """Parameters of one path-tracking law for the software of a by-wire vehicle."""

    model_config = ConfigDict(extra="forbid", title="pathtrim parameters")

    format: Literal["pathtrim-parameters"] = Field(description="marks the file")
    version: Literal[1] = Field(description="of this format")
    law: str = Field(description="name of the law")
    gains: dict[str, JsonValue] = Field(description="every gain and setting of the law, units in the schema")
    response: Response | None = Field(description="the vehicle that the gains were chosen for; null: unknown")
    envelope: Envelope | None = Field(description="limits on commands; null: the defaults for the vehicle")
    provenance: dict[str, JsonValue] = Field(description="where the gains come from")
    cautions: list[str] = Field(description="to be read before the first drive")


def document(
    law: Law,
    vehicle: Any = None,
    provenance: Mapping[str, JsonValue] | None = None,
    cautions: Sequence[str] = (),
) -> dict[str, Any]:
    """Give the content of a parameter file.

    Args:
        law: the law; its gains must be finite.
        vehicle: a `Response` or anything with one as `response`; taken where the law carries none.
        provenance: where the gains come from.
        cautions: added to those that every file carries.
    """
    response = law.response
    if response is None and vehicle is not None:
        response = getattr(vehicle, "response", vehicle)
    return {
        "format": FORMAT,
        "version": VERSION,
        "law": law.name,
        "gains": law.model_dump(mode="json", exclude=set(_CARRIED)),
        "response": None if response is None else response.model_dump(mode="json"),
        "envelope": None if law.envelope is None else law.envelope.model_dump(mode="json"),
        "provenance": dict(provenance or {}),
        "cautions": [*CAUTIONS, *cautions],
    }


def save(
    law: Law,
    path: str | FilePath,
    vehicle: Any = None,
    provenance: Mapping[str, JsonValue] | None = None,
    cautions: Sequence[str] = (),
) -> None:
    """Write a parameter file, whole or not at all; arguments as for `document`.

    Raises:
        InputError: a value is not finite.
        FileError: the file cannot be written.
    """
    write_atomically(path, as_json(document(law, vehicle, provenance, cautions)))


def as_json(content: Mapping[str, Any]) -> str:
    """Give content as JSON text that every reader accepts: floats exact, no NaN, no infinity."""
    try:
        return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    except ValueError as error:
        raise InputError(
            f"a value is not finite ({error})", "finite numbers", "correct the law or the provenance"
        ) from None


def load(path: str | FilePath, laws: Mapping[str, type[Law]] | None = None) -> Law:
    """Read the law of a parameter file, with the response and the envelope it carries.

    Args:
        path: the file.
        laws: laws of your own by name, beside those of `tracker.LAWS`.

    Raises:
        FileError: not JSON, another format or version, an unknown law, or a missing, unknown or unusable value.
    """
    return law_from(read_json(path, "parameter file"), path, laws)


def law_from(
    content: Any, file: str | FilePath, laws: Mapping[str, type[Law]] | None = None, prefix: str = ""
) -> Law:
    """Give the law that parsed content of a parameter file describes; arguments and errors as for `load`.

    Args:
        prefix: where the content stands in the file, for messages.
    """
    known = {**LAWS, **(laws or {})}
    check_format(content, FORMAT, VERSION, file)
    try:
        checked = _Document.model_validate_json(json.dumps(content), strict=True)
    except ValidationError as error:
        raise file_error(file, error, prefix) from None
    if checked.law not in known:
        raise FileError(
            file, f"{prefix}.law".lstrip("."), f'the law "{checked.law}" is unknown', f"one of {', '.join(known)}",
            "correct the name, or pass a law of your own as laws={name: class}",
        )  # fmt: skip
    kind = known[checked.law]
    for table, model in (("gains", kind), ("response", Response), ("envelope", Envelope)):
        _check_complete(content[table], model, file, ".".join(filter(None, (prefix, table))))
    try:
        law = kind.model_validate_json(json.dumps(content["gains"]), strict=True)
    except ValidationError as error:
        raise file_error(file, error, ".".join(filter(None, (prefix, "gains")))) from None
    return law.model_copy(update={"response": checked.response, "envelope": checked.envelope})


def _check_complete(
    table: Mapping[str, Any] | None, model: type[BaseModel], file: str | FilePath, name: str
) -> None:
    """Refuse a table that leaves a value to a default or, for gains, holds what has its own place."""
    if table is None:
        return
    wanted = [field for field in model.model_fields if not (issubclass(model, Law) and field in _CARRIED)]
    for field in wanted:
        if field not in table:
            remedy = "add it, or export the parameters again"
            default = model.model_fields[field].default
            if issubclass(model, Law) and isinstance(default, (bool, int, float)):
                remedy = (
                    f"add it, or tune and export again (a new {model.__name__} has {json.dumps(default)}; "
                    "an older pathtrim tuned without it)"
                )
            raise FileError(
                file, f"{name}.{field}", "the value is missing", f"every one of {', '.join(wanted)}", remedy
            )
    for field in table:
        if field not in wanted:
            raise FileError(
                file, f"{name}.{field}", "the value is unknown", f"only {', '.join(wanted)}", "remove it"
            )


def check_format(content: Any, name: str, version: int, file: str | FilePath) -> None:
    """Refuse content that is not of this format and version."""
    if not isinstance(content, dict) or content.get("format") != name:
        found = content.get("format") if isinstance(content, dict) else type(content).__name__
        raise FileError(
            file, "format", f"received {found!r}", f'an object with "format": "{name}"', "name another file"
        )
    if content.get("version") != version or isinstance(content.get("version"), bool):
        raise FileError(
            file, "version", f"received {content.get('version')!r}", f"version {version}",
            "write the file again with this pathtrim, or read it with a newer one",
        )  # fmt: skip


def read_json(path: str | FilePath, kind: str) -> Any:
    """Read strict JSON: no NaN or infinity, no key twice; raises `FileError` with line and column."""

    def refuse(constant: str) -> Any:
        raise FileError(path, "", f"holds {constant}", "finite numbers", "replace it by a number")

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        table = dict(pairs)
        if len(table) < len(pairs):
            names = [key for key, _ in pairs]
            twice = next(key for key in names if names.count(key) > 1)
            raise FileError(path, twice, "the key stands twice", "every key once", "remove one of the two")
        return table

    text = read_text(path, kind)
    try:
        return json.loads(text, parse_constant=refuse, object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise FileError(path, place, f"is not JSON ({error.msg})", f"a {kind}", "correct the line") from None
    except RecursionError:
        raise FileError(path, "", "is nested too deeply", f"a {kind}", "name another file") from None


def schema(laws: Mapping[str, type[Law]] | None = None) -> dict[str, Any]:
    """Give the JSON Schema (draft 2020-12) of parameter files, with the gains of each law.

    Args:
        laws: laws of your own by name, beside those of `tracker.LAWS`.

    A schema cannot say what binds one value to another (the shorter lookahead below the longer, say): `load` does.
    """
    known = {**LAWS, **(laws or {})}
    base = _Document.model_json_schema(mode="serialization")
    definitions = base.setdefault("$defs", {})
    for name in ("Response", "Envelope"):
        definitions[name]["required"] = list(definitions[name]["properties"])
    choices = []
    for name, law in known.items():
        definitions[f"{name}Gains"] = _gains_schema(law, definitions)
        choices.append({
            "if": {"properties": {"law": {"const": name}}},
            "then": {"properties": {"gains": {"$ref": f"#/$defs/{name}Gains"}}},
        })  # fmt: skip
    base["properties"]["law"]["enum"] = list(known)
    return {"$schema": _DRAFT, **base, "allOf": choices}


def _gains_schema(law: type[Law], definitions: dict[str, Any]) -> dict[str, Any]:
    own = law.model_json_schema(mode="serialization")
    definitions.update({k: v for k, v in own.pop("$defs", {}).items() if k not in definitions})
    own["properties"] = {k: v for k, v in own["properties"].items() if k not in _CARRIED}
    return {**own, "required": list(own["properties"])}
