"""Log health: what drive logs hold, whether they can be trusted, and what they can tell, before any fit."""

from tuning.health.channels import ChannelHealth, LogHealth
from tuning.health.coverage import Coverage
from tuning.health.health import Health, examine
from tuning.health.manoeuvres import Manoeuvres, Thresholds
from tuning.health.spectra import Spectrum

__all__ = [
    "ChannelHealth",
    "Coverage",
    "Health",
    "LogHealth",
    "Manoeuvres",
    "Spectrum",
    "Thresholds",
    "examine",
]
