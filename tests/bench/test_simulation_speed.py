"""How much compiling the closed loop gains, as a ratio within one run."""

from __future__ import annotations

import sys
import time

import numpy as np
import pytest

import tracker
import tracks
import tuning
from tracks.one_source import plain
from tuning.simulation.kernel import Bench, closed_loop

VEHICLE = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9},
        "tyres": {"cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3},
        "steering": {"dead_time": 0.113},
        "drive": {},
    }
)


def written(part) -> list[np.ndarray]:
    """Give every array of a bench."""
    return [part] if isinstance(part, np.ndarray) else [array for one in part for array in written(one)]


@pytest.mark.parametrize("law", [tracker.PurePursuit(), tracker.Stanley()], ids=["PurePursuit", "Stanley"])
def test_compiled_against_plain_python(law, monkeypatch, capsys):
    """The compiled loop is at least 500 times as fast as the same source in Python, and gives the same drive."""
    track = tracks.campus_loop()
    tuning.simulate(law, VEHICLE, track)
    module = sys.modules["tuning.simulation.simulate"]
    monkeypatch.setattr(module, "_longest_time", lambda *_: 20.0)
    timings = {}
    for name, loop, repeats in (("compiled", closed_loop, 30), ("plain", plain(closed_loop), 1)):

        def timed(*arguments, loop=loop, repeats=repeats, name=name):
            # Only the loop is timed; what it writes would carry over, so it is set back before each drive.
            arrays = written(next(a for a in arguments if isinstance(a, Bench)))
            first = [array.copy() for array in arrays]
            elapsed, result = [], (0, 0)
            for _ in range(repeats):
                for array, before in zip(arrays, first, strict=True):
                    array[...] = before
                begin = time.thread_time()
                result = loop(*arguments)
                elapsed.append(time.thread_time() - begin)
            timings[name] = min(elapsed)
            return result

        monkeypatch.setattr(module, "closed_loop", timed)
        timings[f"{name} run"] = tuning.simulate(law, VEHICLE, track)
    difference = abs(timings["compiled run"].lateral_error - timings["plain run"].lateral_error).max()
    ratio = timings["plain"] / timings["compiled"]
    with capsys.disabled():
        print(
            f"\n{law.name}: 20 s of drive, compiled {1e3 * timings['compiled']:.2f} ms, plain Python "
            f"{timings['plain']:.2f} s, ratio {ratio:.0f}, largest difference {difference:.1e} m"
        )
    assert difference < 1e-9
    assert ratio > 500
