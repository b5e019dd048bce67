"""The closed-form laws against their formulas, and every law against the contract."""

from __future__ import annotations

import math

import numpy as np
import pytest
from views import view_beside

import tracker
import tracks
from tracker.laws.base import IN_PYTHON, View
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import LAW_SLOTS
from tracks.one_source import plain

LAWS = [
    tracker.PurePursuit(),
    tracker.Stanley(),
    tracker.Stanley(feed_forward=False),
    tracker.PreviewLQR(),
    tracker.MPC(),
    tracker.NonlinearMPC(),
]
CLOSED_FORM = [law for law in LAWS if law.kernel != IN_PYTHON]
RESPONSE = tracker.Response(wheelbase=2.7)
SPEED = 8.0


def identity(law: tracker.Law) -> str:
    """Name a law in the test report."""
    return f"{law.name}-{'-'.join(str(v) for v in law.gains.values())}"[:40]


def view_on(track: tracks.Track, s: float, error: float, heading_error: float) -> View:
    """Give the view of a vehicle beside the path at s, driving the path's curvature."""
    return view_beside(track.path.arrays, s, SPEED, error, heading_error)


def table_of(law: tracker.Law) -> np.ndarray:
    """Give the gains of a closed-form law as compiled code takes them."""
    return law.gain_table(RESPONSE, tracker.Envelope().values(RESPONSE), 0.02)


def curvature_of(law: tracker.Law, track: tracks.Track, view: View) -> float:
    """Ask any law, compiled or not, for its curvature."""
    if law.kernel != IN_PYTHON:
        return wanted_curvature(
            law.kernel, table_of(law), RESPONSE.values, track.path.arrays, view, np.zeros(LAW_SLOTS)
        )
    envelope = tracker.Envelope(lateral_acceleration=5.0).values(RESPONSE)
    return law.start(RESPONSE, envelope, track, 0.02, 1.0).curvature(view)


@pytest.fixture(scope="module")
def straight() -> tracks.Track:
    """A long straight along the x axis at constant speed."""
    path = tracks.Path.from_segments([tracks.Straight(400.0)])
    return tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, SPEED))


@pytest.fixture(scope="module")
def circle() -> tracks.Track:
    """A closed left-hand circle of 20 m radius at constant speed."""
    path = tracks.Path.from_segments([tracks.Arc(2.0 * math.pi * 20.0, 1.0 / 20.0)], closed=True)
    return tracks.Track(name="circle", path=path, speed=np.full(path.s.shape, SPEED))


@pytest.mark.parametrize("law", LAWS, ids=identity)
def test_no_error_asks_for_no_curvature(law, straight):
    """On a straight, without error, every law goes straight on."""
    assert abs(curvature_of(law, straight, view_on(straight, 50.0, 0.0, 0.0))) < 1e-9


@pytest.mark.parametrize("law", LAWS, ids=identity)
@pytest.mark.parametrize(("error", "heading_error"), [(0.3, 0.0), (0.0, 0.1), (0.2, 0.05)])
def test_steers_back_and_mirrors(law, straight, error, heading_error):
    """An error to the left asks for curvature to the right, and the mirrored error for its negative."""
    left = curvature_of(law, straight, view_on(straight, 50.0, error, heading_error))
    right = curvature_of(law, straight, view_on(straight, 50.0, -error, -heading_error))
    assert left < -1e-4
    # 1e-6: the MPC's solver stops within its own tolerance; the closed forms mirror to rounding.
    assert right == pytest.approx(-left, rel=1e-6)


@pytest.mark.parametrize("law", LAWS, ids=identity)
def test_is_frozen_and_refuses_nonsense(law):
    """A law cannot be changed, and a gain that is not finite or of the wrong sign is refused by name."""
    name = next(iter(type(law).search_space(RESPONSE)))
    with pytest.raises(ValueError, match="frozen"):
        setattr(law, name, 1.0)
    for bad in (-1.0, 0.0, math.nan, math.inf):
        with pytest.raises(ValueError, match=name):
            type(law)(**{name: bad})


@pytest.mark.parametrize("law", LAWS, ids=identity)
def test_search_space_is_inside_what_the_law_accepts(law):
    """Both ends of every search range make a valid law, for a shuttle and for a tenth-scale car."""
    for wheelbase, lag in ((3.4, 0.2), (0.17, 0.08)):
        space = type(law).search_space(tracker.Response(wheelbase=wheelbase, lag=lag, dead_time=0.1))
        assert space
        for end in ("low", "high"):
            assert law.with_gains({name: getattr(gain, end) for name, gain in space.items()}).gains


