"""The preview law's formula: its linear part, its steady turns, its limits, and one source for all its uses."""

from __future__ import annotations

import math

import casadi
import numpy as np
import pytest
from views import view_beside

import tracker
import tracks
from tracker.laws.closed_form import wanted_curvature
from tracker.laws.mpc_preview import heading_at
from tracker.laws.preview_lqr import preview_lqr
from tracker.laws.preview_lqr_model import ASKED, HEADING, INTEGRAL, LATERAL, SIDEWAYS, STEERED, YAW_RATE
from tracker.laws.preview_lqr_table import FEEDBACK
from tracker.memory import LAW_SLOTS
from tracker.prediction import rear_slip
from tracker.schedule import gain_at, place_at
from tracks.one_source import plain, traced

BUS = tracker.Response(
    wheelbase=3.4,
    lag=0.14,
    mass=3600.0,
    front_axle_distance=1.9,
    cornering_stiffness_front=110e3,
    cornering_stiffness_rear=160e3,
)
ROLLING = tracker.Response(wheelbase=2.7, lag=0.14)
PERIOD = 0.02
SPEED = 8.0


def table_of(law: tracker.PreviewLQR, response: tracker.Response) -> np.ndarray:
    """Give the law's gains as compiled code takes them."""
    return law.gain_table(response, tracker.Envelope().values(response), PERIOD)


def terms_of(law, response, path, view, state=None):
    """Give the law's terms on a path for a view."""
    state = np.zeros(LAW_SLOTS) if state is None else state
    return preview_lqr(table_of(law, response), response.values, path, view, state)


@pytest.fixture(scope="module")
def straight():
    """A long straight along the x axis."""
    return tracks.Path.from_segments([tracks.Straight(400.0)]).arrays


@pytest.fixture(scope="module")
def circle():
    """A closed left-hand circle of 40 m radius."""
    return tracks.Path.from_segments([tracks.Arc(2.0 * math.pi * 40.0, 1.0 / 40.0)], closed=True).arrays


@pytest.fixture(scope="module")
def bend():
    """A straight of 60 m, a clothoid and an arc of 30 m radius to the left."""
    pieces = [
        tracks.Straight(60.0),
        tracks.Clothoid(15.0, 0.0, 1 / 30),
        tracks.Arc(40.0, 1 / 30),
        tracks.Straight(50.0),
    ]
    return tracks.Path.from_segments(pieces).arrays


def random_view(path, generator, response):
    """Give a view with every field off the steady turn."""
    s, e, psi = generator.uniform((5.0, -0.4, -0.1), (55.0, 0.4, 0.1))
    view = view_beside(path, s, float(generator.uniform(0.0, 20.0)), e, psi)
    v_r, r, steered, asked = generator.normal(size=4) * (0.1, 0.1, 0.01, 0.01)
    slip = rear_slip(response.values, view.speed, view.path_curvature)
    return view._replace(rear_velocity=v_r, yaw_rate=r, steered=steered, asked=asked, slip=slip)


@pytest.mark.parametrize("response", [BUS, ROLLING], ids=["tyres", "rolling"])
@pytest.mark.parametrize(
    "law", [tracker.PreviewLQR(integral_rate=0.2), tracker.PreviewLQR(feed_forward=False)]
)
def test_compiled_plain_and_terms_agree(law, response, bend):
    """Compiled, as plain Python and through the dispatcher the answer and the state are the same, and terms add up."""
    generator = np.random.default_rng(5)
    source, gains = plain(preview_lqr), table_of(law, response)
    for _ in range(20):
        view = random_view(bend, generator, response)
        start = np.array([*generator.normal(size=2) * 0.1, 0.0, 0.0])
        states = [start.copy() for _ in range(3)]
        terms = preview_lqr(gains, response.values, bend, view, states[0])
        in_python = source(gains, response.values, bend, view, states[1])
        wanted = wanted_curvature(law.kernel, gains, response.values, bend, view, states[2])
        assert terms == pytest.approx(in_python, rel=1e-10, abs=1e-13)
        assert wanted == pytest.approx(terms.curvature, rel=1e-12)
        assert states[0] == pytest.approx(states[1], rel=1e-12)
        assert states[0] == pytest.approx(states[2], rel=1e-12)
        assert terms.curvature == pytest.approx(sum(terms[1:]), rel=1e-12)


