"""A report as plain data, and its one stand-alone HTML page: no script, no link to anything outside."""

from __future__ import annotations

import base64
import platform
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path as FilePath

from jinja2 import Environment, StrictUndefined

from tracks.file_access import write_atomically

__all__ = ["CAUTIONS", "Cell", "Page", "Picture", "Section", "Table", "provenance", "write_page"]

CAUTIONS = (
    "Local codes and licensed practice come first: nothing here replaces the approval that a trial needs.",
    "Drive first on a closed course, without passengers, slowly, and raise the speed in steps.",
    "Have a trained safety driver in place and a working stop device within reach, and test both before every trial.",
    "These results hold for the vehicle, load, tyres and road of the logs; after any change, identify again.",
)


@dataclass(frozen=True)
class Cell:
    """One entry of a table.

    Attributes:
        text: what stands there.
        mark: how it is emphasised: "" (not), "kept" or "broken" (a limit), "binding" or "binding broken" (the limit
            used most), "quiet" (an aside). Each has a sign beside its colour, so that colour alone says nothing.
    """

    text: str
    mark: str = ""


@dataclass(frozen=True)
class Table:
    """A table: caption, column heads, rows of cells; `numbers` are the columns (from 0) set flush right.

    A row of one cell is a heading over the rows that follow it.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A picture: PNG bytes, the caption under it, and words for those who cannot see it."""

    data: bytes
    caption: str
    description: str

    @property
    def source(self) -> str:
        """The picture as a `data:` address, for embedding."""
        return f"data:image/png;base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True)
class Section:
    """A part of a report: heading, paragraphs, numbered steps, then tables and pictures in the order given."""

    title: str
    paragraphs: tuple[str, ...] = ()
    parts: tuple[Table | Picture, ...] = ()
    steps: tuple[str, ...] = ()

    @property
    def anchor(self) -> str:
        """Name of the section inside the page."""
        return "".join(letter if letter.isalnum() else "-" for letter in self.title.lower())


@dataclass(frozen=True)
class Page:
    """A whole report.

    Attributes:
        title: its heading. summary: what was found, in a sentence or two.
        verdict: "kept", "broken" or "" (nothing was judged), and the words beside it.
        sections: the body.
        versions: what is needed to get the same figures again, name -> value.
        date: of the report.
    """

    title: str
    summary: str
    sections: tuple[Section, ...]
    verdict: tuple[str, str] = ("", "")
    versions: dict[str, str] = field(default_factory=dict)
    date: str = field(default_factory=lambda: datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z"))


def provenance(**more: object) -> dict[str, str]:
    """Give the versions that figures depend on, then whatever else is needed to get them again (a seed, say)."""
    packages = ("pathtrim", "numpy", "scipy", "numba", "daqp")
    found = {name: version(name) for name in packages}
    return {
        **found,
        "python": platform.python_version(),
        **{name: str(value) for name, value in more.items()},
    }


def rendered(page: Page) -> str:
    """Give the page as HTML text."""
    folder = files("tuning.report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(folder.joinpath("page.html.jinja").read_text(encoding="utf-8"))
    style = folder.joinpath("page.css").read_text(encoding="utf-8")
    return template.render(page=page, style=style, cautions=CAUTIONS, kind=_kind, cell=_cell)


def write_page(page: Page, path: str | FilePath) -> None:
    """Write the page as one HTML file, whole or not at all; raises `FileError` when that cannot be done."""
    write_atomically(path, rendered(page))


def _kind(part: Table | Picture) -> str:
    return "table" if isinstance(part, Table) else "picture"


def _cell(entry: Cell | str) -> Cell:
    return entry if isinstance(entry, Cell) else Cell(entry)
