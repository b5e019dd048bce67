"""Identification: how a vehicle really answers its commands, found from drive logs by output error."""

from tuning.identification.drive_alone import identify_drive
from tuning.identification.identify import identify
from tuning.identification.result import Identified

__all__ = ["Identified", "identify", "identify_drive"]
