"""Channels of drive logs checked against physics: signs, units, sizes, delays, frames, faults."""

from tuning.logs.physics.check import check_physics
from tuning.logs.physics.finding import Finding, Severity

__all__ = ["Finding", "Severity", "check_physics"]
