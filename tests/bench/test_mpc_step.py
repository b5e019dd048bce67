"""Time of one step of the predictive law, all of its Python included, beside OSQP on the same programmes.

Run with `pytest -s tests/bench/test_mpc_step.py`. The bounds are generous to a loaded machine; the figures are what the
prints say. Times are this thread's own: the wall's clock would count what else the machine does in its time slices.
"""

from __future__ import annotations

import sys
from itertools import cycle
from pathlib import Path
from time import thread_time

import numpy as np
import osqp
import pytest
import scipy.sparse as sparse

sys.path.append(str(Path(__file__).parents[1] / "tracker"))

from mpc_cases import PERIOD, Drive, bends, drive, recorded_drives, runner_of, tyred
from mpc_references import by_ipopt, by_osqp, kkt_residual

import tracks
from tracker.laws.mpc import MPC
from tracker.laws.mpc_solver import Solver
from tracker.laws.mpc_work import SOFT

CAR = tyred()
CASES = {
    # track, factor of its speed, start: the courses with a corridor, and bends with bounds active all the time.
    "double lane change": (lambda: _beside(tracks.double_lane_change(speed=20.0), 1.5), 1.3, {}),
    "slalom": (lambda: _beside(tracks.slalom(), 1.5), 1.4, {}),
    "campus loop": (lambda: _beside(tracks.campus_loop(), 1.5), 1.0, {}),
    "at the limits": (lambda: bends(13.0, 1.5), 1.0, {"offset": 1.0}),
}


def _beside(track: tracks.Track, corridor: float) -> tracks.Track:
    """Give a track with a symmetric corridor [m]."""
    return tracks.Track(track.name, track.path, track.speed, tracks.Corridor.of_width(track.path, corridor))


def recorded(case: str, seconds: float = 25.0):
    """Give the track and the views of a drive, the factor of its speed and the drive itself."""
    make, factor, start = CASES[case]
    track, views = make(), []
    run = drive(
        runner_of(track, response=CAR, factor=factor), track, seconds, None, CAR,
        each=lambda view, _runner: views.append(view), **start,
    )  # fmt: skip
    return track, views, factor, run


def timed(runner, views) -> tuple[float, float, float]:
    """Give median and 99th percentile of the time of a step [µs], and the mean number of the solver's iterations."""
    times, iterations = [], []
    for view in views:
        start = thread_time()
        runner.curvature(view)
        times.append(thread_time() - start)
        iterations.append(runner._solver.info["iterations"])
    median, late = np.percentile(times, [50.0, 99.0]) * 1e6
    return float(median), float(late), float(np.mean(iterations))


@pytest.mark.parametrize("case", CASES)
def test_step_time(benchmark, case: str) -> None:
    """With tyres, corridor and speed, the median step takes at most 150 µs and 99 of 100 at most 500 µs."""
    track, views, factor, _ = recorded(case)
    runner = runner_of(track, response=CAR, factor=factor)
    timed(runner, views[:50])
    median, late, iterations = timed(runner, views * 2)
    runner._solver = Solver(runner._work, warm=False)
    cold, cold_late, cold_iterations = timed(runner, views * 2)
    print(
        f"\npredictive law, {case}: median {median:.0f} µs, 99 % within {late:.0f} µs, {iterations:.2f} iterations; "
        f"started cold {cold:.0f} µs, {cold_late:.0f} µs, {cold_iterations:.2f}"
    )
    benchmark.extra_info.update(median_us=median, late_us=late, iterations=iterations)
    runner._solver = Solver(runner._work)
    endless = cycle(views)
    benchmark(lambda: runner.curvature(next(endless)))
    assert median < 150.0
    assert late < 500.0


