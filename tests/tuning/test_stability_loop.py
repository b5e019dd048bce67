"""The linear loop: sampled exactly, the same in frequency and in states, and margins as python-control has them."""

from __future__ import annotations

import casadi
import control
import numpy as np
import pytest
from stability_drives import CAR, WIDE

import tracker
import tuning
from tracker.laws.base import View
from tracker.laws.closed_form import wanted_curvature
from tracker.laws.mpc_preview import heading_at
from tracker.memory import LAW_SLOTS
from tracks.errors import InputError
from tracks.geometry import evaluate, project
from tuning.stability import Setting, loop_at
from tuning.stability.law_slopes import ClosedForm
from tuning.stability.local_path import LocalPath, on_local_path
from tuning.stability.margins import margins_of_rows
from tuning.stability.perception import perception_at, road_of
from tuning.stability.plant import plant_beside, steady_drive

# A vehicle of each body, with a steering of either order.
FIRST_ORDER = CAR.replace(**{"steering.lag": 0.12})
KINEMATIC = CAR.replace(**{"body.model": "kinematic", "tyres.understeer_gradient": 0.002})
BRUSH = CAR.replace(**{"body.model": "single-track-brush"})
LAWS = (
    tracker.PurePursuit(lookahead_time=1.2, integral=0.1),
    tracker.Stanley(gain=0.6, yaw_damping=0.05, steer_damping=0.03),
    tracker.MPC(),
)


@pytest.mark.parametrize(
    ("dead_time", "latency"),
    [(0.0, 0.0), (0.007, 0.013), (0.04, 0.0), (0.0673, 0.057), (0.0673, 0.04), (0.04, 0.0333)],
)
@pytest.mark.parametrize("vehicle", [FIRST_ORDER, KINEMATIC, BRUSH], ids=["first", "kinematic", "brush"])
def test_sampled_response_is_the_sum_over_aliases(vehicle, dead_time, latency):
    """The response of hold, plant and sampler is the sum of the continuous one over all aliases.

    P*(jw) = 1/T sum G(jw + jk ws) H(jw + jk ws) with H = (1 - exp(-sT))/s of the hold (Astrom, Wittenmark,
    Computer-Controlled Systems, ch. 7: from memory). Dead time and latency are exact there: factors exp(-s tau).
    """
    period = 0.02
    plant = plant_beside(vehicle, steady_drive(vehicle, 12.0), period, dead_time, latency)
    for w in (0.7, 9.0, 60.0):
        s = 1j * (w + 2.0 * np.pi / period * np.arange(-1000, 1001))
        n = plant.b.size
        g = (
            np.linalg.solve(s[:, None, None] * np.eye(n) - plant.a, plant.b[:, None].astype(complex))[..., 0]
            @ plant.c.T
        )
        g = g * (np.exp(-s * dead_time) * (1.0 - np.exp(-s * period)) / s / period)[:, None]
        g[:, :2] *= np.exp(-s * latency)[:, None]
        expected = g.sum(axis=0)
        found = plant.response(np.array([np.exp(1j * w * period)]))[0]
        # What is cut off of the sum falls with the cube of the alias's number, of the angle of a first-order steering with
        # its square: below 5e-4 of the largest alias here.
        assert np.abs(found - expected) == pytest.approx(0.0, abs=5e-4 * np.abs(g).max())
        assert np.abs(found[:2] / expected[:2] - 1.0).max() < 1e-5


@pytest.mark.parametrize("speed", [0.8, 5.0, 20.0])
@pytest.mark.parametrize(
    "vehicle", [CAR, FIRST_ORDER, KINEMATIC, BRUSH], ids=["second", "first", "kinematic", "brush"]
)
def test_path_errors_are_those_of_the_simulated_equations(vehicle, speed):
    """The plant moves as the simulator's equations do: differences of its vehicle beside a curve, over a short time."""
    from tuning.simulation.plant import rk4  # the simulator's own step
    from tuning.vehicle.state import Inputs, Surroundings
    from tuning.vehicle.steering import steering_target

    curvature = 0.008
    drive = steady_drive(vehicle, speed, curvature, 0.1)
    plant = plant_beside(vehicle, drive, 0.02, 0.0)
    road = road_of(speed, curvature)
    p = vehicle.plant
    held = {"drive_acceleration": drive.state.drive_acceleration}

    def errors(deviation: np.ndarray, command: float) -> np.ndarray:
        """Give e and psi after 10 ms, from deviations of e and psi and of the command."""
        x, y, heading = road.pose(0.0, 0.1 + deviation[0], drive.heading_error + deviation[1])
        state = drive.state._replace(x=x, y=y, heading=heading, **held)
        inputs = Inputs(float(steering_target(p, drive.command + command)), speed, 0.0, speed, 0.0, 0.0, 1.0)
        for _ in range(10):
            state = rk4(
                vehicle.model_code, p, state, inputs, Surroundings(1.0, 0.0, 0.0, 0.0), 1e-3
            )._replace(speed=speed)
        s, offset = road.track.path.locate(state.x, state.y)
        return np.array((offset, state.heading - curvature * s))

    phi, gamma = plant.held(0.01)
    h = 1e-4
    for column in range(2):
        step = h * np.eye(2)[column]
        slope = (errors(step, 0.0) - errors(-step, 0.0)) / (2.0 * h)
        assert slope == pytest.approx(phi[:2, column], abs=2e-5)
    slope = (errors(np.zeros(2), h) - errors(np.zeros(2), -h)) / (2.0 * h)
    assert slope == pytest.approx(gamma[:2], rel=2e-3, abs=1e-6 * speed**2)


