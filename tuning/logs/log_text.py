"""The text of an exported log, whatever its encoding, and what its first lines say about its form."""

from __future__ import annotations

import csv
import re
from pathlib import Path as FilePath

from tracks.errors import FileError
from tracks.file_access import read_text

__all__ = ["BLANKS", "content_lines", "read_log_text", "separator_of", "split_line"]

_SEPARATORS = (";", "\t", "|", ",")
BLANKS = r"\s+"

# A header separated by blanks may still have a blank before a bracketed unit.
_BLANK_SEPARATED = re.compile(r'"[^"]*"|[^\s"]+(?:\s+(?:\[[^\]]*\]|\([^)]*\)))?')
_QUOTED = re.compile(r'"[^"]*"')


def read_log_text(path: FilePath) -> tuple[str, tuple[str, ...]]:
    """Read a text file in UTF-8, UTF-16 or an 8-bit western encoding, lines ended by "\\n" alone.

    Returns:
        The text, and a finding where the encoding had to be guessed.
    """
    try:
        text = read_text(path, "drive log (CSV)")
    except FileError:
        if not path.is_file():
            raise
    else:
        if "\0" not in text:
            return text, ()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileError(path, "", f"cannot be read ({error.strerror})", "a drive log", "check it") from None
    text, findings = _decoded(data)
    if "\0" in text:
        raise FileError(
            path, "", "is not text", "a drive log as CSV", "export the log again, or correct its suffix"
        )
    return text.replace("\r\n", "\n").replace("\r", "\n"), findings


def _decoded(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Decode by the byte-order mark, by the zeros of UTF-16, or as an 8-bit text, which cannot be told for certain."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), ()
    head = data[:200]
    for encoding, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
        if zeros.count(0) > len(zeros) // 2:  # of two bytes for a western letter one is 0
            return data.decode(encoding, errors="replace"), ()
    finding = (
        "the file is not UTF-8 and was read as Windows-1252 (Latin-1): check the names with accents or °"
    )
    return data.decode("cp1252", errors="replace"), (finding,)


def content_lines(text: str, count: int) -> list[tuple[int, str]]:
    """Give the first lines that hold cells, with their numbers from 1: not empty, not only a comment."""
    found: list[tuple[int, str]] = []
    start = number = 0
    while start < len(text) and len(found) < count:
        end = text.find("\n", start)
        line = text[start:] if end < 0 else text[start:end]
        start, number = (len(text) if end < 0 else end + 1), number + 1
        if line.strip() and not line.lstrip().startswith("#"):
            found.append((number, line.split("#", 1)[0] if found else line))
    return found


def separator_of(header: str, rows: list[str]) -> str:
    """Give what separates the cells: the commonest sign in the header of those on which header and rows agree."""
    count = {sign: _QUOTED.sub("", header).count(sign) for sign in _SEPARATORS}
    possible = [sign for sign in _SEPARATORS if count[sign]]
    if not possible:
        return BLANKS if len(header.split()) > 1 else ","
    # A row may end with a separator that the header lacks.
    agreed = [
        sign
        for sign in possible
        if rows and all(_QUOTED.sub("", row).count(sign) - count[sign] in (0, 1) for row in rows)
    ]
    return max(agreed or possible, key=lambda sign: count[sign])


def split_line(line: str, separator: str, cells: int | None = None) -> list[str]:
    """Split one line into cells, quotes taken off; `cells` is how many there should be, where that is known."""
    if separator != BLANKS:
        return [
            cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
        ]
    joined = [cell.strip('"') for cell in _BLANK_SEPARATED.findall(line)]
    return joined if cells is None or len(joined) == cells else line.split()
