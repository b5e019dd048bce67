"""The errors a user can mend: one sentence that says what, where, what was expected and the remedy."""

from __future__ import annotations

from pathlib import Path as FilePath

__all__ = ["FileError", "InputError", "PathtrimError"]


class PathtrimError(Exception):
    """Base of every error that pathtrim raises on purpose; the command line prints it and exits with 2."""


class InputError(PathtrimError, ValueError):
    """A value handed in is not usable.

    Args:
        what: what is wrong, with the value received ("speed is -3.0 m/s").
        expected: what would have been right ("a speed above 0 m/s").
        remedy: what to do about it.
    """

    def __init__(self, what: str, expected: str = "", remedy: str = "") -> None:
        self.what, self.expected, self.remedy = what, expected, remedy
        parts = [what]
        if expected:
            parts.append(f"expected {expected}")
        if remedy:
            parts.append(f"to mend it: {remedy}")
        super().__init__("; ".join(parts))


class FileError(InputError):
    """A file is missing, malformed or holds an unusable value.

    Args:
        file: the file at fault.
        where: the line ("line 12"), column or field ("steering.dead_time"); empty for the whole file.
        what, expected, remedy: as for `InputError`.
    """

    def __init__(
        self, file: str | FilePath, where: str, what: str, expected: str = "", remedy: str = ""
    ) -> None:
        self.file, self.where = str(file), where
        place = f"{file}: {where}" if where else f"{file}"
        super().__init__(f"{place}: {what}", expected, remedy)
