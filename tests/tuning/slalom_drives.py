"""Drives on a slalom at 15 m/s with 0.2 s of dead time, with and without compensation."""

from __future__ import annotations

import numpy as np

import tracker
import tracks
import tuning

__all__ = ["VEHICLES", "errors_with_and_without"]

SPEED = 15.0  # m/s
SPACING = 42.0  # m, of the cones: passed at 1.5 m, the lateral acceleration is 1.8 m/s² at this speed
_STEERING = {"lag": 0.1, "dead_time": 0.2}
_PARTS = {
    "kinematic": {"body": {"wheelbase": 2.7, "model": "kinematic"}},
    # The example car of Rajamani, Vehicle Dynamics and Control, ch. 2 (from memory), axle values.
    "tyres": {
        "body": {"wheelbase": 2.68, "mass": 1573.0, "yaw_inertia": 2873.0, "front_axle_distance": 1.1},
        "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
    },
}
VEHICLES = {
    name: tuning.Vehicle.model_validate({**parts, "steering": _STEERING}) for name, parts in _PARTS.items()
}


def errors_with_and_without(law: tracker.Law, vehicle: tuning.Vehicle) -> tuple[float, float]:
    """Give the RMS of the lateral error (m) within the slalom with the dead time compensated and without."""
    track = tracks.slalom(speed=SPEED, spacing=SPACING, lateral_acceleration=3.0)
    section, found = track.sections[0], []
    for compensate in (True, False):
        run = tuning.simulate(law, vehicle, track, compensate_dead_time=compensate)
        inside = (run.s >= section.start) & (run.s <= section.end)
        assert run.s[-1] > section.end
        found.append(float(np.sqrt(np.mean(run.lateral_error[inside] ** 2))))
    return found[0], found[1]
