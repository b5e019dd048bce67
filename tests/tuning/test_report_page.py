"""Pages: they stand alone, say the cautions, and leave no doubt by colour alone."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser

import pytest

import tuning
from tracks.errors import FileError
from tuning.report import CAUTIONS, Cell, Page, Picture, Section, Table, write_page
from tuning.report.page import rendered

# The smallest PNG: one grey pixel.
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)


def page(**changes: object) -> Page:
    table = Table(
        "Usage of <limits>",
        ("Limit", "PurePursuit", "MPC"),
        (
            ("overshoot", Cell("1.40", "binding broken"), "0.30"),
            ("error", "0.20", Cell("0.90", "binding")),
        ),
        numbers=(1, 2),
    )
    sections = (
        Section(
            "Comparison & more",
            ("One & two < three.",),
            (table, Picture(PIXEL, "A caption.", "Words for it.")),
        ),
        Section("Files", (), (), ("one step",)),
    )
    content = {"title": "A report", "summary": "All is well.", "sections": sections, "date": "2026-01-02"}
    return Page(**{**content, **changes})  # type: ignore[arg-type]


class Elements(HTMLParser):
    """Collects every start tag with its attributes, and checks that tags are closed in order."""

    EMPTY = frozenset(("meta", "link", "img", "br"))

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def elements(text: str) -> Elements:
    parser = Elements()
    parser.feed(text)
    parser.close()
    assert parser.open == []
    return parser


def test_a_page_needs_nothing_from_outside() -> None:
    """No address but fragments and embedded data, no script, no import in the style."""
    text = rendered(page())
    for tag, attributes in elements(text).found:
        assert tag not in ("script", "iframe", "object", "embed")
        for name in ("src", "href", "srcset", "action"):
            address = attributes.get(name)
            assert address is None or address.startswith(("data:", "#"))
    assert not re.search(r"https?://|@import|url\(", text)


def test_pictures_are_embedded_whole_and_described() -> None:
    """The bytes of the picture come back from the page, and it has words beside it."""
    images = [attributes for tag, attributes in elements(rendered(page())).found if tag == "img"]
    assert len(images) == 1
    assert images[0]["alt"] == "Words for it."
    assert base64.b64decode((images[0]["src"] or "").removeprefix("data:image/png;base64,")) == PIXEL


def test_cautions_stand_before_every_result() -> None:
    """A reader meets every caution before the first section."""
    text = rendered(page())
    first = text.index("<main>")
    assert all(0 < text.index(caution) < first for caution in CAUTIONS)
    together = " ".join(CAUTIONS).lower()
    for needed in ("closed course", "safety driver", "stop device", "local codes", "licensed practice"):
        assert needed in together


def test_a_row_of_one_cell_is_a_heading_over_the_rows_below() -> None:
    """It spans the whole table, however many columns there are."""
    table = Table("T", ("a", "b", "c"), (("first group",), ("1", "2", "3")))
    text = rendered(page(sections=(Section("S", (), (table,)),)))
    spans = [found for tag, found in elements(text).found if tag == "th" and "colspan" in found]
    assert [found["colspan"] for found in spans] == ["3"]
    assert "first group" in text


def test_text_is_escaped() -> None:
    """What comes from files (names of logs, of vehicles) cannot become markup."""
    text = rendered(page(title="<script>alert(1)</script>"))
    assert "<script>" not in text
    assert "Usage of &lt;limits&gt;" in text
    assert "One &amp; two &lt; three." in text


def test_every_link_of_the_contents_leads_somewhere() -> None:
    """Each fragment in the contents is the id of an element."""
    found = elements(rendered(page())).found
    ids = {attributes["id"] for _, attributes in found if attributes.get("id")}
    links = {(attributes["href"] or "")[1:] for tag, attributes in found if tag == "a"}
    assert links == {"comparison---more", "files"}
    assert links <= ids


def test_a_broken_limit_is_said_by_a_sign_and_not_by_colour_alone() -> None:
    """The style puts a sign before whatever is marked as broken or kept."""
    text = rendered(page())
    assert 'class="number binding broken"' in text
    assert re.search(r"\.broken::before \{ content: \"✕ ", text)


def test_the_same_page_is_the_same_file() -> None:
    """Nothing in a page depends on the moment or on the order of a set, except the date it is given."""
    assert rendered(page()) == rendered(page())


def test_a_page_that_cannot_be_written_leaves_nothing(tmp_path) -> None:
    """A missing folder is one clear error, and no file appears."""
    with pytest.raises(FileError, match="cannot be written"):
        write_page(page(), tmp_path / "missing" / "report.html")
    assert list(tmp_path.iterdir()) == []


def test_the_vehicle_table_lists_only_effects_that_act():
    """A refinement left out is not said to be known as 0; one that is given stands there with its unit."""
    from tuning.report.sections.vehicle import vehicle_values

    plain = tuning.Vehicle.model_validate({"body": {"wheelbase": 3.4}, "steering": {}, "drive": {}})
    names = {row[0] for row in vehicle_values(plain)}
    assert not names & {"steering.backlash", "drive.hand_over", "link.watchdog", "tyres.friction"}
    rich = plain.replace(**{"steering.backlash": 0.004, "link.jitter": 0.01})
    rows = {row[0]: row for row in vehicle_values(rich)}
    assert rows["steering.backlash"][1:4] == ("0.004000", "", "rad")
    assert rows["link.jitter"][4] == "known"