@pytest.mark.parametrize("law", CLOSED_FORM, ids=identity)
def test_compiled_and_plain_source_agree(law, circle):
    """The compiled formula and the same source as plain Python agree to rounding."""
    generator = np.random.default_rng(5)
    source = plain(wanted_curvature)
    for _ in range(20):
        s, e, psi = generator.uniform((0.0, -1.0, -0.4), (120.0, 1.0, 0.4))
        arguments = (
            law.kernel,
            table_of(law),
            RESPONSE.values,
            circle.path.arrays,
            view_on(circle, s, e, psi),
        )
        compiled, ordinary = np.zeros(LAW_SLOTS), np.zeros(LAW_SLOTS)
        wanted = wanted_curvature(*arguments, compiled)
        assert wanted == pytest.approx(source(*arguments, ordinary), rel=1e-11, abs=1e-13)
        np.testing.assert_allclose(compiled, ordinary, rtol=1e-11, atol=1e-13)


def test_pure_pursuit_is_the_circle_to_the_point(straight):
    """κ = 2 y_g / L_d² (Coulter, CMU-RI-TR-92-01, 1992; formula from memory), by hand for two poses."""
    law = tracker.PurePursuit(lookahead_time=1.0, shortest_lookahead=1.0, longest_lookahead=100.0)
    # Parallel to the path, 3 m left of it, L_d = 8 m: the point is √(64−9) m ahead and 3 m to the right.
    assert curvature_of(law, straight, view_on(straight, 50.0, 3.0, 0.0)) == pytest.approx(
        2 * -3.0 / 64.0, rel=1e-9
    )
    # On the path, heading 30° left of it: the point 8 m along the path lies 8 sin 30° to the right.
    assert curvature_of(law, straight, view_on(straight, 50.0, 0.0, math.pi / 6)) == pytest.approx(
        2 * -4.0 / 64.0, rel=1e-9
    )


def test_pure_pursuit_holds_a_circle(circle):
    """From a point on a circle the circle through a lookahead point on it, tangent to it, is that circle."""
    law = tracker.PurePursuit(lookahead_time=0.9, shortest_lookahead=1.0)
    assert curvature_of(law, circle, view_on(circle, 30.0, 0.0, 0.0)) == pytest.approx(1.0 / 20.0, rel=1e-9)


def test_pure_pursuit_far_from_the_path_still_comes_back(straight):
    """Beyond the lookahead distance the law aims ahead along the path, finite and toward it."""
    law = tracker.PurePursuit(lookahead_time=0.5, shortest_lookahead=1.0)
    wanted = curvature_of(law, straight, view_on(straight, 50.0, 30.0, 0.0))
    assert math.isfinite(wanted)
    assert wanted < 0.0


def test_stanley_is_its_formula(straight):
    """δ = θ_e + atan(k e/(k_s + v)) at the front axle (Hoffmann et al., ACC 2007), by hand."""
    law = tracker.Stanley(gain=2.0, softening=0.5, feed_forward=False)
    error, heading_error = 0.4, 0.1
    front = error + 2.7 * math.sin(heading_error)
    angle = -heading_error + math.atan(2.0 * -front / (0.5 + SPEED))
    assert curvature_of(law, straight, view_on(straight, 50.0, error, heading_error)) == pytest.approx(
        math.tan(angle) / 2.7, rel=1e-9
    )


def test_stanley_with_feed_forward_holds_the_rear_axle_on_a_circle(circle):
    """With feed-forward and no error the law asks for the path's own curvature."""
    wanted = curvature_of(tracker.Stanley(), circle, view_on(circle, 30.0, 0.0, 0.0))
    assert wanted == pytest.approx(1.0 / 20.0, rel=1e-12)


def test_stanley_without_feed_forward_holds_the_front_axle_on_a_circle(circle):
    """Of the paper's form the steady circle is that of the front axle: the rear axle runs inside it."""
    law = tracker.Stanley(feed_forward=False)
    radius, length = 20.0, 2.7
    rear = math.sqrt(radius**2 - length**2)
    wanted = curvature_of(law, circle, view_on(circle, 30.0, radius - rear, 0.0))
    assert wanted == pytest.approx(1.0 / rear, rel=1e-9)
