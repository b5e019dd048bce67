"""Stability of the loop of vehicle, tracker and law: margins, maps of them, and how robust they are."""

from tuning.stability.findings import StabilityFindings
from tuning.stability.limits import MARGINS, StabilityLimits
from tuning.stability.loop import Loop
from tuning.stability.margins import Margins
from tuning.stability.over_speed import SpeedMargins, margins_over_speed
from tuning.stability.robustness import Robustness, drawn_from_intervals, robustness
from tuning.stability.setting import Setting, loop_at, margins
from tuning.stability.stability_map import StabilityMap, map_of, stability_map

__all__ = [
    "MARGINS",
    "Loop",
    "Margins",
    "Robustness",
    "Setting",
    "SpeedMargins",
    "StabilityFindings",
    "StabilityLimits",
    "StabilityMap",
    "drawn_from_intervals",
    "loop_at",
    "map_of",
    "margins",
    "margins_over_speed",
    "robustness",
    "stability_map",
]
