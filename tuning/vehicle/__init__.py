"""Models of the by-wire vehicle: one state, one steering and drive, and a body that can be exchanged."""

from tuning.vehicle.model import KINEMATIC, MODELS, SINGLE_TRACK, derivative, lateral, motion, rk4
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import Inputs, State
from tuning.vehicle.tables import Body, Drive, Provenance, Steering, Tyres
from tuning.vehicle.vehicle import Vehicle, understeer_gradient

__all__ = [
    "KINEMATIC",
    "MODELS",
    "SINGLE_TRACK",
    "Body",
    "DeadTimes",
    "Drive",
    "Inputs",
    "PlantParameters",
    "Provenance",
    "State",
    "Steering",
    "Tyres",
    "Vehicle",
    "derivative",
    "lateral",
    "motion",
    "rk4",
    "understeer_gradient",
]