@pytest.mark.parametrize("curvature", [0.0, 0.012])
@pytest.mark.parametrize("law", LAWS[:2], ids=lambda law: law.name)
def test_traced_slopes_are_those_of_the_compiled_formula(law, curvature):
    """CasADi's slopes of a law are central differences of what drives, on a real path, in every field of the view."""
    response, period = CAR.response, 0.02
    road, drive = road_of(9.0, curvature), steady_drive(CAR, 9.0, curvature)
    options = Setting(CAR).options(response)
    view = perception_at(response.values, options, road, drive, 0.0, False).steady
    table = law.gain_table(response, WIDE.values(response), period)
    state = np.zeros(LAW_SLOTS)
    for _ in range(3):
        wanted_curvature(law.kernel, table, response.values, road.track.arrays.path, view, state)
    wanted = wanted_curvature(law.kernel, table, response.values, road.track.arrays.path, view, state.copy())
    view = view._replace(asked=wanted)
    found = ClosedForm(law.kernel, response.values, table[None], curvature, view).linear(view, state)
    for name in (
        "x",
        "y",
        "heading",
        "lateral_error",
        "heading_error",
        "curvature",
        "yaw_rate",
        "steering_angle",
    ):
        ends = [
            wanted_curvature(
                law.kernel, table, response.values, road.track.arrays.path,
                view._replace(**{name: getattr(view, name) + way * 1e-5}), state.copy(),
            )
            for way in (1.0, -1.0)
        ]  # fmt: skip
        assert found.view[View._fields.index(name)] == pytest.approx(
            (ends[0] - ends[1]) / 2e-5, rel=1e-5, abs=1e-7
        )


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)
@pytest.mark.parametrize(
    "around", [{}, {"latency": 0.033, "latency_told": True}, {"compensate_dead_time": False}]
)
def test_frequency_and_states_tell_the_same_loop(law, around):
    """L from transfer functions and L from the state-space model agree to rounding, up to half the rate of commands."""
    loop = loop_at(law, Setting(CAR, **around), 10.0)
    w = np.geomspace(0.05, 1.0, 40) * loop.highest
    theirs = loop.state_space()(np.exp(1j * w * 0.02))
    assert np.abs(loop.response(w) - theirs).max() < 1e-9 * np.abs(theirs).max()


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)
@pytest.mark.parametrize("speed", [3.0, 10.0, 18.0])
def test_margins_are_those_of_python_control(law, speed):
    """Gain, phase, modulus and disk margins are python-control's, on a grid of the exact loop: no Pade anywhere."""
    loop = loop_at(law, Setting(CAR), speed)
    found = margins_of_rows(loop)[0]
    w = np.geomspace(4e-3, 1.0, 4000) * loop.highest
    data = control.FrequencyResponseData(loop.response(w), w, smooth=True)
    gains, phases, distances, *_ = control.stability_margins(data, returnall=True)
    assert found.gain_up == pytest.approx(min(g for g in gains if g > 1.0), rel=3e-4)
    assert found.phase_degrees == pytest.approx(np.abs(phases).min(), abs=1e-3)
    assert found.modulus == pytest.approx(min(distances), rel=1e-4)
    disk, _, disk_phase = control.disk_margins(loop.state_space(), w, skew=0.0)
    assert found.disk == pytest.approx(disk, rel=1e-5)
    assert found.disk_phase_degrees == pytest.approx(disk_phase, rel=1e-4)


@pytest.mark.parametrize(
    "vehicle", [CAR, FIRST_ORDER, KINEMATIC, BRUSH], ids=["second", "first", "kinematic", "brush"]
)
@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)
def test_margins_are_where_the_poles_leave_the_unit_circle(law, vehicle):
    """Bisecting the spectral radius of the exact sampled loop gives the same gain and the same dead time on top."""
    loop = loop_at(law, Setting(vehicle, latency=0.01), 12.0)
    found = margins_of_rows(loop)[0]
    assert found.stable

    def bisected(low: float, high: float, name: str) -> float:
        for _ in range(40):
            middle = 0.5 * (low + high)
            radius = loop.radius(gain=middle) if name == "gain" else loop.radius(extra=middle)
            inside = radius < 1.0
            low, high = (middle, high) if inside else (low, middle)
        return low

    assert bisected(1.0, 1.3 * found.gain_up, name="gain") == pytest.approx(found.gain_up, rel=1e-8)
    assert bisected(0.0, 1.3 * found.delay, name="extra") == pytest.approx(found.delay, rel=1e-8)
    # And no earlier edge lies in between.
    assert all(loop.radius(gain=g) < 1.0 for g in np.linspace(1.0, 0.999 * found.gain_up, 25))
    assert all(loop.radius(extra=d) < 1.0 for d in np.linspace(0.0, 0.999 * found.delay, 25))


