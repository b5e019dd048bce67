"""Reading and writing files, shared by every room: faults are named with their line, and no file is left half-written."""

from __future__ import annotations

import os
import re
import tempfile
import tomllib
from pathlib import Path as FilePath
from typing import Any

from tracks.errors import FileError

__all__ = ["make_folder", "read_text", "read_toml", "write_atomically"]


def read_text(path: str | FilePath, kind: str = "file") -> str:
    """Read a UTF-8 text file (a byte-order mark is dropped), or raise `FileError` saying why it cannot be read.

    Args:
        path: the file.
        kind: what the file should be, for the message ("track file").
    """
    file = FilePath(path)
    if file.is_dir():
        raise FileError(file, "", "is a folder", f"a {kind}", "name a file inside it")
    try:
        return file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FileError(file, "", "the file does not exist", f"a {kind}", "check the name") from None
    except UnicodeDecodeError as error:
        raise FileError(
            file,
            f"byte {error.start}",
            "is not UTF-8 text",
            f"a {kind} in UTF-8",
            "convert or re-export the file",
        ) from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(
            file, "", f"cannot be read ({reason})", f"a readable {kind}", "check permissions"
        ) from None


def read_toml(path: str | FilePath, kind: str, example: str) -> dict[str, Any]:
    """Read a TOML file, or raise `FileError` with the line at fault.

    Args:
        path: the file.
        kind: what the file should be, for the message ("vehicle file").
        example: what its lines should look like, for the message.
    """
    text = read_text(path, kind)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at (line \d+), column \d+\)", str(error))
        what = re.sub(r" \(at .*\)$", "", str(error))
        raise FileError(
            path, place.group(1) if place else "the end", f"is not TOML ({what})", example, "correct the line"
        ) from None


def make_folder(path: str | FilePath) -> FilePath:
    """Make a folder, and those above it, where it is missing; raises `FileError` when that cannot be done."""
    folder = FilePath(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(
            folder, "", f"cannot be made ({error.strerror})", "the name of a folder", "choose another folder"
        ) from None
    return folder


def write_atomically(path: str | FilePath, data: str | bytes) -> None:
    """Write a file whole or not at all: to a temporary file beside it, then renamed over the target.

    Args:
        path: the target; its folder must exist.
        data: text (written as UTF-8, line ends as given) or bytes.

    Raises:
        FileError: the folder is missing, or the file cannot be written; the target is then as it was before.
    """
    target = FilePath(path)
    if target.is_dir():
        raise FileError(target, "", "is a folder", "the name of a file", "add a file name")
    content = data.encode() if isinstance(data, str) else data
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, _usual_mode(target))
        os.replace(temporary, target)
    except OSError as error:
        if temporary:
            FilePath(temporary).unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise FileError(
            target,
            "",
            f"cannot be written ({reason})",
            "a writable file in an existing folder",
            "create the folder",
        ) from None


def _usual_mode(target: FilePath) -> int:
    """Give the mode that an ordinary `open` would leave, since `mkstemp` makes files private."""
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
