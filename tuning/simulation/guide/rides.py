"""What every picture drives: an invented 12-seat electric shuttle on a road of an invented hospital campus."""

from __future__ import annotations

import numpy as np

import tracker
import tracks
from tuning.simulation.events import Event
from tuning.simulation.run import Run
from tuning.simulation.scenario import Scenario
from tuning.simulation.simulate import simulate
from tuning.vehicle import Vehicle

__all__ = ["BEND", "LAW", "ROAD", "ROOM", "SHUTTLE", "drive"]

SHUTTLE = Vehicle.model_validate(
    {
        "body": {
            "wheelbase": 3.4, "width": 2.05, "mass": 3600.0, "front_axle_distance": 1.9, "centre_height": 1.0,
            "drag_area": 4.0, "side_area": 11.0, "pressure_centre": 0.5, "model": "single-track-brush",
        },
        "tyres": {
            "cornering_stiffness_front": 110e3, "cornering_stiffness_rear": 160e3, "rolling_resistance": 0.012,
        },
        "steering": {"dead_time": 0.11, "natural_frequency": 11.0, "damping": 0.75, "unpowered": "returns"},
        "drive": {
            "dead_time": 0.18, "lag": 0.45, "brake_dead_time": 0.12, "brake_lag": 0.18, "speed_integral": 0.2,
            "acceleration_limit": 1.6, "deceleration_limit": 3.5, "emergency_deceleration": 3.0,
        },
        "link": {"watchdog": 0.3, "watchdog_deceleration": 2.5},
    }
)  # fmt: skip

LAW = tracker.Stanley()

_SPEED = 7.5  # m/s: 1.1 m/s² in the bend, which standing passengers bear
_LANE = 1.75  # m, half the width of the lane


def _road() -> tracks.Track:
    bend = 1.0 / 50.0
    path = tracks.Path.from_segments(
        [
            tracks.Straight(100.0),
            tracks.Clothoid(25.0, 0.0, bend),
            tracks.Arc(75.0, bend),
            tracks.Clothoid(25.0, bend, 0.0),
            tracks.Straight(150.0),
        ]
    )
    corridor = tracks.Corridor.of_width(path, _LANE)
    return tracks.Track("campus road", path, np.full(path.s.shape, _SPEED), corridor)


ROAD = _road()
BEND = 140.0  # m along the road: within the bend, which turns left
ROOM = _LANE - 0.5 * (
    SHUTTLE.body.width or 0.0
)  # m of lateral error at which the body reaches the lane's edge


def drive(*events: Event, vehicle: Vehicle = SHUTTLE, **circumstances: object) -> Run:
    """Drive along the road with these events.

    Args:
        events: what happens.
        vehicle: that drives.
        circumstances: other fields of `Scenario`.
    """
    scenario = Scenario.model_validate({"events": events, **circumstances})
    return simulate(LAW, vehicle, ROAD, scenario)
