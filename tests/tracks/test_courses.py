"""Standard courses: their geometry, their scale, and what every track promises."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

import tracks
from tracks import COURSES, Corridor, InputError, Path, Section, Straight, Track, corridor_at

# Shapes are solved to rounding of coordinates of about 100 m.
EXACT = 1e-9


@pytest.mark.parametrize("name", COURSES)
@pytest.mark.parametrize("scale", [1.0, 0.1])
def test_every_course_is_drivable(name: str, scale: float) -> None:
    """Curvature is continuous, the plan keeps its limits, open courses end at rest, and the corridor holds the path."""
    track = COURSES[name](scale=scale)
    path, a = track.path, track.path.arrays
    np.testing.assert_allclose(a.curvature_start[1:] * scale, a.curvature_end[:-1] * scale, atol=1e-12)
    bend = np.maximum(np.abs(path.curvature[:-1]), np.abs(a.curvature_end))
    assert np.max(track.speed[:-1] ** 2 * bend) <= 1.2 + EXACT
    acceleration = np.diff(track.speed**2) / (2.0 * np.diff(path.s))
    assert -1.0 - 1e-6 <= np.min(acceleration) <= np.max(acceleration) <= 0.8 + 1e-6
    assert track.speed.max() == pytest.approx(7.0 * np.sqrt(scale))
    assert (track.speed[-1] == 0.0) == (not path.closed)
    assert track.name == name
    assert track.corridor is not None
    assert min(track.corridor.left.min(), track.corridor.right.min()) > 0.0
    assert max(np.diff(path.s)) <= 0.25 * scale + 1e-12


@pytest.mark.parametrize("name", COURSES)
def test_a_tenth_scale_course_is_the_course_in_small(name: str) -> None:
    """At scale 0.1 the plan's speeds are √0.1 times, all lengths 0.1 times those of full size."""
    full, small = COURSES[name](), COURSES[name](scale=0.1)
    assert small.path.length == pytest.approx(0.1 * full.path.length, rel=EXACT)
    assert small.start_offset == pytest.approx(0.1 * full.start_offset)
    for s in np.linspace(0.0, full.path.length, 50):
        here, there = full.path.at(s), small.path.at(0.1 * s)
        assert (there.x, there.y) == pytest.approx((0.1 * here.x, 0.1 * here.y), abs=1e-8)
        expected = np.sqrt(0.1) * full.planned_speed(s)[0]
        assert small.planned_speed(0.1 * s)[0] == pytest.approx(expected, abs=1e-4)


def test_double_lane_change_has_the_dimensions_of_the_standard() -> None:
    """Sections 15/30/25/25/15/15 m, 3.5 m offset and the three lane widths of ISO 3888-1 (from memory)."""
    width = 2.0
    track = tracks.double_lane_change(speed=15.0, width=width)
    path, arrays = track.path, track.arrays
    lanes = {  # from memory: where each lane lies along x, its middle, its width
        (0.0, 15.0): (0.0, 1.1 * width + 0.25),
        (45.0, 70.0): (3.5, 1.2 * width + 0.25),
        (95.0, 125.0): (0.0, 1.3 * width + 0.25),
    }
    for (start, end), (middle, lane) in lanes.items():
        for x in np.linspace(start + 0.01, end - 0.01, 20):
            s, offset = path.locate(x, middle)
            assert abs(offset) < EXACT
            left, right = corridor_at(arrays, s)
            assert (left, right) == pytest.approx((0.5 * lane, 0.5 * lane), abs=1e-8)
    s, _ = path.locate(30.0, 1.75)
    assert path.at(s).y == pytest.approx(1.75, abs=1e-8)
    left, right = corridor_at(arrays, s)
    slope = np.cos(path.at(s).heading)
    assert left * slope == pytest.approx(1.75 + 0.5 * (1.2 * width + 0.25), abs=1e-2)
    assert right * slope == pytest.approx(1.75 + 0.5 * (1.1 * width + 0.25), abs=1e-2)