@pytest.mark.parametrize("response", [BUS, ROLLING], ids=["tyres", "rolling"])
def test_linear_part_is_the_design(response, straight):
    """Traced by CasADi and differentiated, the law on a straight is Δu = −K x with K of the table."""
    law = tracker.PreviewLQR(integral_rate=0.2)
    gains = table_of(law, response)
    x = casadi.SX.sym("x", 7)
    view = view_beside(straight, 50.0, SPEED)._replace(
        lateral_error=x[LATERAL], heading_error=x[HEADING], rear_velocity=x[SIDEWAYS], yaw_rate=x[YAW_RATE],
        steered=x[STEERED], asked=x[ASKED], slip=0.0,
    )  # fmt: skip
    formula = traced(preview_lqr, {heading_at: lambda _path, _s: 0.0})
    state = [x[INTEGRAL], casadi.SX(0.0), casadi.SX(0.0), casadi.SX(0.0)]
    terms = formula(gains, response.values, straight, view, state)
    jacobian = casadi.Function("j", [x], [casadi.jacobian(terms.curvature, x)])
    place = place_at(gains, SPEED)
    expected = np.array([-gain_at(gains, place, FEEDBACK + i) for i in range(7)])
    expected[ASKED] += 1.0
    assert jacobian(np.zeros(7)).full()[0] == pytest.approx(expected, rel=1e-12, abs=1e-14)
    # The traced value is that of the compiled formula, and so is the state it leaves.
    numbers = np.array([0.1, -0.02, 0.05, 0.03, 0.002, -0.001, 0.2])
    value = casadi.Function("v", [x], [terms.curvature, state[0], state[1]])(numbers)
    filled = view._replace(
        lateral_error=0.1, heading_error=-0.02, rear_velocity=0.05, yaw_rate=0.03, steered=0.002, asked=-0.001
    )
    memory = np.array([0.2, 0.0, 0.0, 0.0])
    compiled = preview_lqr(gains, response.values, straight, filled, memory)
    assert [float(v) for v in value] == pytest.approx([compiled.curvature, memory[0], memory[1]], rel=1e-12)


