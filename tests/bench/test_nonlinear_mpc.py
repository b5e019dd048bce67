"""Time of a step and lateral error of the nonlinear predictive law beside the linear one; run with pytest tests/bench -s.

Both drive the double lane change of ISO 3888-1 at 20 m/s (dimensions from memory) with the example car of R. Rajamani,
Vehicle Dynamics and Control, which has tyres, behind a steering with lag and dead time, with the same gains.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import perf_counter, thread_time

import numpy as np
import pytest

import tracker
import tracks
import tuning

sys.path += [str(Path(__file__).parents[1] / name) for name in ("tracker", "")]

from nonlinear_mpc_cases import CAR, PERIOD, runner_of

GAINS = {
    "default gains": {},
    "tight gains": {"lateral_tolerance": 0.02, "lateral_velocity_tolerance": 0.1},
}
COURSES = {
    # lateral acceleration of the speed plan, m/s²; None: the course's own.
    "as planned for riders": None,
    "planned with 7 m/s²": 7.0,
}


class _Timed:
    """A runner whose steps are timed, of this thread alone: the wall's clock would count what else the machine does."""

    def __init__(self, runner: tracker.Runner, times: list[float]) -> None:
        self._runner, self._times = runner, times

    def curvature(self, view: tracker.View) -> float:
        """Time one step."""
        start = thread_time()
        wanted = self._runner.curvature(view)
        self._times.append(thread_time() - start)
        return wanted

    def __getattr__(self, name: str):
        return getattr(self._runner, name)


def driven(law: tracker.Law, track: tracks.Track, monkeypatch: pytest.MonkeyPatch):
    """Drive a law: give the run and the times of its steps, s."""
    times: list[float] = []
    start = type(law).start
    monkeypatch.setattr(type(law), "start", lambda *given: _Timed(start(*given), times))
    run = tuning.simulate(law, CAR, track, envelope=tracker.Envelope(lateral_acceleration=9.0))
    monkeypatch.undo()
    return run, np.array(times[20:])


def cost_of(law: tracker.Law, run: tuning.Run) -> float:
    """Give what the drive cost by the law's own tolerances, which both laws minimise ahead: the integral of its squares."""
    length, gradient = CAR.response.wheelbase, CAR.response.understeer_gradient
    # The command is corrected for understeer; the laws weigh the path curvature behind it.
    asked = run.command_curvature * length / (length + gradient * run.speed**2)
    held = max(round(PERIOD / float(run.time[1] - run.time[0])), 1)
    rate = np.repeat(np.diff(asked[::held], prepend=asked[0])[: run.time.size] / PERIOD, held)[
        : run.time.size
    ]
    square = run.speed**2
    gains = law.gains
    terms = (
        run.lateral_error / gains["lateral_tolerance"],
        np.gradient(run.lateral_error, run.time) / gains["lateral_velocity_tolerance"],
        square * (asked - run.path_curvature) / gains["lateral_acceleration_tolerance"],
        rate / gains["curvature_rate_tolerance"],
        square * rate / gains["lateral_jerk_tolerance"],
    )
    return float(np.trapezoid(sum(term**2 for term in terms), run.time))


def test_beside_the_linear_law(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture) -> None:
    """One table: step time and lateral error at the rear axle of both laws on every course with every set of gains."""
    rows, medians = [], {}
    for course, acceleration in COURSES.items():
        limits = {} if acceleration is None else {"lateral_acceleration": acceleration}
        track = tracks.double_lane_change(speed=20.0, **limits)
        for name, gains in GAINS.items():
            for law in (tracker.MPC(**gains), tracker.NonlinearMPC(**gains)):
                run, times = driven(law, track, monkeypatch)
                assert run.outcome is tuning.Outcome.FINISHED
                median, late = np.percentile(times, [50.0, 99.0]) * 1e6
                medians.setdefault(law.name, []).append(median)
                error = run.lateral_error
                rows.append(
                    f"{course:22} {name:14} {law.name:13} {median:8.0f} {late:8.0f} "
                    f"{1e3 * np.sqrt(np.mean(error**2)):8.1f} {1e3 * np.abs(error).max():8.1f} "
                    f"{np.abs(run.lateral_acceleration).max():6.2f} {cost_of(law, run):8.1f}"
                )
    ratio = np.median(medians["NonlinearMPC"]) / np.median(medians["MPC"])
    with capsys.disabled():
        print(
            f"\n{'course':22} {'':14} {'law':13} {'median':>8} {'99 %':>8} {'RMS':>8} {'max':>8} {'a_y':>6}"
        )
        print(f"{'':51} {'µs':>8} {'µs':>8} {'mm':>8} {'mm':>8} {'m/s²':>6}")
        print("\n".join(rows))
        print(f"a step of the nonlinear law takes {ratio:.0f} times one of the linear")
    # A fifth of the period, on a machine that does other things too.
    assert np.median(medians["NonlinearMPC"]) < 0.2 * PERIOD * 1e6


def test_start(capsys: pytest.CaptureFixture) -> None:
    """Starting traces the model once for a vehicle and a horizon; the next drive of the same has it already."""
    track = tracks.double_lane_change(speed=20.0)
    runner_of(track, CAR.response)  # whatever is imported and compiled
    other, spent = CAR.response.model_copy(update={"mass": 1600.0}), []
    for _ in range(2):
        begin = perf_counter()
        runner_of(track, other)
        spent.append(1e3 * (perf_counter() - begin))
    with capsys.disabled():
        print(f"\nstart: {spent[0]:.0f} ms with tracing, {spent[1]:.0f} ms the next time")
    assert spent[1] < spent[0]
