"""Settings of a tracker, as compiled code takes them."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["BLIND_FOR", "WHEELBASES_JUMPED", "Options"]

# Wheelbases by which a pose may differ from the reckoned one and still be believed; common practice, no source.
WHEELBASES_JUMPED = 0.5
BLIND_FOR = 0.5  # s that a vehicle may drive by reckoning alone; common practice, no source


class Options(NamedTuple):
    """Settings of a tracker as floats for compiled code.

    Attributes:
        period: between two commands, s.
        speed_factor: of the track's planned speed.
        compensate_dead_time: 1.0 or 0.0.
        lost_beyond: lateral error beyond which the vehicle is stopped, m.
        jump_beyond: distance from the reckoned pose beyond which a measured one is not believed, m.
        blind_for: age of the last believed pose beyond which the vehicle is stopped, s.
    """

    period: float
    speed_factor: float
    compensate_dead_time: float
    lost_beyond: float
    jump_beyond: float
    blind_for: float