@pytest.mark.parametrize("speed", [0.0, 0.3, 2.0, 8.0, 14.3])
def test_steady_turn_asks_for_its_own_curvature(circle, speed):
    """With the slip, yaw rate and lateral velocity of a steady turn on the path nothing is to be done, at any speed.

    The slip is m a V² κ/(L C_r) and v_r = −V times it (Rajamani ch. 3, from memory); not only at the table's knots.
    """
    bend = 1.0 / 40.0
    slip = rear_slip(BUS.values, speed, bend)
    view = view_beside(circle, 30.0, speed)._replace(slip=slip, rear_velocity=-speed * slip)
    terms = terms_of(tracker.PreviewLQR(), BUS, circle, view)
    assert terms.curvature == pytest.approx(bend, rel=1e-9)
    assert terms.slip == pytest.approx(-(terms.heading + terms.motion), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("response", [BUS, ROLLING], ids=["tyres", "rolling"])
def test_turns_in_ahead_of_a_bend(response, bend):
    """Within the lag before a bend to the left the law steers left; far from it, and without feed-forward, not.

    With smoothing it begins more than a second before, by swinging out, which spares steering in the bend.
    """
    law, smooth = tracker.PreviewLQR(), tracker.PreviewLQR(smoothing=1.0)
    near, early, far = (view_beside(bend, s, SPEED) for s in (59.5, 50.0, 20.0))
    assert terms_of(law, response, bend, near).preview > 1e-4
    assert terms_of(smooth, response, bend, early).preview < -5e-5
    assert abs(terms_of(law, response, bend, early).preview) < 1e-5
    for one in (law, smooth):
        assert terms_of(one, response, bend, far).preview == pytest.approx(0.0, abs=1e-12)
    assert terms_of(tracker.PreviewLQR(feed_forward=False), response, bend, near).preview == 0.0


def test_preview_reaches_round_the_closing_of_a_path():
    """On a closed path the preview goes on across its start as if that were any other place."""
    pieces = [
        tracks.Straight(30.0),
        tracks.Arc(math.pi * 15.0, 1 / 15),
        tracks.Straight(30.0),
        tracks.Arc(math.pi * 15.0, 1 / 15),
    ]
    lap = tracks.Path.from_segments(pieces, closed=True).arrays
    law = tracker.PreviewLQR()
    half = 30.0 + math.pi * 15.0
    for ahead in (3.0, 10.0, 20.0):
        here, across = (
            terms_of(law, ROLLING, lap, view_beside(lap, s, SPEED))
            for s in (half - ahead, 2.0 * half - ahead)
        )
        assert across.preview == pytest.approx(here.preview, rel=1e-6, abs=1e-9)
        assert abs(here.preview) > 1e-6


@pytest.mark.parametrize("response", [BUS, ROLLING], ids=["tyres", "rolling"])
def test_command_is_continuous_as_the_speed_sweeps(response, bend):
    """From standstill to beyond the table's end neither a gain nor the command jumps, and low speeds stay bounded."""
    law = tracker.PreviewLQR(integral_rate=0.1)
    gains = table_of(law, response)
    view = view_beside(bend, 55.0, 1.0, 0.2, 0.03)._replace(yaw_rate=0.02, steered=0.004)
    speeds = np.linspace(0.0, 80.0, 16_001)
    answers = np.array(
        [
            preview_lqr(
                gains, response.values, bend, view._replace(speed=v), np.array([0.1, 0.0, 0.0, 0.0])
            ).curvature
            for v in speeds
        ]
    )
    assert np.all(np.isfinite(answers))
    steps = np.abs(np.diff(answers))
    # A continuous command's steps shrink with those of the speed; a jump would not.
    assert np.abs(np.diff(answers[::2])).max() > 1.5 * steps.max()
    assert steps.max() < 2e-4
    assert np.abs(answers).max() < 0.1


def test_far_from_the_path_it_returns_at_a_bounded_angle(straight):
    """However large the lateral error, a vehicle that heads back at 0.6 rad, with straight wheels, goes straight on."""
    law = tracker.PreviewLQR()
    for error in (20.0, 200.0):
        view = view_beside(straight, 50.0, 3.0, error, -0.6)
        assert terms_of(law, ROLLING, straight, view).curvature == pytest.approx(0.0, abs=1e-9)
    view = view_beside(straight, 50.0, 3.0, 20.0, -0.9)
    assert terms_of(law, ROLLING, straight, view).curvature > 0.0


def test_integral_waits_while_the_envelope_holds_back(straight):
    """The sum grows by error times time, and stands still where the last answer was held back in its direction."""
    law = tracker.PreviewLQR(integral_rate=0.2)
    view = view_beside(straight, 50.0, SPEED, 0.1)._replace(asked=-0.01, since=0.03)
    state = np.array([0.5, -0.01, 0.0, 0.0])
    wanted = terms_of(law, ROLLING, straight, view, state).curvature
    assert state[:2] == pytest.approx([0.5 + 0.1 * 0.03, wanted])
    # It wanted to steer further right than was allowed, and the error asks for still more of that.
    state = np.array([0.5, -0.02, 0.0, 0.0])
    terms_of(law, ROLLING, straight, view, state)
    assert state[0] == 0.5
    # An error to the other side works the sum off all the same.
    state = np.array([0.5, -0.02, 0.0, 0.0])
    terms_of(law, ROLLING, straight, view._replace(lateral_error=-0.1), state)
    assert state[0] == pytest.approx(0.5 - 0.1 * 0.03)


def test_without_integral_nothing_is_summed_into_the_command(straight):
    """With integral_rate 0 the sum has no gain."""
    view = view_beside(straight, 50.0, SPEED, 0.1)
    answers = [
        terms_of(tracker.PreviewLQR(), ROLLING, straight, view, np.array([q, 0, 0, 0.0])) for q in (0.0, 9.0)
    ]
    assert answers[0].curvature == answers[1].curvature


def test_a_view_that_is_not_finite_gives_no_finite_curvature(straight):
    """What is not a number stays one, so that the tracker stops the vehicle."""
    for name in ("lateral_error", "heading_error", "yaw_rate", "steered", "asked", "speed"):
        view = view_beside(straight, 50.0, SPEED, 0.1)._replace(**{name: math.nan})
        assert not math.isfinite(terms_of(tracker.PreviewLQR(), BUS, straight, view).curvature), name


def test_gain_table_is_remembered_and_private():
    """Two laws of equal gains share one design, and writing into one table does not reach the other."""
    first = table_of(tracker.PreviewLQR(lateral_tolerance=0.123), BUS)
    second = table_of(tracker.PreviewLQR(lateral_tolerance=0.123), BUS)
    assert np.array_equal(first, second)
    first[:] = 0.0
    assert second.any()


@pytest.mark.parametrize(
    ("field", "bad"),
    [("integral_rate", -0.1), ("preview_time", 0.0), ("preview_time", math.inf), ("smoothing", 1.1), ("smoothing", -0.1),
     ("lateral_jerk_tolerance", 0.0), ("heading_tolerance", math.nan)],
)  # fmt: skip
def test_refuses_nonsense_by_name(field, bad):
    """A setting out of range is refused with its name."""
    with pytest.raises(ValueError, match=field):
        tracker.PreviewLQR(**{field: bad})


def test_goes_through_a_parameter_file(tmp_path):
    """A law with a schedule comes back from its parameter file as it was."""
    law = tracker.PreviewLQR(
        lateral_tolerance=tracker.Schedule(speeds=(2.0, 9.0), values=(0.05, 0.2)), smoothing=0.3
    )
    tracker.save(law, tmp_path / "parameters.json", vehicle=BUS)
    back = tracker.load(tmp_path / "parameters.json")
    assert back.gains == law.gains
    assert np.array_equal(table_of(back, BUS), table_of(law, BUS))
