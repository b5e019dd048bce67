"""Paths through points: exactness on clean points, noise, gaps, repeats, stops, and closed paths without a seam."""

from __future__ import annotations

import numpy as np
import pytest

from tracks import Arc, Clothoid, InputError, Path, Straight, campus_loop
from tracks.smoothing import estimate_noise


def bend() -> Path:
    """A straight, a bend of 20 m radius with clothoids, a straight: 80 m."""
    return Path.from_segments(
        [
            Straight(20.0),
            Clothoid(10.0, 0.0, 0.05),
            Arc(20.0, 0.05),
            Clothoid(10.0, 0.05, 0.0),
            Straight(20.0),
        ]
    )


def sampled(path: Path, s: np.ndarray, noise: float = 0.0, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Give points of the path at s, with normal noise of `noise` m in both coordinates."""
    point, generator = path.at(s), np.random.default_rng(seed)
    return point.x + generator.normal(0.0, noise, s.size), point.y + generator.normal(0.0, noise, s.size)


def misses(path: Path, truth: Path) -> tuple[float, float]:
    """Give the largest distance [m] and curvature error [1/m] of a path against the true one."""
    s, offset = truth.locate(path.x, path.y, near=0.0)
    curvature = truth.at(np.clip(s, 0.0, truth.length)).curvature
    return float(np.max(np.abs(offset))), float(np.max(np.abs(path.curvature - curvature)))


def test_points_of_a_circle_give_the_circle() -> None:
    """Sixty points at random angles on a circle give its radius everywhere, closed."""
    angle = np.sort(np.random.default_rng(2).uniform(0.0, 2.0 * np.pi, 60))
    path = Path.from_points(50.0 * np.cos(angle), 50.0 * np.sin(angle), closed=True)
    np.testing.assert_allclose(np.hypot(path.x, path.y), 50.0, atol=1e-4)
    np.testing.assert_allclose(path.curvature, 0.02, atol=1e-5)
    assert path.length == pytest.approx(100.0 * np.pi, abs=1e-4)


def test_clean_points_are_passed_through() -> None:
    """Exact points 1 m apart on the campus loop are met to a micrometre, evenly spaced by arc length."""
    truth = campus_loop().path
    path = Path.from_points(*sampled(truth, np.arange(0.0, truth.length, 1.0)), closed=True)
    assert path.deviation < 1e-6
    np.testing.assert_allclose(np.diff(path.s), path.s[1], rtol=1e-9)
    assert path.length == pytest.approx(truth.length, abs=1e-3)
    assert misses(path, truth)[0] < 2e-3  # cubic kinks of curvature at the clothoids' ends, 1 m apart


@pytest.mark.parametrize(("step", "noise"), [(0.5, 0.02), (0.05, 0.02), (2.0, 0.05), (0.5, 0.1), (1.0, 0.3)])
def test_noise_is_smoothed_away(step: float, noise: float) -> None:
    """The path is nearer to the truth than the noise of a point, and its curvature stays usable."""
    truth = bend()
    path = Path.from_points(*sampled(truth, np.arange(0.0, truth.length, step), noise))
    distance, curvature = misses(path, truth)
    # Three standard errors at the ends of the path, where a curved fit is least sure: half of that of a point.
    assert distance < 1.5 * noise
    assert curvature < 0.025  # half of that of the bend, even at 0.3 m of noise
    # 40 points at least, of which the fit takes up some eight: 0.9 of the noise, give or take 3/√80.
    assert path.deviation_rms == pytest.approx(0.95 * noise, rel=0.35)
    assert path.deviation >= path.deviation_rms


def test_position_and_heading_belong_together() -> None:
    """Between nodes, tangent and curvature are the derivatives of position and heading."""
    truth = bend()
    path = Path.from_points(*sampled(truth, np.arange(0.0, 80.0, 0.5), 0.05))
    s, h = np.linspace(1.0, path.length - 1.0, 500), 1e-4
    ahead, here, behind = path.at(s + h), path.at(s), path.at(s - h)
    # Difference quotients over 2e-4 m of values exact to 1e-11; the cells' ends match to h³ κ'' / 12.
    np.testing.assert_allclose((ahead.x - behind.x) / (2.0 * h), here.tangent_x, atol=1e-4)
    np.testing.assert_allclose((ahead.y - behind.y) / (2.0 * h), here.tangent_y, atol=1e-4)
    np.testing.assert_allclose((ahead.heading - behind.heading) / (2.0 * h), here.curvature, atol=1e-4)


def test_closed_path_does_not_know_where_its_points_start() -> None:
    """Points shifted round the loop give the same loop, with curvature equal at both ends."""
    truth = campus_loop().path
    x, y = sampled(truth, np.arange(0.0, truth.length, 1.0), 0.03)
    first = Path.from_points(x, y, closed=True)
    other = Path.from_points(np.roll(x, 217), np.roll(y, 217), closed=True)
    _, offset = first.locate(other.x, other.y)
    assert np.max(np.abs(offset)) < 2e-3  # knots lie elsewhere
    for path in (first, other):
        assert path.curvature[0] == path.curvature[-1]
        assert path.heading[-1] - path.heading[0] == pytest.approx(2.0 * np.pi, abs=1e-12)


def test_repeated_points_and_a_repeated_end_change_nothing() -> None:
    """Each point three times, and the first once more at the end, give the same closed path."""
    truth = campus_loop().path
    x, y = sampled(truth, np.arange(0.0, truth.length, 2.0))
    once = Path.from_points(x, y, closed=True)
    thrice = Path.from_points(np.append(np.repeat(x, 3), x[0]), np.append(np.repeat(y, 3), y[0]), closed=True)
    assert thrice.length == pytest.approx(once.length, abs=1e-6)


def test_a_stop_in_a_survey_leaves_no_knot() -> None:
    """Four hundred noisy points at a standstill do not bend the path."""
    truth = bend()
    s = np.concatenate([np.arange(0.0, 30.0, 0.3), np.full(400, 30.0), np.arange(30.0, 80.0, 0.3)])
    path = Path.from_points(*sampled(truth, s, 0.03))
    assert misses(path, truth)[0] < 1.5 * 0.03
    assert path.smallest_radius > 15.0


def test_gaps_on_straights_are_bridged() -> None:
    """Points every 0.5 m in the bend and 20 m apart on the straights give the path to a centimetre."""
    truth = bend()
    s = np.concatenate([[0.0, 5.0], np.arange(20.0, 60.5, 0.5), [79.9, 80.0]])
    distance, curvature = misses(Path.from_points(*sampled(truth, s)), truth)
    assert distance < 0.02
    assert curvature < 0.002


def test_a_stated_tolerance_is_used_but_not_exceeded() -> None:
    """A tolerance smooths clean points up to its RMS; the curvature changes less for it."""
    truth = campus_loop().path
    x, y = sampled(truth, np.arange(0.0, truth.length, 1.0))
    exact, smooth = (Path.from_points(x, y, closed=True, smoothing=d) for d in (0.0, 0.1))
    assert exact.deviation < 1e-6
    assert 0.05 < smooth.deviation_rms <= 0.101
    assert np.max(np.abs(np.diff(smooth.curvature))) < 0.7 * np.max(np.abs(np.diff(exact.curvature)))


def test_map_grid_coordinates_cost_no_accuracy() -> None:
    """Coordinates of thousands of kilometres give the path of the same points near the origin."""
    truth = bend()
    x, y = sampled(truth, np.arange(0.0, 80.0, 0.5), 0.02)
    near, far = Path.from_points(x, y), Path.from_points(x + 5.0e6, y + 4.0e5)
    assert far.length == pytest.approx(near.length, abs=1e-5)
    assert far.deviation == pytest.approx(near.deviation, abs=1e-5)


@pytest.mark.parametrize("count", [2, 3, 5, 9, 10, 200])
def test_points_of_a_straight_give_a_straight(count: int) -> None:
    """However few the points of a straight, the path is that straight."""
    x = np.linspace(0.0, 30.0, count)
    path = Path.from_points(x, 0.5 * x)
    assert path.length == pytest.approx(np.hypot(30.0, 15.0), abs=1e-4)
    assert np.max(np.abs(path.curvature)) < 1e-5


def test_noise_is_estimated_from_the_points() -> None:
    """The estimate from 1600 noisy points of a bend is right within three standard errors of a median, 6 %."""
    truth = bend()
    points = np.stack(sampled(truth, np.arange(0.0, 80.0, 0.05), 0.02), axis=1)
    assert estimate_noise(points, closed=False) == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize(
    ("x", "y", "closed", "sentence"),
    [
        ([0.0], [0.0], False, "1 of 1 points are different; expected 2 or more"),
        ([1.0, 1.0, 1.0], [2.0, 2.0, 2.0], False, "1 of 3 points are different"),
        ([0.0, 1.0, 1.0], [0.0, 0.0, 1.0], True, "3 of 3 points are different; expected 4 or more"),
        ([0.0, 1.0, np.nan], [0.0, 0.0, 1.0], False, "x\\[2\\] is nan; expected finite numbers in m"),
        ([0.0, 1.0], [0.0, 0.0, 1.0], False, "the lengths differ: x has 2, y has 3 entries"),
        ([[0.0, 1.0]], [0.0, 1.0], False, "x has shape \\(1, 2\\); expected a one-dimensional array"),
        ([0.0, 1e200], [0.0, 1.0], False, "x goes up to 1e\\+200 m; expected at most 1e\\+08 m"),
        (["a", "b"], [0.0, 1.0], False, "x is not an array of numbers"),
    ],
)
def test_unusable_points_are_refused(x, y, closed: bool, sentence: str) -> None:
    """Too few, repeated or infinite points are named."""
    with pytest.raises(InputError, match=sentence):
        Path.from_points(x, y, closed=closed)


def test_negative_smoothing_is_refused() -> None:
    """A tolerance is a distance."""
    with pytest.raises(InputError, match="smoothing is -1 m; expected a value of 0 or more m"):
        Path.from_points([0.0, 1.0], [0.0, 0.0], smoothing=-1.0)
