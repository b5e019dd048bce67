"""Paths from segments: exact positions, closure, evaluation between nodes, and refusals."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from scipy.special import fresnel

from tracks import Arc, Clothoid, InputError, Path, Straight, evaluate
from tracks.one_source import plain

# Quadrature and cumulative sums over some hundred cells: about 100 roundings of coordinates of 100 m.
NODE = 1e-11
# The quintic between nodes: cells of a fortieth of the radius leave 1e-12 of the radius (tracks/geometry.py).
BETWEEN = 1e-9


@pytest.mark.parametrize("sharpness", [0.005, -0.02, 0.1])
def test_clothoid_is_the_fresnel_integral(sharpness: float) -> None:
    """A clothoid from a straight is (C, S)(s/a)·a with a = √(π/sharpness), at nodes and between them."""
    path = Path.from_segments([Clothoid(15.0, 0.0, 15.0 * sharpness)])
    a = np.sqrt(np.pi / abs(sharpness))
    sine, cosine = fresnel(path.s / a)
    np.testing.assert_allclose(path.x, a * cosine, atol=NODE)
    np.testing.assert_allclose(path.y, np.sign(sharpness) * a * sine, atol=NODE)
    s = np.random.default_rng(1).uniform(0.0, 15.0, 500)
    sine, cosine = fresnel(s / a)
    point = path.at(s)
    np.testing.assert_allclose(point.x, a * cosine, atol=BETWEEN)
    np.testing.assert_allclose(point.y, np.sign(sharpness) * a * sine, atol=BETWEEN)
    np.testing.assert_allclose(point.heading, 0.5 * sharpness * s**2, atol=NODE)
    np.testing.assert_allclose(point.curvature, sharpness * s, atol=NODE)


def test_arc_is_a_circle() -> None:
    """An arc keeps its distance from its centre, and turns by length · curvature."""
    path = Path.from_segments([Arc(30.0, -0.125)], start=(1.0, 2.0, 0.5))
    centre = np.array([1.0 + 8.0 * np.sin(0.5), 2.0 - 8.0 * np.cos(0.5)])
    point = path.at(np.linspace(0.0, 30.0, 777))
    np.testing.assert_allclose(np.hypot(point.x - centre[0], point.y - centre[1]), 8.0, atol=BETWEEN)
    np.testing.assert_allclose(point.heading, 0.5 - 0.125 * np.linspace(0.0, 30.0, 777), atol=NODE)


def test_no_cell_straddles_a_segment_boundary() -> None:
    """Segment ends are nodes, and curvature jumps only there."""
    lengths = [7.3, 4.1, 9.9, 2.2]
    segments = [Straight(7.3), Arc(4.1, 0.1), Clothoid(9.9, -0.05, 0.2), Arc(2.2, 0.2)]
    path = Path.from_segments(segments)
    a = path.arrays
    for boundary in np.cumsum(lengths):
        assert np.min(np.abs(path.s - boundary)) < NODE
    jumps = path.s[1:-1][np.abs(a.curvature_start[1:] - a.curvature_end[:-1]) > 1e-12]
    np.testing.assert_allclose(jumps, [7.3, 11.4], atol=NODE)


def test_default_cells_suit_the_tightest_bend() -> None:
    """Cells are at most 0.25 m and a fortieth of the tightest radius, so a tenth-scale path has as many."""
    wide = Path.from_segments([Straight(10.0), Arc(10.0, 0.05)])
    tight = Path.from_segments([Straight(1.0), Arc(1.0, 1.0)])
    assert np.max(np.diff(wide.s)) == pytest.approx(0.25)
    assert np.max(np.diff(tight.s)) == pytest.approx(1.0 / 40.0)
    assert np.max(np.diff(Path.from_segments([Straight(10.0)], spacing=0.1).s)) <= 0.1 + 1e-12


def test_arrays_have_one_type_for_compiled_code() -> None:
    """Every array is contiguous float64 (cells int64), so that kernels are compiled once."""
    for path in (Path.from_segments([Straight(3.0), Arc(1.0, 1.0)]), Path.from_points([0, 5, 9], [0, 1, 4])):
        for name, value in path.arrays._asdict().items():
            if isinstance(value, np.ndarray):
                assert value.dtype == (np.int64 if name == "cell_of_bucket" else np.float64)
                assert value.flags.c_contiguous
                assert value.flags.writeable
            else:
                assert type(value) is float


def test_bucket_look_up_finds_the_cell() -> None:
    """Each bucket names the cell that holds its start, whatever the cell lengths."""
    path = Path.from_segments([Straight(10.0), Straight(0.01), Arc(3.0, 0.3)])
    a = path.arrays
    starts = np.arange(a.cell_of_bucket.size) * a.bucket
    assert np.all(a.s[a.cell_of_bucket] <= starts + 1e-12)
    assert np.all(starts <= a.s[a.cell_of_bucket + 1])


def test_closed_path_closes_exactly() -> None:
    """A circle's last node is its first, the heading one turn on, and s wraps."""
    path = Path.from_segments([Arc(10.0 * np.pi, 0.1), Arc(10.0 * np.pi, 0.1)], closed=True)
    assert (path.x[-1], path.y[-1]) == (path.x[0], path.y[0])
    assert path.heading[-1] == path.heading[0] + 2.0 * np.pi
    once, again = path.at(3.0), path.at(3.0 + 2.0 * path.length)
    assert (again.x, again.y) == pytest.approx((once.x, once.y), abs=NODE)


