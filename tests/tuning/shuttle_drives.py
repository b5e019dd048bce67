"""An invented shuttle with and without tyres, for drives that judge laws, and where its steady turn is looked at."""

from __future__ import annotations

import numpy as np

import tracks
import tuning

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
