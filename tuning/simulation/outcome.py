"""How a drive may end."""

from __future__ import annotations

from enum import IntEnum

__all__ = ["Outcome"]


class Outcome(IntEnum):
    """How a run ended. Only FINISHED is a drive to the end of the track; `Run.as_meant` knows the stops that were meant."""

    FINISHED = 0
    LOST = 1
    """The vehicle got further from the path than the run allows."""
    OUT_OF_TIME = 2
    """The end was not reached in three times the planned time."""
    NOT_FINITE = 3
    """A state became infinite or undefined."""
    STOPPED = 4
    """The tracker brought the vehicle to a controlled stop; `Run.stop_reason` says why."""
    STOPPED_ON_DEMAND = 5
    """A stop demand brought the vehicle to a standstill."""
    STOPPED_BY_WATCHDOG = 6
    """The vehicle stopped by itself, since no command came."""
