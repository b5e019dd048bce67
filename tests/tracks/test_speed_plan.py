"""Speed plans: exact accelerations, limits kept everywhere, standstill, and laps without a seam."""

from __future__ import annotations

import numpy as np
import pytest

from tracks import Arc, Clothoid, InputError, Path, Straight, Track, campus_loop, plan_speed, planned_speed
from tracks.one_source import plain

# Sums of a few hundred terms of v² below 1000 m²/s².
ROUNDING = 1e-9


def test_straight_from_rest_to_rest() -> None:
    """On a straight v² = 2 a s up, v² = 2 d (L − s) down, and the top speed between."""
    path = Path.from_segments([Straight(100.0)])
    speed = plan_speed(path, 8.0, acceleration=0.8, deceleration=1.6, start_speed=0.0, end_speed=0.0)
    expected = np.minimum(np.minimum(1.6 * path.s, 3.2 * (100.0 - path.s)), 64.0)
    np.testing.assert_allclose(speed**2, expected, atol=ROUNDING)
    assert speed[0] == 0.0
    assert speed[-1] == 0.0


def test_running_start_and_end_speed() -> None:
    """Start and end speeds are caps: v² = v₀² + 2 a s from the one, to the other."""
    path = Path.from_segments([Straight(60.0)])
    speed = plan_speed(path, 10.0, acceleration=0.5, deceleration=0.5, start_speed=3.0, end_speed=4.0)
    np.testing.assert_allclose(
        speed**2, np.minimum(np.minimum(9.0 + path.s, 16.0 + (60.0 - path.s)), 100.0), atol=ROUNDING
    )


def test_braking_before_an_arc() -> None:
    """The arc is driven at √(a_y R), reached by braking just in time and left by accelerating from its end."""
    path = Path.from_segments([Straight(80.0), Arc(20.0, 0.1), Straight(80.0)])
    speed = plan_speed(path, 9.0, lateral_acceleration=1.6, acceleration=0.8, deceleration=1.0)
    s = path.s
    expected = np.minimum(81.0, np.where(s < 80.0, 16.0 + 2.0 * (80.0 - s), 16.0 + 1.6 * (s - 100.0)))
    np.testing.assert_allclose(speed**2, np.where((s >= 80.0) & (s <= 100.0), 16.0, expected), atol=ROUNDING)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("closed", [False, True])
def test_limits_are_kept_everywhere(seed: int, closed: bool) -> None:
    """Between nodes as well as at them, lateral and longitudinal limits and the top speed hold on random paths."""
    generator = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    radius = 60.0 + sum(
        generator.normal(0.0, 6.0 / k) * np.cos(k * angle + generator.uniform(0, 6)) for k in range(2, 6)
    )
    path = Path.from_points(radius * np.cos(angle), radius * np.sin(angle), closed=closed)
    speed = plan_speed(path, 9.0, 1.2, 0.8, 1.0)
    track = Track("random", path, speed)
    s = generator.uniform(0.0, path.length, 5000)
    v, a = np.array([planned_speed(track.arrays, value) for value in s]).T
    assert np.max(v) <= 9.0 + ROUNDING
    assert np.max(v**2 * np.abs(path.at(s).curvature)) <= 1.2 + ROUNDING
    assert np.max(a) <= 0.8 + 1e-6  # v² over a cell of 0.25 m: rounding of 81 / 0.25
    assert np.min(a) >= -1.0 - 1e-6


def test_the_plan_is_the_fastest() -> None:
    """At every node the speed is at a cap, or one of both longitudinal limits is used in a neighbouring cell."""
    path = campus_loop().path
    speed = plan_speed(path, 7.0, 1.2, 0.8, 1.0)
    bend = np.maximum(np.abs(path.arrays.curvature_start), np.abs(path.arrays.curvature_end))
    bend = np.maximum(bend, np.roll(bend, 1))
    cap = np.minimum(7.0, np.sqrt(1.2 / np.maximum(bend, 1e-12)))
    a = np.diff(speed**2) / (2.0 * np.diff(path.s))
    at_limit = (np.abs(a - 0.8) < 1e-6) | (np.abs(a + 1.0) < 1e-6)
    assert np.all((speed[:-1] >= cap - 1e-6) | at_limit | np.roll(at_limit, 1))


def test_a_lap_does_not_know_where_it_starts() -> None:
    """A closed path cut elsewhere, even inside its slowest corner, has the same plan."""
    quarter = [Clothoid(4.0, 0.0, 0.1), Arc(5.0 * np.pi - 4.0, 0.1), Clothoid(4.0, 0.1, 0.0)]
    lap = [
        Straight(50.0),
        *quarter,
        Straight(20.0),
        *quarter,
        Straight(50.0),
        *quarter,
        Straight(20.0),
        *quarter,
    ]
    for shift in (0, 2, 3, 9):
        path = Path.from_segments(lap[shift:] + lap[:shift], closed=True)
        speed = plan_speed(path, 7.0)
        assert speed[0] == speed[-1]
        offset = sum(piece.length for piece in lap[:shift])
        reference = Path.from_segments(lap, closed=True)
        whole = Track("lap", reference, plan_speed(reference, 7.0))
        expected = [whole.planned_speed(s + offset)[0] for s in path.s]
        np.testing.assert_allclose(speed, expected, atol=1e-6)


def test_planned_speed_between_nodes_and_beyond_the_ends() -> None:
    """v² is linear between nodes; past the end the speed stays that of the end, without acceleration."""
    path = Path.from_segments([Straight(10.0)], spacing=10.0)
    track = Track("two nodes", path, np.array([4.0, 2.0]))
    assert track.planned_speed(5.0) == pytest.approx((np.sqrt(10.0), -0.6))
    assert track.planned_speed(-1.0) == (4.0, 0.0)
    assert track.planned_speed(12.0) == (2.0, 0.0)
    interpreted = plain(planned_speed)
    assert interpreted(track.arrays, 5.0) == pytest.approx(track.planned_speed(5.0))


def test_top_speed_may_differ_along_the_path() -> None:
    """A slow zone is entered at its speed and left by accelerating."""
    path = Path.from_segments([Straight(100.0)])
    zone = np.where((path.s >= 40.0) & (path.s <= 60.0), 3.0, 6.0)
    speed = plan_speed(path, zone, acceleration=1.0, deceleration=1.0)
    np.testing.assert_allclose(
        speed**2, np.minimum(36.0, 9.0 + 2.0 * np.maximum(np.abs(path.s - 50.0) - 10.0, 0.0)), atol=ROUNDING
    )


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"top_speed": 0.0}, "top_speed is 0 m/s; expected a value above 0 m/s"),
        ({"top_speed": [1.0]}, "top_speed has 1 entries; expected 41 entries"),
        ({"top_speed": [0.0] * 41}, "top_speed falls to 0 m/s"),
        ({"lateral_acceleration": -1.0}, "lateral_acceleration is -1 m/s²"),
        ({"deceleration": float("nan")}, "deceleration is nan; expected a finite number in m/s²"),
        ({"end_speed": -0.1}, "end_speed is -0.1 m/s; expected a value of 0 or more m/s"),
    ],
)
def test_unusable_limits_are_refused(arguments, sentence: str) -> None:
    """Each limit that makes no sense is named with its value."""
    with pytest.raises(InputError, match=sentence):
        plan_speed(Path.from_segments([Straight(10.0)]), **arguments)


def test_closed_paths_have_no_end_speed() -> None:
    """A lap has no end to stop at."""
    with pytest.raises(InputError, match="a closed path has no start or end speed"):
        plan_speed(campus_loop().path, end_speed=0.0)