@pytest.mark.parametrize("case", CASES)
def test_step_time_against_osqp(case: str) -> None:
    """DAQP solves the very programmes of a drive in less time than OSQP, warm too, at what 1e-4 1/m needs of it."""
    track, views, factor, _ = recorded(case)
    runner = runner_of(track, response=CAR, factor=factor)
    work, n = runner._work, runner._work.gradient.size
    m = work.upper.size
    soft = np.flatnonzero(work.kinds == SOFT)
    slack = np.zeros((m, soft.size))
    slack[soft, np.arange(soft.size)] = 1.0
    full_a = np.hstack([np.ones((m, n)), slack])
    full_a[:n, :n] = np.eye(n)
    full_h = np.zeros((n + soft.size, n + soft.size))
    full_h[:n, :n], full_h[n:, n:] = np.triu(np.ones((n, n))), np.eye(soft.size)
    a, h, f = sparse.csc_matrix(full_a), sparse.csc_matrix(full_h), np.zeros(n + soft.size)
    at_a, at_h = (_by_columns(full_a), _by_columns(full_h))
    solver = osqp.OSQP()
    solver.setup(
        h,
        f,
        a,
        np.full(m, -1e30),
        np.full(m, 1e30),
        eps_abs=1e-5,
        eps_rel=1e-5,
        verbose=False,
        warm_starting=True,
    )
    ours, theirs, apart = [], [], []
    for view in views:
        runner.prepare(view)
        start = thread_time()
        found = runner._solver.solve()
        ours.append(thread_time() - start)
        work.plan[:], work.told[0] = found, 1.0
        full_h[:n, :n], full_a[n:, :n], f[:n] = work.hessian, work.rows, work.gradient
        start = thread_time()
        solver.update(Px=full_h[at_h], Ax=full_a[at_a], q=f, l=work.lower, u=work.upper)
        result = solver.solve(raise_error=False)
        theirs.append(thread_time() - start)
        apart.append(np.abs(result.x[:n] - found).max())
    a_time, o_time = np.median(ours) * 1e6, np.median(theirs) * 1e6
    a_late, o_late = np.percentile(ours, 99) * 1e6, np.percentile(theirs, 99) * 1e6
    print(
        f"\n{case}: DAQP {a_time:.0f} µs (99 % {a_late:.0f}), OSQP {o_time:.0f} µs (99 % {o_late:.0f}), "
        f"ratio {o_time / a_time:.1f}; apart {np.median(apart):.1e} 1/m at most of the time"
    )
    assert a_time < o_time


def _by_columns(pattern: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give rows and columns of the entries that are not 0, in the order of a compressed sparse column matrix."""
    columns, rows = np.nonzero(pattern.T)
    return rows, columns


def test_five_hundred_programmes() -> None:
    """500 programmes recorded in closed loop: the answers are OSQP's and IPOPT's to 1e-6, and no hard bound is violated."""
    found = recorded_drives(every=8)
    assert len(found) >= 500
    by_first_order = max(np.abs(p.plan - by_osqp(p)).max() for p in found)
    by_interior_point = max(np.abs(p.plan - by_ipopt(p)).max() for p in found)
    residual = max(kkt_residual(p) for p in found)
    violation = 0.0
    for p in found:
        value, hard = np.concatenate([p.plan, p.rows @ p.plan]), p.kinds != SOFT
        violation = max(violation, (value - p.upper)[hard].max(), (p.lower - value)[hard].max())
    active = sum(bool(np.any(p.multipliers != 0.0)) for p in found)
    print(
        f"\n{len(found)} programmes, {active} with active bounds: OSQP within {by_first_order:.1e} 1/m, IPOPT within "
        f"{by_interior_point:.1e} 1/m, residual of the optimum {residual:.1e}, hard bounds within {violation:.1e}"
    )
    assert max(by_first_order, by_interior_point) < 1e-6
    assert violation < 1e-6
    assert residual < 1e-6


@pytest.mark.parametrize("moves", [4, 6, 8, 10, 12, 15, 30])
def test_quality_over_moves(moves: int) -> None:
    """The default number of free inputs drives like all of them: within 1 mm and 1 % of the jerk on every course."""
    drives = {}
    for name, make in {
        "bends": lambda: bends(9.0),
        "double lane change": lambda: tracks.double_lane_change(speed=20.0),
        "slalom": tracks.slalom,
        "campus loop": tracks.campus_loop,
    }.items():
        track = make()
        drives[name] = [_driven(track, MPC(moves=n)) for n in (moves, 30)]
    print(f"\n{moves} moves: ", end="")
    for name, (few, all_of_them) in drives.items():
        print(f"{name} {100 * few[0]:.2f} cm, {100 * few[1]:.2f} cm, {few[2]:.3f} m/s³; ", end="")
        if moves >= MPC().moves:
            assert few[1] < all_of_them[1] + 1e-3
            assert few[2] < 1.01 * all_of_them[2]
    print()


def _driven(track: tracks.Track, law: MPC) -> tuple[float, float, float]:
    """Give largest and RMS lateral error [m] and the RMS of the jerk asked for [m/s³] of a drive."""
    run: Drive = drive(runner_of(track, law, CAR), track, 25.0, None, CAR)
    jerk = np.diff(run.asked) / PERIOD * run.speed[1:] ** 2
    error = run.lateral_error
    return float(np.abs(error).max()), float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean(jerk**2)))
