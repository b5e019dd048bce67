"""Dynamic single-track body with brush tyres."""

from __future__ import annotations

from tracks.one_source import equation
from tuning.vehicle.single_track import single_track_body

__all__ = ["single_track_brush_body"]


@equation
def single_track_brush_body(p, state, angle, drive, brake, around):
    """Give the `Motion` in a state; arguments as for every body (`tuning.vehicle.model.body`)."""
    return single_track_body(p, state, angle, drive, brake, around)
