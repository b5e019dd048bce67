"""Stability of the loop of vehicle, tracker and law: margins, maps of them, and how robust they are."""

from tuning.stability.loop import Loop
from tuning.stability.margins import Margins
from tuning.stability.setting import Setting, loop_at, margins

__all__ = ["Loop", "Margins", "Setting", "loop_at", "margins"]