def test_double_lane_change_steps_where_the_changes_end() -> None:
    """The sections with steps of +3.5 and −3.5 m start at x = 45 and 95 m and end at 70 and 125 m."""
    track = tracks.double_lane_change()
    sections = {section.name: section for section in track.sections}
    for name, step, start, end in [("second lane", 3.5, 45.0, 70.0), ("third lane", -3.5, 95.0, 125.0)]:
        section = sections[name]
        assert section.step == step
        ends = track.path.at([section.start, section.end]).x
        np.testing.assert_allclose(ends, [start, end], atol=1e-8)
    assert track.path.length > sections["third lane"].end + 7.0**2 / 2.0


def test_double_lane_change_at_a_higher_lateral_limit_is_driven_faster() -> None:
    """A plan for riders slows down in the changes; raised to 6 m/s², 12 m/s are kept throughout."""
    assert tracks.double_lane_change(speed=12.0).speed[:400].min() < 8.0
    fast = tracks.double_lane_change(speed=12.0, lateral_acceleration=6.0)
    before_the_stop = fast.path.s < fast.sections[-1].end
    np.testing.assert_allclose(fast.speed[before_the_stop], 12.0)


def test_offset_straight_starts_beside_its_path() -> None:
    """The run starts 1 m to the left and must move 1 m to the right."""
    track = tracks.offset_straight(speed=5.0, offset=1.0)
    assert track.start_offset == 1.0
    assert track.sections[0].step == -1.0
    assert np.all(track.path.curvature == 0.0)
    assert track.planned_speed(track.sections[0].end)[0] == pytest.approx(5.0)


def test_constant_radius_turns_by_its_angle() -> None:
    """The arc has the radius asked for, the course turns by π, and the plan keeps v² = a_y R."""
    track = tracks.constant_radius(speed=9.0, radius=30.0)
    arc = next(section for section in track.sections if section.name == "arc")
    point = track.path.at(0.5 * (arc.start + arc.end))
    assert point.curvature == pytest.approx(1.0 / 30.0, abs=EXACT)
    assert track.path.heading[-1] == pytest.approx(np.pi, abs=EXACT)
    assert track.planned_speed(0.5 * (arc.start + arc.end))[0] == pytest.approx(6.0)
    right = tracks.constant_radius(radius=30.0, angle=-1.5)
    assert right.path.heading[-1] == pytest.approx(-1.5, abs=EXACT)


@pytest.mark.parametrize("cones", [2, 5, 6])
def test_slalom_passes_the_cones_at_the_clearance(cones: int) -> None:
    """Crests lie 1.5 m from cones 25 m apart, in turn left and right, and the course ends on its axis."""
    track = tracks.slalom(cones=cones)
    section = track.sections[0]
    for i in range(cones):
        side = 1.5 if i % 2 == 0 else -1.5
        s, offset = track.path.locate(25.0 * i, side)
        assert abs(offset) < 1e-8
        assert track.path.at(s).heading == pytest.approx(0.0, abs=1e-8)
        if i in (0, cones - 1):
            assert s == pytest.approx(section.start if i == 0 else section.end, abs=1e-8)
    assert track.path.y[-1] == pytest.approx(0.0, abs=1e-8)
    assert track.path.heading[-1] == pytest.approx(0.0, abs=1e-8)
    assert np.max(np.abs(track.path.y)) == pytest.approx(1.5, abs=1e-8)


def test_campus_loop_closes_by_construction() -> None:
    """Driven as an open path the lap ends where it starts, within rounding, one turn on."""
    path = tracks.campus_loop().path
    assert path.closed
    assert 500.0 < path.length < 700.0
    from tracks.courses.campus_loop import _layout

    open_lap = Path.from_segments([piece for _, part in _layout() for piece in part])
    assert np.hypot(open_lap.x[-1], open_lap.y[-1]) < EXACT
    assert open_lap.heading[-1] == pytest.approx(2.0 * np.pi, abs=EXACT)
    assert np.min(path.curvature) == pytest.approx(-0.1, abs=EXACT)
    assert path.smallest_radius == pytest.approx(10.0, abs=EXACT)


