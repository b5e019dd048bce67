"""MCAP as tables: one a topic, its fields as columns by dotted names, its clock the time at which it was recorded.

Messages in JSON and in ROS 2's CDR are understood. A time stamp in a message (a field with `sec` and `nanosec`) is a
column of nanoseconds, so that `time = "header.stamp"` takes the sender's clock.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path as FilePath
from typing import Any

import pandas as pd

from tracks.errors import FileError
from tuning.logs.extras import DAMAGE, check_file, needed
from tuning.logs.table import Table

__all__ = ["read_mcap_file"]

_CLOCKS = ("log_time", "publish_time")
_STAMP = ({"sec", "nanosec"}, {"sec", "nsec"})


def read_mcap_file(path: FilePath, names: Iterable[str]) -> list[Table]:
    """Read the topics that these names begin with from an MCAP file.

    Args:
        path: the file.
        names: "topic.field" for columns; other names are fields within these topics.

    Raises:
        FileError: missing, not MCAP, messages in another encoding, or the extra `mcap` is not installed.
    """
    check_file(path, "MCAP")
    reading = needed(path, "mcap.reader", "mcap")
    exceptions = needed(path, "mcap.exceptions", "mcap")
    zstandard = needed(path, "zstandard", "mcap")
    names = list(names)
    try:
        with path.open("rb") as stream:
            reader = reading.make_reader(stream, validate_crcs=True)
            summary = reader.get_summary()
            topics = sorted({c.topic for c in summary.channels.values()}) if summary else []
            if not topics:  # a file without a summary is read from end to end
                topics = sorted({channel.topic for _, channel, _ in reader.iter_messages()})
            return [_topic(path, reader, topic, names) for topic in topics]
    except FileError:
        raise
    except (exceptions.McapError, zstandard.ZstdError, *DAMAGE) as error:
        reason = " ".join(f"{type(error).__name__} {error}".split())[:80]
        raise FileError(
            path,
            "",
            f"is not a readable MCAP file ({reason})",
            "an MCAP file that was closed properly",
            "record or export the log again",
        ) from None


def _topic(path: FilePath, reader: Any, topic: str, names: list[str]) -> Table:
    prefix = f"{topic}."
    # A name that starts with no topic, as "header.stamp", may be a field of any.
    wanted = [name.removeprefix(prefix) for name in names if name.startswith(prefix) or name[:1] != "/"]
    if not any(name.startswith(prefix) for name in names):
        return Table(path, (), {}, str, prefix=prefix)
    rows: dict[str, list[Any]] = {name: [] for name in dict.fromkeys((*_CLOCKS, *wanted))}
    columns: dict[str, None] = dict.fromkeys(_CLOCKS)
    decode: Callable[[bytes], Any] | None = None
    for schema, channel, message in reader.iter_messages(topics=[topic]):
        decode = decode or _decoder(path, topic, schema, channel)
        content = decode(message.data)
        if len(columns) == len(_CLOCKS):
            columns.update(dict.fromkeys(_fields(content)))
        rows["log_time"].append(message.log_time)
        rows["publish_time"].append(message.publish_time)
        for name in rows.keys() - _CLOCKS:
            rows[name].append(_value(content, name))
    found = {
        name: cells
        for name, cells in rows.items()
        if name in columns or any(cell is not None for cell in cells)
    }
    columns.update(dict.fromkeys(found))
    return Table(
        path,
        tuple(columns),
        {name: pd.Series(cells) for name, cells in found.items()},
        lambda row: f"message {row + 1} of {topic}",
        prefix=prefix,
        units=dict.fromkeys((*_CLOCKS, *(c for c in columns if c.split(".")[-1] == "stamp")), "ns"),
        clock="log_time",
    )


def _decoder(path: FilePath, topic: str, schema: Any, channel: Any) -> Callable[[bytes], Any]:
    encoding = channel.message_encoding
    if encoding == "json":
        return json.loads
    decode = None
    if encoding == "cdr":
        decode = needed(path, "mcap_ros2.decoder", "mcap").DecoderFactory().decoder_for(encoding, schema)
    if decode is None:
        described = schema.encoding if schema else "no schema"
        raise FileError(
            path,
            f"topic {topic!r}",
            f"has messages in {encoding!r} described by {described!r}",
            "json, or cdr described by ros2msg",
            "export the topic as CSV",
        )
    return decode


def _parts(content: Any) -> dict[str, Any] | None:
    """Give the fields of a message or of a part of it; None for a value."""
    if isinstance(content, dict):
        return content
    if isinstance(content, list | tuple):
        return {str(i): part for i, part in enumerate(content[:64])}
    slots = getattr(type(content), "__slots__", None)  # what the ROS 2 decoder makes
    if slots and not isinstance(content, str | bytes | int | float):
        return {name: getattr(content, name) for name in slots if not name.startswith("_")}
    return None


def _fields(content: Any, before: str = "") -> list[str]:
    parts = _parts(content)
    if parts is None:
        return [before[:-1]]
    own = [before[:-1]] if set(parts) in _STAMP else []
    return own + [name for key, part in parts.items() for name in _fields(part, f"{before}{key}.")]


def _value(content: Any, field: str) -> Any:
    """Follow a dotted name into a message; None where it leads nowhere."""
    for key in field.split("."):
        if isinstance(content, list | tuple):
            content = content[int(key)] if key.isdigit() and int(key) < len(content) else None
        elif isinstance(content, dict):
            content = content.get(key)
        else:
            content = getattr(content, key, None)
    parts = _parts(content)
    if parts is not None and set(parts) in _STAMP:
        return parts["sec"] * 1_000_000_000 + parts.get("nanosec", parts.get("nsec", 0))
    return content
