"""Projection onto a path: against brute force, at self-crossings, across the seam, and beyond the ends."""

from __future__ import annotations

import numpy as np
import pytest

from tracks import Arc, Clothoid, Path, Straight, campus_loop
from tracks.geometry import project
from tracks.one_source import plain

# Newton's method stops after a step of 1e-6 m, which leaves the square of that; bisection ends at rounding.
FOOT = 1e-9


def figure_eight(radius: float = 20.0) -> Path:
    """Two straights that cross at (0, 0) at a right angle, joined by two arcs of 270°; starts at the crossing."""
    arc = 1.5 * np.pi * radius
    segments = [
        Straight(radius), Arc(arc, 1.0 / radius), Straight(2.0 * radius), Arc(arc, -1.0 / radius), Straight(radius)
    ]  # fmt: skip
    return Path.from_segments(segments, closed=True)


def brute_force(path: Path, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Give the distance of points (m,) from the path by fine sampling and a parabola's vertex."""
    s = np.linspace(0.0, path.length, 40_001)
    dense = path.at(s)
    distances = np.empty(x.size)
    for i in range(x.size):
        squared = (dense.x - x[i]) ** 2 + (dense.y - y[i]) ** 2
        k = int(np.clip(np.argmin(squared), 1, s.size - 2))
        before, here, after = squared[k - 1 : k + 2]
        bend = before - 2.0 * here + after
        lower = here - (after - before) ** 2 / (8.0 * bend) if bend > 0.0 else here
        distances[i] = np.sqrt(max(min(lower, before, here, after), 0.0))
    return distances


@pytest.mark.parametrize("make", [lambda: campus_loop().path, figure_eight])
def test_locate_matches_brute_force(make) -> None:
    """The globally nearest point is found for points all over the place, and lies where it says."""
    path = make()
    generator = np.random.default_rng(3)
    x = generator.uniform(path.x.min() - 10.0, path.x.max() + 10.0, 300)
    y = generator.uniform(path.y.min() - 10.0, path.y.max() + 10.0, 300)
    s, offset = path.locate(x, y)
    assert np.all((s >= 0.0) & (s < path.length))
    foot = path.at(s)
    np.testing.assert_allclose(foot.x - offset * foot.tangent_y, x, atol=1e-6)
    np.testing.assert_allclose(foot.y + offset * foot.tangent_x, y, atol=1e-6)
    # The parabola through samples 0.016 m apart misses d by about the fourth power of that, over d.
    np.testing.assert_allclose(np.abs(offset), brute_force(path, x, y), atol=2e-6)


def test_offset_is_positive_to_the_left() -> None:
    """On an arc the offset is the radius less the distance from the centre, + toward the centre of a left bend."""
    path = Path.from_segments([Arc(20.0, 0.1)])
    for angle, distance in [(0.2, 9.0), (1.0, 10.5), (1.9, 3.0)]:
        s, offset = path.locate(distance * np.sin(angle), 10.0 - distance * np.cos(angle))
        assert s == pytest.approx(10.0 * angle, abs=FOOT)
        assert offset == pytest.approx(10.0 - distance, abs=FOOT)


def test_self_crossing_keeps_the_branch_of_near() -> None:
    """Near the crossing the last position decides, even where the other branch is nearer."""
    path = figure_eight()
    other = path.length / 2.0
    for along, left in [(0.5, 0.3), (-0.2, 0.4), (0.05, -0.6)]:
        s, offset = path.locate(along, left, near=path.length + along - 0.2)
        assert s == pytest.approx(path.length + along, abs=FOOT)
        assert offset == pytest.approx(left, abs=FOOT)
        foot = path.at(other)
        x = foot.x + along * foot.tangent_x - left * foot.tangent_y
        y = foot.y + along * foot.tangent_y + left * foot.tangent_x
        s, offset = path.locate(x, y, near=other - 0.3)
        assert (s, offset) == pytest.approx((other + along, left), abs=FOOT)


def test_self_crossing_is_resolved_by_heading() -> None:
    """Without a last position the heading tells the branches of a crossing apart."""
    path = figure_eight()
    other = path.length / 2.0
    for along, left in [(0.5, 0.3), (0.1, 0.4), (0.05, -0.6)]:
        s, offset = path.locate(along, left, heading=0.1)
        assert (s, offset) == pytest.approx((along, left), abs=FOOT)
        s, offset = path.locate(along, left, heading=path.at(other).heading - 0.1)
        assert s == pytest.approx(other, abs=1.0)
        assert abs(offset) == pytest.approx(abs(along), abs=FOOT)


def test_heading_tells_there_from_back() -> None:
    """On a path that returns beside itself a vehicle on the wrong side of the middle is put on its own lane."""
    back = Path.from_segments([Straight(50.0), Arc(2.0 * np.pi, 0.5), Straight(50.0)])
    assert back.locate(20.0, 2.3)[0] > 60.0
    s, offset = back.locate(20.0, 2.3, heading=0.05)
    assert (s, offset) == pytest.approx((20.0, 2.3), abs=FOOT)


def test_ties_go_to_the_lowest_arc_length() -> None:
    """At the crossing itself, and midway between there and back, the earlier branch is taken."""
    path = figure_eight()
    assert path.locate(0.0, 0.0)[0] == pytest.approx(0.0, abs=FOOT)
    back = Path.from_segments([Straight(50.0), Arc(2.0 * np.pi, 0.5), Straight(50.0)])
    assert back.locate(20.0, 2.0)[0] == pytest.approx(20.0, abs=FOOT)


def test_closed_path_has_no_seam() -> None:
    """Round the seam s wraps without a hint, and goes on beyond the length, or below 0, with one."""
    path = campus_loop().path
    before = path.at(-0.4)
    s, offset = path.locate(before.x, before.y)
    assert (s, offset) == pytest.approx((path.length - 0.4, 0.0), abs=FOOT)
    assert path.locate(before.x, before.y, near=0.2)[0] == pytest.approx(-0.4, abs=FOOT)
    after = path.at(0.3)
    assert path.locate(after.x, after.y, near=path.length - 0.1)[0] == pytest.approx(
        path.length + 0.3, abs=FOOT
    )
    lap = 3.0 * path.length
    assert path.locate(after.x, after.y, near=lap)[0] == pytest.approx(lap + 0.3, abs=FOOT)


def test_beyond_the_ends_of_an_open_path() -> None:
    """Before the start s is negative, past the end above the length, and the nearer part of the path wins."""
    path = Path.from_segments([Straight(10.0)])
    assert path.locate(-3.0, 1.0) == pytest.approx((-3.0, 1.0), abs=FOOT)
    assert path.locate(12.0, -2.0) == pytest.approx((12.0, -2.0), abs=FOOT)
    hook = Path.from_segments([Straight(40.0), Arc(4.0 * np.pi, 0.25), Straight(20.0)])
    # On the straight continuation of the end, but beside the first straight.
    s, _ = hook.locate(5.0, 8.0)
    assert s == pytest.approx(5.0, abs=FOOT)


def test_a_drive_is_located_point_by_point() -> None:
    """With `near`, each point of a drive is searched near the one before: two laps give two laps of s."""
    path = figure_eight()
    s = np.arange(0.5, 2.0 * path.length, 0.5)
    left = 0.4 * np.sin(s)
    foot = path.at(s)
    found, offset = path.locate(foot.x - left * foot.tangent_y, foot.y + left * foot.tangent_x, near=0.0)
    np.testing.assert_allclose(found, s, atol=FOOT)
    np.testing.assert_allclose(offset, left, atol=FOOT)


def test_compiled_projection_is_the_plain_one() -> None:
    """The compiled projection and its Python source agree to rounding."""
    path = Path.from_segments([Straight(5.0), Clothoid(10.0, 0.0, 0.1), Arc(10.0, 0.1)])
    interpreted = plain(project)
    for x, y, near in [(3.0, 1.0, 2.0), (14.0, 1.5, 12.0), (20.0, 9.0, 21.0)]:
        assert project(path.arrays, x, y, near) == pytest.approx(
            interpreted(path.arrays, x, y, near), abs=1e-11
        )
