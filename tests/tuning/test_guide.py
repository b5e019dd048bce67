"""The guide of events: its scripts print what it says, its pictures show those drives, and nothing in it is stale."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

import tuning
import tuning.simulation.guide.make as guide
from tracker.options import WHEELBASES_JUMPED
from tuning.simulation.events import AnyEvent
from tuning.simulation.guide.drawing import draw, figures_of
from tuning.simulation.guide.rides import BEND, ROAD, ROOM, SHUTTLE, drive
from tuning.simulation.guide.sheet import Sheet

FOLDER = Path(__file__).parents[2] / "tuning" / "simulation" / "guide"  # the pictures are not installed
TEXT = (FOLDER / "README.md").read_text(encoding="utf-8")
BEGINNING = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)[0]
SECTION = re.compile(
    r"^## (?P<title>[^\n]*)\n(?P<words>.*?)!\[[^\]]+\]\((?P<picture>\w+)\.png\)\n+"
    r"```python\n(?P<script>.*?)```\n+```text\n(?P<printed>.*?)```",
    re.DOTALL | re.MULTILINE,
)
SECTIONS = {found["picture"]: found for found in SECTION.finditer(TEXT)}
LARGEST = 60 * 1024  # bytes of a picture
HALF_LAST_DIGIT = 0.0005001  # of figures that a picture carries to a thousandth
_made: dict[str, Sheet] = {}


def sheet(name: str) -> Sheet:
    """Give a sheet, driven once for all tests."""
    if name not in _made:
        _made[name] = guide.SHEETS[name]()
    return _made[name]


@pytest.fixture(scope="module")
def began() -> dict[str, Any]:
    """What the first script of the guide leaves behind."""
    names: dict[str, Any] = {}
    exec(BEGINNING, names)
    return names


def test_every_event_has_a_section_with_a_picture() -> None:
    """Each class of `AnyEvent`, and the two layers that no event stands for, in the order of the pictures."""
    assert list(SECTIONS) == list(guide.SHEETS)
    titles = " ".join(found["title"] for found in SECTIONS.values())
    for event in get_args(get_args(AnyEvent)[0]):
        assert f"`{event.__name__}`" in titles
    assert "`Localisation`" in titles
    assert "`link`" in titles
    assert all("*Look" in found["words"] for found in SECTIONS.values())
    assert "closed course" in TEXT[:700]


def test_the_guide_begins_with_the_vehicle_and_road_of_the_pictures(began: dict[str, Any]) -> None:
    """The values written out for the reader are those that the pictures were driven with."""
    assert began["shuttle"] == SHUTTLE
    np.testing.assert_array_equal(began["road"].path.curvature, ROAD.path.curvature)
    np.testing.assert_array_equal(began["road"].speed, ROAD.speed)
    np.testing.assert_array_equal(began["road"].corridor.left, ROAD.corridor.left)


@pytest.mark.parametrize("name", list(guide.SHEETS))
def test_a_script_prints_what_the_guide_says_and_drives_what_the_picture_shows(
    name: str, began: dict[str, Any]
) -> None:
    """To the printed digit; and sample by sample."""
    runs: list[tuning.Run] = []

    def recorded(*events: Any, **circumstances: Any) -> tuning.Run:
        runs.append(began["drive"](*events, **circumstances))
        return runs[-1]

    printed = io.StringIO()
    script = SECTIONS[name]["script"]
    assert len(script.splitlines()) <= 8
    with contextlib.redirect_stdout(printed):
        exec(script, began | {"drive": recorded})
    assert printed.getvalue() == SECTIONS[name]["printed"]
    shown = sheet(name).runs
    assert len(runs) == len(shown)
    for own, other in zip(runs, shown, strict=True):
        assert own.scenario.events == other.scenario.events
        assert own.scenario.localisation == other.scenario.localisation
        np.testing.assert_array_equal(own.lateral_error, other.lateral_error)


@pytest.mark.parametrize("name", list(guide.SHEETS))
def test_the_message_and_the_stored_picture_tell_the_figures_of_the_drives(name: str) -> None:
    """A picture that was drawn before the physics changed carries other figures, and is found out here."""
    made = sheet(name)
    assert all(np.isfinite(value) for value in made.figures.values())
    kept = (FOLDER / f"{name}.png").read_bytes()
    assert len(kept) < LARGEST
    assert figures_of(kept) == pytest.approx(dict(made.figures), abs=HALF_LAST_DIGIT)
    # Every figure of the title with a decimal place is one of the drives', or of the scenario's, as the guide has them.
    figures = [*made.figures.values()]
    written = {f"{v:.{d}f}" for v in figures for d in (1, 2)}
    told = BEGINNING + "".join(SECTIONS[name].groups())
    for number in re.findall(r"\d+\.\d+", made.message):
        assert number in written or number in told


@pytest.mark.parametrize("name", list(guide.SHEETS))
def test_a_picture_is_labelled_and_keeps_its_labels_inside(name: str) -> None:
    """Every axis names its quantity and unit; no label of a curve leaves the picture."""
    made = sheet(name)
    drawn = draw(made)
    canvas = FigureCanvasAgg(drawn)
    canvas.draw()
    width, height = drawn.get_size_inches() * drawn.dpi
    renderer = canvas.get_renderer()
    for axes, panel in zip(drawn.axes, made.panels, strict=True):
        assert ", " in panel.quantity.replace("\n", " ")
        labels = [axes.yaxis.label, *axes.texts]
        boxes = [label.get_window_extent(renderer) for label in labels]
        assert all(box.x0 >= 0 and box.x1 <= width + 1 and box.y0 >= 0 and box.y1 <= height for box in boxes)
        words = boxes[1:]
        for i, one in enumerate(words):
            assert not any(one.overlaps(other) for other in words[i + 1 :])
        for curve in panel.curves:
            assert curve.x.shape == curve.y.shape
            assert np.all(np.isfinite(curve.y))
    title = drawn.get_suptitle()
    assert title == made.message
    assert drawn._suptitle.get_window_extent(renderer).x1 <= width


def test_the_generator_writes_sound_images_that_are_equal_each_time(tmp_path: Path) -> None:
    """Two of them, twice: the same bytes, and what an image reader takes."""
    names = ("side_wind", "command_link")
    first = guide.make(tmp_path / "one", names)
    second = guide.make(tmp_path / "two", names)
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()
        with Image.open(one) as image:
            image.verify()
            assert image.format == "PNG"
            assert image.size[0] > 800


def test_the_generator_refuses_in_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file in place of a folder, and too many arguments: status 2, nothing on standard output."""
    (tmp_path / "file").write_text("")
    assert guide.main([str(tmp_path / "file")]) == 2
    assert guide.main(["a", "b"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "usage" in told.err


def test_figures_of_the_drives_against_hand_calculations() -> None:
    """Stops as v²/2a with dead time and lag (mechanics), the order of events, and nothing off the lane but the slide.

    s = v (t_d + T) + v²/2a − a T²/2: constant deceleration behind a dead time and a first-order lag that has died out.
    """
    v, dead, lag, a = 7.5, 0.12, 0.18, 3.0
    stop = sheet("stop_demand").figures
    # Rolling resistance and drag add 0.012 g and ½ ρ A v²/m, at most 0.16 m/s² together.
    expected = [v * (dead + lag) + v * v / (2.0 * b) - 0.5 * b * lag**2 for b in (a + 0.16, a)]
    assert expected[0] < stop["category 0"] < expected[1]
    assert stop["category 1"] == stop["category 2"] > stop["category 0"]
    assert stop["drift 0"] > 10.0 * stop["drift 1"]
    load = sheet("load_change").figures
    braking = [d - v * (dead + lag) for d in (load["as weighed"], load["with riders"])]
    assert braking[1] / braking[0] == pytest.approx(4500.0 / 3600.0, rel=0.02)  # the same force, more mass
    slide = sheet("friction_change").figures
    assert slide["excursion"] > 0.1
    assert slide["slippery"] > slide["dry"]
    for name in guide.SHEETS:
        for run in sheet(name).runs:
            assert run.as_meant
            if name != "friction_change":
                assert all(not happening.excursion > 0.0 for happening in run.happenings)


def test_what_the_words_of_the_guide_claim_beside_the_figures() -> None:
    """The room of the lane, the largest jump believed, the error left in the bend, and the slippery bend unbraked."""
    assert f"1.7 m and the lane leaves {ROOM:.2f} m" in TEXT
    assert WHEELBASES_JUMPED * SHUTTLE.body.wheelbase == pytest.approx(1.7, abs=0.05)
    short = sheet("localisation_lost").runs[1]
    before = (short.s > BEND - 2.0) & (short.s < BEND)
    np.testing.assert_allclose(np.abs(short.lateral_error[before]), 0.01, atol=0.005)
    slippery = sheet("friction_change").runs[1].scenario.events[0]
    unbraked = drive(slippery)
    assert unbraked.outcome is tuning.Outcome.FINISHED
    assert unbraked.happenings[0].excursion == 0.0
    uphill = sheet("road_tilt").runs[0]
    assert np.max(uphill.speed[uphill.s > 300.0]) > 7.6  # the integral part pushes too far