def test_an_integral_gives_a_least_gain():
    """A law with an integral on this loop is unstable with too little gain as well: both edges are found."""
    loop = loop_at(tracker.PurePursuit(lookahead_time=1.2, integral=0.3), Setting(CAR), 10.0)
    found = margins_of_rows(loop)[0]
    assert 0.0 < found.gain_down < 1.0 < found.gain_up
    assert loop.radius(gain=1.001 * found.gain_down) < 1.0 < loop.radius(gain=0.999 * found.gain_down)


class _AsPython(tracker.Law):
    """A closed-form law shown as one in Python: what it remembers is hidden from whoever looks."""

    inner: tracker.PurePursuit

    def start(self, response, envelope, track, period, speed_factor):
        table = self.inner.gain_table(response, envelope, period)
        path = track.arrays.path

        class Runner:
            def __init__(self) -> None:
                self.counts: dict[str, int] = {}
                self.state = np.zeros(LAW_SLOTS)

            def curvature(self, view):
                return wanted_curvature(1, table, response.values, path, view, self.state)

        return Runner()


def test_a_hidden_integral_is_found_from_answers():
    """Answers of a runner give the margins that the traced formula gives, its hidden integral included."""
    inner = tracker.PurePursuit(lookahead_time=1.2, integral=0.3)
    loop = loop_at(_AsPython(inner=inner), Setting(CAR), 10.0)
    traced = margins_of_rows(loop_at(inner, Setting(CAR), 10.0))[0]
    found = margins_of_rows(loop)[0]
    for name in ("gain_up", "gain_down", "phase", "delay", "disk"):
        assert getattr(found, name) == pytest.approx(getattr(traced, name), rel=2e-4)


def test_steady_error_of_the_paper_form_in_a_curve():
    """Without feed-forward the Stanley law holds its front axle on the path: the rear axle cuts L^2/2R (derived)."""
    vehicle = KINEMATIC.replace(**{"tyres.understeer_gradient": 0.0})
    found = tuning.margins(tracker.Stanley(feed_forward=False), vehicle, 2.0, curvature=0.01)
    assert found.lateral_error == pytest.approx(0.5 * 2.68**2 * 0.01, rel=1e-3)
    assert abs(tuning.margins(tracker.Stanley(), vehicle, 2.0, curvature=0.01).lateral_error) < 1e-9


def test_extra_dead_time_and_compensation_are_told_apart():
    """Dead time that the tracker knows and makes up for costs little; the same unknown to it is taken from the margin."""
    law = tracker.PurePursuit()
    plain = tuning.margins(law, CAR, 10.0)
    surprised = tuning.margins(law, CAR, 10.0, extra_dead_time=0.05)
    assert plain.delay - surprised.delay == pytest.approx(0.05, abs=1e-9)
    assert tuning.margins(law, CAR, 10.0, compensate_dead_time=False).delay < plain.delay
    told = tuning.margins(law, CAR, 10.0, latency=0.05, latency_told=True)
    untold = tuning.margins(law, CAR, 10.0, latency=0.05)
    assert untold.phase < told.phase


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"speed": 0.0}, "speed is 0"), ({"speed": -3.0}, "speed is -3"), ({"curvature": float("nan")}, "curvature is nan"),
        ({"period": 0.5}, "period is 0.5"), ({"latency": -1.0}, "latency is -1"), ({"curvature": 0.04}, "envelope allows"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(changes, said):
    """A setting out of range, or a curve that the envelope does not allow, is one clear sentence."""
    settings = {"speed": 10.0} | changes
    with pytest.raises(InputError, match=said):
        tuning.margins(tracker.PurePursuit(), CAR, settings.pop("speed"), **settings)


@pytest.mark.parametrize("curvature", [0.0, 0.03, -0.01])
def test_the_path_in_closed_form_is_the_path_of_cells(curvature):
    """Points, projections and headings of the stand-in for tracing are those of a path made of cells."""
    path = road_of(5.0, curvature).track.arrays.path
    instead = on_local_path()
    local = LocalPath(curvature)
    for s, offset in ((3.0, 0.4), (61.0, -0.7), (140.0, 0.0)):
        point, stand_in = evaluate(path, s), instead[evaluate](local, casadi.SX(s))
        assert [float(casadi.DM(casadi.SX(value))) for value in stand_in] == pytest.approx(
            list(point), abs=1e-9
        )
        x, y = point.x - offset * point.tangent_y, point.y + offset * point.tangent_x
        found = [float(casadi.DM(value)) for value in instead[project](local, x, y, s + 1.0)]
        assert found == pytest.approx([s, offset], abs=1e-9)
        assert instead[heading_at](local, s) == pytest.approx(heading_at(path, s), abs=1e-9)
