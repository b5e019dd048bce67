"""Identification: how a vehicle really answers its commands, found from drive logs by output error."""

from tuning.identification.drive_alone import identify_drive
from tuning.identification.foresee import foresee
from tuning.identification.foreseen import Foreseen
from tuning.identification.identify import identify
from tuning.identification.result import Identified

__all__ = ["Foreseen", "Identified", "foresee", "identify", "identify_drive"]