def test_open_path_goes_on_straight() -> None:
    """Beyond its ends an open path continues along its tangent, with no curvature."""
    path = Path.from_segments([Arc(5.0, 0.2)])
    end, beyond = path.at(5.0), path.at(7.0)
    assert beyond.x == pytest.approx(end.x + 2.0 * np.cos(1.0), abs=NODE)
    assert beyond.y == pytest.approx(end.y + 2.0 * np.sin(1.0), abs=NODE)
    assert beyond.curvature == 0.0


@pytest.mark.parametrize("closed", [False, True])
def test_an_undefined_arc_length_has_an_undefined_point(closed: bool) -> None:
    """NaN, which compiled code meets when a vehicle's state is lost, is no index: the point is NaN."""
    path = Path.from_segments([Arc(20.0 * np.pi, 0.1)], closed=closed)
    point = evaluate(path.arrays, float("nan"))
    assert np.isnan(point.x)
    assert np.isnan(point.heading)


def test_scalar_and_vector_evaluation_agree_with_plain_python() -> None:
    """`at` gives the same compiled, for arrays, and as ordinary Python."""
    path = Path.from_segments([Straight(4.0), Clothoid(8.0, 0.0, 0.2), Arc(6.0, 0.2)])
    interpreted = plain(evaluate)
    many = path.at([0.3, 5.1, 16.9, -2.0, 19.0])
    for i, s in enumerate([0.3, 5.1, 16.9, -2.0, 19.0]):
        np.testing.assert_allclose(path.at(s), [column[i] for column in many], atol=1e-14)
        np.testing.assert_allclose(path.at(s), interpreted(path.arrays, s), atol=1e-12)


def test_scaled_path_is_the_same_shape() -> None:
    """Lengths scale, headings stay, curvature goes with the inverse."""
    path = Path.from_segments([Straight(4.0), Arc(6.0, 0.2)])
    small = path.scaled(0.1)
    np.testing.assert_allclose(small.x, 0.1 * path.x, atol=NODE)
    np.testing.assert_allclose(small.curvature, 10.0 * path.curvature, atol=NODE)
    assert small.at(0.7).heading == pytest.approx(path.at(7.0).heading, abs=NODE)


def test_path_is_frozen_and_survives_pickling() -> None:
    """Arrays handed out cannot be written to, and a path goes to worker processes unchanged."""
    path = Path.from_segments([Straight(4.0), Arc(6.0, 0.2)])
    with pytest.raises(ValueError, match="read-only"):
        path.x[0] = 1.0
    with pytest.raises(AttributeError):
        path.deviation = 1.0  # type: ignore[misc]
    copy = pickle.loads(pickle.dumps(path))
    np.testing.assert_array_equal(copy.x, path.x)
    assert copy.locate(5.0, 0.5) == path.locate(5.0, 0.5)


@pytest.mark.parametrize(
    ("build", "sentence"),
    [
        (lambda: Straight(0.0), "the length of a straight is 0 m; expected a value above 0 m"),
        (lambda: Arc(1.0, float("nan")), "the curvature of an arc is nan; expected a finite number in 1/m"),
        (lambda: Clothoid(-1.0, 0.0, 1.0), "the length of a clothoid is -1 m"),
        (lambda: Path.from_segments([]), "the list of segments is empty"),
        (lambda: Path.from_segments([1.0]), "1.0 is not a segment; expected Straight, Arc or Clothoid"),
        (lambda: Path.from_segments([Arc(1e5, 1e5)]), "the path needs 4e\\+11 cells"),
        (lambda: Path.from_segments([Straight(5.0)], closed=True), "ends 5 m and 0° off its start"),
        (
            lambda: Path.from_segments([Straight(5.0)]).at(float("inf")),
            "s is inf; expected a finite number in m",
        ),
        (lambda: Path.from_segments([Straight(5.0)]).locate([0.0], [0.0, 1.0]), "the lengths differ"),
        (
            lambda: Path.from_nodes([0, 1], [0, 1], [0, 0], [0, 0], [0, 0], [0]),
            "cells has 1, curvature_start has 2",
        ),
        (lambda: Path.from_nodes([1, 2], [0, 1], [0, 0], [0, 0], [0], [0]), "s starts at 1 m"),
        (
            lambda: Path.from_nodes([0, 1, 1], [0, 1, 1], [0] * 3, [0] * 3, [0] * 2, [0] * 2),
            "s\\[2\\] is 1 m after 1",
        ),
        (
            lambda: Path.from_nodes([0, 1], [0, 2], [0, 0], [0, 0], [0], [0]),
            "nodes 0 and 1 .* do not fit heading",
        ),
    ],
)
def test_unusable_input_is_refused_in_words(build, sentence: str) -> None:
    """Every refusal names the value and what was expected."""
    with pytest.raises(InputError, match=sentence):
        build()
