"""Reading scenario files: TOML, one table `[[scenario]]` a scenario, with the fields of `Scenario`.

    [[scenario]]
    name = "stop on demand"
    [scenario.localisation]
    noise = 0.02
    [[scenario.events]]
    kind = "stop demand"
    category = 1
    at_distance = 60.0

Files are strict: a field that is not known, text for a number or a name that comes twice is refused.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path as FilePath
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from tracks.errors import FileError
from tracks.file_access import read_toml
from tracks.validation import explain
from tuning.simulation.events import AnyEvent, Event
from tuning.simulation.localisation import Localisation
from tuning.simulation.scenario import Scenario

__all__ = ["read_scenarios"]

_TABLE = "scenario"
KINDS: Final[dict[str, type[Event]]] = {
    kind.model_fields["kind"].default: kind for kind in get_args(get_args(AnyEvent)[0])
}


def read_scenarios(path: str | FilePath) -> tuple[Scenario, ...]:
    """Read the scenarios of a TOML file, in its order.

    Args:
        path: a file of tables `[[scenario]]`. Each needs a `name` of its own; fields that are left out keep the defaults
            of `Scenario`. `[scenario.localisation]` has the fields of `Localisation`, and each `[[scenario.events]]` a
            `kind` and the fields of that event.

    Raises:
        FileError: not TOML, no scenario, or a field, kind or value that cannot be; one sentence names the file, the
            scenario and the field.
    """
    data = read_toml(path, "scenario file", 'lines such as [[scenario]] and name = "wet road"')
    _refuse_unknown(path, "", data, [_TABLE], "table")
    entries = data.get(_TABLE, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise FileError(
            path, _TABLE, "is no list of tables", "a table [[scenario]] a scenario", "write [[scenario]]"
        )
    if not entries:
        raise FileError(path, "", "holds no scenario", "one table [[scenario]] or more", "add one")
    found: list[Scenario] = []
    for number, entry in enumerate(entries, start=1):
        scenario = _scenario(path, number, entry)
        if any(scenario.name == other.name for other in found):
            raise FileError(
                path, f"scenario {number}, name", f'a second scenario is called "{scenario.name}"',
                "a name of its own for each scenario", "rename one of the two",
            )  # fmt: skip
        found.append(scenario)
    return tuple(found)


def _scenario(path: str | FilePath, number: int, entry: dict[str, Any]) -> Scenario:
    name = entry.get("name")
    named = isinstance(name, str) and name.strip() and name.isprintable()
    where = f'scenario "{name}"' if named else f"scenario {number}"
    _refuse_unknown(path, where, entry, Scenario.model_fields, "field")
    if "name" not in entry:
        raise FileError(path, where, "has no name", "a name for tables and pictures", 'add name = "..."')
    if isinstance(name, str) and not named:
        raise FileError(
            path, f"{where}, name", f"received {name!r}", "words on one line", "give it another name"
        )
    localisation = entry.get("localisation", {})
    if isinstance(localisation, dict):
        _refuse_unknown(path, f"{where}, localisation", localisation, Localisation.model_fields, "field")
    events = entry.get("events", [])
    if not isinstance(events, list):
        raise FileError(
            path, f"{where}, events", "is no list of tables", "a table [[scenario.events]] an event",
            "write [[scenario.events]]",
        )  # fmt: skip
    for i, event in enumerate(events, start=1):
        _check_event(path, f"{where}, event {i}", event)
    try:
        # Strict: TOML has types, and text that looks like a number is a slip. A strict tuple takes no list.
        return Scenario.model_validate({**entry, "events": tuple(events)}, strict=True)
    except ValidationError as error:
        raise _explained(path, where, error) from None


def _check_event(path: str | FilePath, where: str, event: Any) -> None:
    """Refuse an event without a known kind, or with a field that its kind has not."""
    if not isinstance(event, dict):
        raise FileError(path, where, f"received {event!r}", "a table", "write [[scenario.events]]")
    kind = event.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        what = "has no kind" if kind is None else f"there is no event of kind {kind!r}"
        near = _nearest(kind, KINDS) if isinstance(kind, str) else ""
        remedy = f'write kind = "{near}" if that was meant' if near else "name the kind of event"
        raise FileError(path, where, what, f"one of {', '.join(KINDS)}", remedy)
    where = f'{where} "{kind}"'
    _refuse_unknown(path, where, event, KINDS[kind].model_fields, "field")
    # Events have numbers only, but where some are listed, as the stop categories, 1 and true are the same to pydantic.
    flag = next((name for name, value in event.items() if isinstance(value, bool)), None)
    if flag is not None:
        shown = str(event[flag]).lower()
        raise FileError(path, f"{where}, {flag}", f"received {shown}", "a number", "correct the value")


def _refuse_unknown(
    path: str | FilePath, where: str, entry: Mapping[str, Any], known: Iterable[str], thing: str
) -> None:
    """Refuse a name that is not known: before any value is looked at, since it may be a required one misspelt."""
    names = list(known)
    unknown = next((name for name in entry if name not in names), None)
    if unknown is None:
        return
    near = _nearest(unknown, names)
    remedy = f'write "{near}" if that was meant' if near else "remove it"
    place = f"{where}, {unknown}" if where else unknown
    raise FileError(path, place, f"the {thing} is unknown", f"one of {', '.join(names)}", remedy)


def _nearest(name: str, known: Iterable[str]) -> str:
    """Give the known name nearest to one that is not, "" where none is near."""
    by_key = {_key(entry): entry for entry in known}
    near = difflib.get_close_matches(_key(name), by_key, n=1, cutoff=0.5)
    return by_key[near[0]] if near else ""


def _key(name: str) -> str:
    return name.lower().replace("_", " ").replace("-", " ")


def _explained(path: str | FilePath, scenario: str, error: ValidationError) -> FileError:
    """Say where in the scenario the first fault is, and what the field means if that helps."""
    loc = error.errors(include_url=False)[0]["loc"]
    _, what, expected, remedy = explain(error)
    parts: list[str] = [scenario]
    model: type[BaseModel] = Scenario
    fields = loc
    if len(loc) > 2 and loc[0] == "events":
        number, kind, *fields = loc[1:]
        parts.append(f'event {int(number) + 1} "{kind}"')
        model = KINDS[str(kind)]
    elif len(loc) > 1 and loc[0] == "localisation":
        model = Localisation
    parts += [str(field) for field in fields]
    field = model.model_fields.get(str(loc[-1])) if loc else None
    if field is not None and field.description and expected:
        expected = f"{expected} ({field.description})"
    return FileError(path, ", ".join(parts), what, expected, remedy)
