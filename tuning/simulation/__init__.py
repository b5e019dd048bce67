"""Closed-loop drives: a law on a track with a vehicle in a scenario."""

from tuning.simulation.run import Outcome, Run
from tuning.simulation.scenario import Scenario
from tuning.simulation.simulate import simulate

__all__ = ["Outcome", "Run", "Scenario", "simulate"]