def test_course_by_name_speed_and_scale() -> None:
    """`course` gives what the function of that name gives."""
    track = tracks.course("slalom", speed=2.0, scale=0.1, lateral_acceleration=2.0)
    direct = tracks.slalom(speed=2.0, scale=0.1, lateral_acceleration=2.0)
    np.testing.assert_array_equal(track.speed, direct.speed)
    np.testing.assert_array_equal(track.path.x, direct.path.x)


@pytest.mark.parametrize(
    ("build", "sentence"),
    [
        (lambda: tracks.course("slalon"), "there is no course 'slalon'; .*did you mean slalom\\?"),
        (lambda: tracks.slalom(speed=0.0), "speed is 0 m/s; expected a value above 0 m/s"),
        (lambda: tracks.slalom(scale=-1.0), "scale is -1"),
        (lambda: tracks.slalom(cones=1), "cones is 1; expected a whole number of 2 or more"),
        (lambda: tracks.slalom(clearance=9.0), "the clearance is 9 m at a spacing of 25 m"),
        (lambda: tracks.offset_straight(offset=0.0), "offset is 0 m"),
        (lambda: tracks.constant_radius(radius=5.0, angle=0.5), "clothoids of 20 m turn by 229° at 5 m"),
        (lambda: tracks.double_lane_change(width=float("inf")), "width is inf"),
        (lambda: tracks.campus_loop(deceleration=0.0), "deceleration is 0 m/s²"),
    ],
)
def test_unusable_courses_are_refused(build, sentence: str) -> None:
    """Every parameter that makes no course is named."""
    with pytest.raises(InputError, match=sentence):
        build()


def line(length: float = 10.0) -> Path:
    """Give a straight of eleven nodes."""
    return Path.from_segments([Straight(length)], spacing=length / 10.0)


def test_tracks_are_frozen_and_survive_pickling() -> None:
    """Nothing of a track can be set, and a worker process gets the same track."""
    track = tracks.double_lane_change()
    with pytest.raises(dataclasses.FrozenInstanceError):
        track.name = "other"  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        track.speed[0] = 3.0
    copy = pickle.loads(pickle.dumps(track))
    assert copy.sections == track.sections
    np.testing.assert_array_equal(copy.arrays.corridor_left, track.arrays.corridor_left)


def test_track_without_corridor_has_infinite_room() -> None:
    """Absent edges are infinitely far, also between nodes."""
    track = Track("line", line(), np.full(11, 2.0))
    assert corridor_at(track.arrays, 3.3) == (np.inf, np.inf)
    walls = Track("line", line(), np.full(11, 2.0), Corridor(np.arange(1.0, 12.0), np.full(11, 2.0)))
    assert corridor_at(walls.arrays, 3.5) == pytest.approx((4.5, 2.0))


@pytest.mark.parametrize(
    ("build", "sentence"),
    [
        (lambda: Track("a", line(), np.ones(3)), "speed has 3 entries; expected 11 entries"),
        (lambda: Track("a", line(), -np.ones(11)), "the planned speed at s = 0 m is -1 m/s"),
        (
            lambda: Track("a", line(), np.where(np.arange(11) == 4, 0.0, 1.0)),
            "the planned speed at s = 4 m is 0 m/s",
        ),
        (
            lambda: Track("a", line(), np.ones(11), Corridor(np.ones(3), np.ones(3))),
            "the corridor has 3 and 3 values",
        ),
        (
            lambda: Corridor(np.zeros(3), np.ones(3)),
            "the left edge of the corridor lies on or beyond the path",
        ),
        (lambda: Section("", 0.0, 1.0), "a section has no name"),
        (lambda: Section("a", 2.0, 1.0), "section 'a' runs from 2 m to 1 m"),
        (lambda: Section("a", 0.0, 1.0, step=0.0), "the step of section 'a' is 0 m"),
        (
            lambda: Track("a", line(), np.ones(11), None, [Section("b", 5.0, 11.0)]),
            "section 'b' ends at 11 m",
        ),
        (
            lambda: Track("a", line(), np.ones(11), None, [Section("b", 0, 1), Section("b", 1, 2)]),
            "two sections are named 'b'",
        ),
    ],
)
def test_unusable_tracks_are_refused(build, sentence: str) -> None:
    """Every part of a track that does not fit is named."""
    with pytest.raises(InputError, match=sentence):
        build()
