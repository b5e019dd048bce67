"""Pictures: the data that they show, apart from how they are drawn, and that each becomes a sound PNG."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

import tracker
import tracks
import tuning
from tracker import Gain
from tuning.report.look import png, style_of
from tuning.report.pictures import (
    driven_data,
    driven_picture,
    tuning_data,
    tuning_picture,
    usage_data,
    usage_picture,
)
from tuning.report.pictures.driven import label_rows
from tuning.report.pictures.event_marks import event_key, together
from tuning.simulation import Happening

PNG_START = b"\x89PNG\r\n\x1a\n"
# Placing points in a turned frame and back costs a few roundings of numbers near 100.
ROUNDING = 1e-12 * 100


def track(closed: bool, heading: float = 0.0) -> SimpleNamespace:
    """A straight of 100 m in any direction, or a circle of 20 m radius, with a corridor 1 m to the left, 2 m right."""
    s = np.linspace(0.0, 100.0, 201)
    if closed:
        s = np.linspace(0.0, 2.0 * np.pi * 20.0, 201)
        x, y, angle = 20.0 * np.sin(s / 20.0), 20.0 * (1.0 - np.cos(s / 20.0)), s / 20.0
    else:
        x, y, angle = s * np.cos(heading), s * np.sin(heading), np.full(s.size, heading)
    path = SimpleNamespace(x=x, y=y, s=s, heading=angle, closed=closed)
    corridor = SimpleNamespace(left=np.ones(s.size), right=2.0 * np.ones(s.size))
    section = SimpleNamespace(name="middle", start=40.0, end=60.0)
    return SimpleNamespace(
        name="yard", path=path, speed=np.full(s.size, 5.0), corridor=corridor, sections=(section,)
    )


def run(on: SimpleNamespace, offset: float, samples: int = 5000, outcome: int = 0) -> SimpleNamespace:
    """A run beside the path: by `offset` on one single sample near the middle, on it elsewhere."""
    s = np.linspace(0.0, on.path.s[-1], samples)
    error = np.zeros(samples)
    error[samples // 2 + 1] = offset
    heading = np.interp(s, on.path.s, on.path.heading)
    return SimpleNamespace(
        time=s / 5.0,
        s=s,
        lateral_error=error,
        x=np.interp(s, on.path.s, on.path.x) - error * np.sin(heading),
        y=np.interp(s, on.path.s, on.path.y) + error * np.cos(heading),
        speed=np.full(samples, 5.0),
        lateral_acceleration=25.0 * np.ones(samples) / 20.0,
        outcome=outcome,
        as_meant=outcome == 0,
        happenings=(),
    )


def test_thinning_keeps_the_largest_error() -> None:
    """A single sample of a long run that is furthest off is still what the picture and its title show."""
    on = track(closed=True)
    data = driven_data(on, {"PurePursuit": run(on, -0.4), "MPC": run(on, 0.1)})
    label, s, error, _, _ = data.worst
    assert (label, error) == ("PurePursuit", -0.4)
    assert s == pytest.approx(0.5 * on.path.s[-1], rel=1e-3)
    assert all(line.s.size <= 1501 for line in data.lines)
    assert np.max(np.abs(data.lines[0].error)) == 0.4


@pytest.mark.parametrize("heading", [0.0, 0.7, -2.5])
def test_a_long_thin_track_is_turned_to_lie_along_the_picture(heading: float) -> None:
    """Whatever way a straight points, its map runs from left to right, with the left edge above and the right below."""
    on = track(closed=False, heading=heading)
    data = driven_data(on, {"MPC": run(on, 0.3)})
    assert data.narrow
    assert data.left is not None
    assert data.right is not None
    np.testing.assert_allclose(data.path, np.stack((on.path.s, 0.0 * on.path.s)), atol=ROUNDING)
    np.testing.assert_allclose(data.left[1], 1.0, atol=ROUNDING)
    np.testing.assert_allclose(data.right[1], -2.0, atol=ROUNDING)
    np.testing.assert_allclose(data.lines[0].across, data.lines[0].error, atol=ROUNDING)


def test_a_round_track_is_drawn_as_it_lies() -> None:
    """A closed track is not turned, and its corridor stands at its distances from the path."""
    on = track(closed=True)
    data = driven_data(on, {"MPC": run(on, 0.3)})
    assert not data.narrow
    assert data.turned == 0.0
    assert data.left is not None
    np.testing.assert_allclose(np.hypot(data.left[0], data.left[1] - 20.0), 19.0, atol=ROUNDING)


def test_names_of_sections_do_not_run_into_each_other() -> None:
    """A name takes the first of two rows in which it has room; one that has room in neither is left out."""
    sections = [
        ("twelve chars", 0.0, 10.0),
        ("twelve chars", 5.0, 10.0),
        ("twelve chars", 6.0, 10.0),
        ("x", 90.0, 95.0),
    ]
    assert label_rows(sections, 100.0) == [0, 1, -1, 0]


@pytest.mark.parametrize("closed", [False, True])
def test_the_picture_of_a_track_is_a_png(closed: bool) -> None:
    """Both layouts draw without a warning, with limits."""
    on = track(closed)
    data = driven_data(on, {"PurePursuit": run(on, -0.4), "MPC": run(on, 0.1, outcome=1)}, 0.3, 3.0)
    assert [line.finished for line in data.lines] == [True, False]
    assert png(driven_picture(data)).startswith(PNG_START)


def test_marks_that_would_touch_are_put_together() -> None:
    """Places nearer to each other than a mark is wide share one; the others keep their own."""
    assert together([(0.0,), (50.0,), (1.0,), (49.0,)], 3.0) == [[0, 2], [1, 3]]
    assert together([(0.0, 0.0), (0.0, 5.0), (3.0, 4.0)], 4.9) == [[0], [1, 2]]
    assert together([], 1.0) == []


@pytest.mark.parametrize("closed", [False, True])
def test_events_are_marked_where_they_began(closed: bool) -> None:
    """Each that began has a mark at its place on the map and along the path, and a line in the key; others have none."""
    on = track(closed)
    event = tuning.StopDemand(category=1, at_time=8.0)
    never = tuning.LinkLost(at_time=1e3)
    stopped = run(on, 0.1, outcome=5)
    stopped.as_meant = True
    stopped.happenings = (
        Happening(never, np.inf, np.inf, np.nan, np.nan),
        Happening(event, 8.0, np.inf, 40.0, 5.0),
    )
    data = driven_data(on, {"MPC": stopped}, 0.3, 3.0)
    (mark,) = data.events
    assert (mark.number, mark.title) == (2, event.title)
    assert mark.s == pytest.approx(40.0, abs=0.05)
    x, y = (np.interp(40.0, on.path.s, line) for line in (on.path.x, on.path.y))
    assert (mark.along, mark.across) == pytest.approx((float(x), float(y)), abs=0.05)
    assert (data.lines[0].finished, data.lines[0].ending) == (True, "stopped on demand")
    assert [line.get_label() for line in event_key(data)] == ["2: stop demand, category 1, at 40 m"]
    drawn = driven_picture(data)
    assert png(drawn).startswith(PNG_START)
    texts = [text.get_text() for axes in drawn.axes for text in axes.texts]
    assert texts.count("2") == 2  # on the map, and over the arc length


def test_nothing_in_a_picture_of_events_overlaps() -> None:
    """The boxes of all marks, names and legends that are drawn are apart from each other."""
    on = track(closed=True)
    driven = run(on, 0.1)
    times = (2.0, 2.1, 9.0, 20.0)
    driven.happenings = tuple(
        Happening(tuning.LinkLost(at_time=t, duration=0.1), t, t + 0.1, 5.0 * t, 5.0) for t in times
    )
    drawn = driven_picture(driven_data(on, {"MPC": driven}, 0.3, 3.0))
    png(drawn)  # lays everything out
    renderer = drawn.canvas.get_renderer()
    things = [text for axes in drawn.axes for text in axes.texts if text.get_text()]
    boxes = [thing.get_window_extent(renderer) for thing in (*things, *drawn.legends)]
    assert len(drawn.legends) == 2
    assert [text.get_text() for text in things].count("1, 2") == 2
    for i, one in enumerate(boxes):
        for other in boxes[:i]:
            assert not one.overlaps(other), (one, other)


def test_what_a_driver_did_is_not_the_law_s_largest_error() -> None:
    """The error while the driver steers is left out of "furthest off", as it is left out of the measure."""
    vehicle = tuning.Vehicle.model_validate({"body": {"wheelbase": 3.4, "width": 2.0}})
    event = tuning.DriverTakesOver(at_distance=20.0, duration=4.0, lateral_offset=1.0)
    driven = tuning.simulate(
        tracker.Stanley(), vehicle, tracks.campus_loop(), tuning.Scenario(events=(event,))
    )
    _, _, error, _, _ = driven_data(driven.track, {"Stanley": driven}).worst
    assert np.abs(driven.lateral_error).max() > 0.9
    assert abs(error) == pytest.approx(driven.measures["lateral_error_max"], rel=1e-9)


def test_usages_are_ordered_and_binding_limits_found() -> None:
    """The most used limit comes first; each law has a binding limit of its own; a missing usage stays missing."""
    data = usage_data({"A": {"x": 0.2, "y": 0.9}, "B": {"x": 1.3, "z": np.inf}})
    assert data.limits == ("z", "x", "y")
    assert data.laws == ("A", "B")
    np.testing.assert_array_equal(data.usage, [[np.nan, np.inf], [0.2, 1.3], [0.9, np.nan]])
    assert [data.limits[data.binding(law)] for law in (0, 1)] == ["y", "z"]
    assert png(usage_picture(data)).startswith(PNG_START)


def test_a_study_is_drawn_with_its_best_and_feasible_candidates() -> None:
    """Candidates at or below 1 are feasible; failed ones (infinite) do not stop the drawing."""
    space = {"gain": Gain(0.1, 10.0, True, "1/s", "how hard"), "offset": Gain(-1.0, 1.0, False, "", "where")}
    table = {"gain": [0.1, 1.0, 10.0], "offset": [-1.0, 0.0, 1.0], "score": [np.inf, 1.0, 1.5]}
    data = tuning_data("Stanley", space, table, {"gain": 1.0, "offset": 0.0}, 1.0)
    np.testing.assert_array_equal(data.feasible, [False, True, False])
    assert [(panel.name, panel.best, panel.logarithmic) for panel in data.gains] == [
        ("gain", 1.0, True),
        ("offset", 0.0, False),
    ]
    assert png(tuning_picture(data)).startswith(PNG_START)


def test_equal_pictures_are_equal_files() -> None:
    """No date and no random id goes into a picture."""
    pictures = [png(usage_picture(usage_data({"A": {"x": 0.2}}))) for _ in range(2)]
    assert pictures[0] == pictures[1]


def test_each_law_keeps_its_own_look() -> None:
    """The shipped laws differ in colour and in dash, and keep both wherever they stand in a list."""
    looks = [style_of(name, index=3) for name in ("PurePursuit", "Stanley", "PreviewLQR", "MPC")]
    assert len({look["color"] for look in looks}) == 4
    assert len({str(look["linestyle"]) for look in looks}) == 4
    assert style_of("MPC (gentle)") == style_of("MPC", index=5)
