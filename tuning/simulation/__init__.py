"""Closed-loop drives: a law on a track with a vehicle in a scenario, and what happens on the way."""

from tuning.simulation.events import (
    DriverHoldsSpeed,
    DriverTakesOver,
    FrictionChange,
    LinkLost,
    LoadChange,
    LocalisationJump,
    LocalisationLost,
    RoadTilt,
    SideWind,
    StopDemand,
)
from tuning.simulation.happenings import Happening
from tuning.simulation.localisation import Localisation
from tuning.simulation.open_loop import OpenLoopRun, open_loop
from tuning.simulation.outcome import Outcome
from tuning.simulation.run import Run
from tuning.simulation.scenario import Scenario
from tuning.simulation.simulate import simulate

__all__ = [
    "DriverHoldsSpeed",
    "DriverTakesOver",
    "FrictionChange",
    "Happening",
    "LinkLost",
    "LoadChange",
    "Localisation",
    "LocalisationJump",
    "LocalisationLost",
    "OpenLoopRun",
    "Outcome",
    "RoadTilt",
    "Run",
    "Scenario",
    "SideWind",
    "StopDemand",
    "open_loop",
    "simulate",
]
