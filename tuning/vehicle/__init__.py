"""Models of the by-wire vehicle: one state, one steering and drive, and a body that can be exchanged."""

from tuning.vehicle.model import (
    KINEMATIC,
    MODELS,
    SINGLE_TRACK,
    SINGLE_TRACK_BRUSH,
    body,
    derivative,
    lateral,
    motion,
    rk4,
    settle,
)
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import Inputs, Motion, State, Surroundings
from tuning.vehicle.tables import Body, Drive, Link, Provenance, Steering, Tyres
from tuning.vehicle.vehicle import Vehicle, understeer_gradient

__all__ = [
    "KINEMATIC",
    "MODELS",
    "SINGLE_TRACK",
    "SINGLE_TRACK_BRUSH",
    "Body",
    "DeadTimes",
    "Drive",
    "Inputs",
    "Link",
    "Motion",
    "PlantParameters",
    "Provenance",
    "State",
    "Steering",
    "Surroundings",
    "Tyres",
    "Vehicle",
    "body",
    "derivative",
    "lateral",
    "motion",
    "rk4",
    "settle",
    "understeer_gradient",
]
