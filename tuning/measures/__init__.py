"""Measures of a run and limits on them."""

from tuning.measures.base import Drive, Measure, Recording
from tuning.measures.limits import Limits
from tuning.measures.registry import MEASURES, measure

__all__ = ["MEASURES", "Drive", "Limits", "Measure", "Recording", "measure"]
