"""An invented shuttle with and without tyres, for drives that judge laws, and where its steady turn is looked at."""

from __future__ import annotations

import sys

import numpy as np

import tracker
import tracks
import tuning
from tracks.one_source import plain
from tuning.simulation.kernel import closed_loop

SHUTTLE = {
    "body": {"wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9, "width": 2.0},
    "tyres": {"cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3},
    "steering": {
        "dead_time": 0.113,
        "natural_frequency": 11.0,
        "damping": 0.75,
        "offset": 0.004,
        "gain": 0.97,
    },
    "drive": {},
}
TYRES = tuning.Vehicle.model_validate(SHUTTLE)
VEHICLES = {"single-track": TYRES, "kinematic": TYRES.replace(**{"body.model": "kinematic"})}


def in_the_arc(run: tuning.Run, track: tracks.Track) -> np.ndarray:
    """Give the recordings in the last third of the arc of a constant-radius course."""
    arc = next(section for section in track.sections if section.name == "arc")
    return (run.s > arc.start + 0.67 * (arc.end - arc.start)) & (run.s < arc.end - 8.0)


def check_plain_loop(law: tracker.Law, vehicle: tuning.Vehicle, seconds: float, monkeypatch) -> None:
    """Hold the first seconds of a whole drive in compiled code to those of the same source in plain Python, to 1e-9."""
    track = tracks.double_lane_change(speed=7.0)
    compiled = tuning.simulate(law, vehicle, track)
    module = sys.modules["tuning.simulation.simulate"]
    monkeypatch.setattr(module, "_longest_time", lambda *_: seconds)
    monkeypatch.setattr(module, "closed_loop", plain(closed_loop))
    by_python = tuning.simulate(law, vehicle, track)
    n = by_python.time.size
    assert n == round(100.0 * seconds) + 1
    for name, values in by_python.to_frame().items():
        # The last command is repeated at the end of a run, and this run ends earlier.
        difference = np.abs(values.to_numpy()[: n - 2] - getattr(compiled, str(name))[: n - 2])
        assert difference.max() < 1e-9, name
