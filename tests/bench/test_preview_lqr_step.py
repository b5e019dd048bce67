"""Time of the preview law: one step beside the other closed forms, and its design; run with pytest tests/bench -s.

Times are of this thread alone: the wall's clock would count what else the machine does in its time slices.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import thread_time

import numba
import numpy as np

import tracker
import tracks

sys.path.append(str(Path(__file__).parents[1]))

from views import view_beside

from tracker.laws.closed_form import wanted_curvature

BUS = tracker.Response(
    wheelbase=3.4,
    lag=0.14,
    mass=3600.0,
    front_axle_distance=1.9,
    cornering_stiffness_front=110e3,
    cornering_stiffness_rear=160e3,
)
ENVELOPE = tracker.Envelope().values(BUS)
STEPS = 20_000


@numba.njit
def many(kernel, gains, response, path, view, state, steps):
    """Ask a law again and again, as the simulator's loop does."""
    total = 0.0
    for _ in range(steps):
        total += wanted_curvature(kernel, gains, response, path, view, state)
    return total


def test_step_time() -> None:
    """A step in compiled code takes well below 5 µs, all of the preview included."""
    path = tracks.campus_loop().path.arrays
    view = view_beside(path, 60.0, 7.0, 0.1, 0.02)
    times = {}
    for law in (tracker.PurePursuit(), tracker.Stanley(), tracker.PreviewLQR()):
        arguments = (law.kernel, law.gain_table(BUS, ENVELOPE, 0.02), BUS.values, path, view)
        many(*arguments, np.zeros(4), 10)
        best = np.inf
        for _ in range(5):
            start = thread_time()
            many(*arguments, np.zeros(4), STEPS)
            best = min(best, thread_time() - start)
        times[law.name] = best / STEPS * 1e6
    print("\n" + ", ".join(f"{name} {time:.2f} µs" for name, time in times.items()))
    assert times["PreviewLQR"] < 5.0


def test_design_time() -> None:
    """The table of gains at all speeds takes less than 100 ms, and is remembered."""
    tracker.PreviewLQR().gain_table(BUS, ENVELOPE, 0.02)
    times = []
    for i in range(9):
        law = tracker.PreviewLQR(lateral_tolerance=0.2 + 0.01 * i)
        start = thread_time()
        law.gain_table(BUS, ENVELOPE, 0.02)
        times.append(thread_time() - start)
    start = thread_time()
    law.gain_table(BUS, ENVELOPE, 0.02)
    again = thread_time() - start
    print(f"\ndesign: median {np.median(times) * 1e3:.1f} ms, asked again {again * 1e6:.0f} µs")
    assert np.median(times) < 0.1
    assert again < 0.1 * np.median(times)
