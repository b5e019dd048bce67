"""Stops on demand: what the three categories do in a bend."""

from __future__ import annotations

import numpy as np

from tuning.simulation.events import StopDemand
from tuning.simulation.guide.rides import BEND, drive
from tuning.simulation.guide.sheet import Curve, Label, Sheet, Span, errors, since, speeds, steering

__all__ = ["stop_demand"]


def stop_demand() -> Sheet:
    """Category 0, 1 and 2 demanded at the same place in the bend, the last one released after 8 s."""
    off = drive(StopDemand(category=0, at_distance=BEND))
    controlled = drive(StopDemand(category=1, at_distance=BEND))
    kept = drive(StopDemand(category=2, at_distance=BEND, duration=8.0))
    runs = (off, controlled, kept)
    begin = off.happenings[0].begun
    t = [since(run, begin) for run in runs]
    roles = ("first", "second", "third")
    first, second, third = (run.happenings[0] for run in runs)
    angle = [np.degrees(run.road_wheel_angle) for run in runs]
    return Sheet(
        name="stop_demand",
        message=f"A stop in a bend: category 0 is the shortest ({first.stopping_distance:.1f} m against "
        f"{second.stopping_distance:.1f} m),\nbut nobody steers: it drifts {first.lateral_error:.2f} m; "
        f"categories 1 and 2 stay within {second.lateral_error:.2f} m",
        x="time since the demand, s",
        limits=(-1.0, 14.0),
        panels=(
            speeds(
                (
                    Curve(t[2], kept.speed, roles[2], Label("2: drives on", 10.6, 6, -4)),
                    Curve(t[1], controlled.speed, roles[1], Label("1 and 2: along a ramp", 1.9, 8, 4)),
                    Curve(t[0], off.speed, roles[0], Label("0", 1.9, -12, -4)),
                )
            ),
            errors(
                (
                    Curve(t[2], kept.lateral_error, roles[2], Label("2: the same, then on", 9.0, 0, 10)),
                    Curve(t[1], controlled.lateral_error, roles[1], Label("1: on the path", 1.9, 0, 10)),
                    Curve(t[0], off.lateral_error, roles[0], Label("0: drifts outward", t[0][-1], 5, 0)),
                )
            ),
            steering(
                (
                    Curve(t[2], angle[2], roles[2], Label("2: power kept", 5.0, 0, 8)),
                    Curve(t[1], angle[1], roles[1], Label("1: power off at standstill", t[1][-1], 5, 20)),
                    Curve(t[0], angle[0], roles[0], Label("0: returns without power", t[0][-1], 5, 2)),
                )
            ),
        ),
        spans=(Span("stop demanded (category 2: released after 8 s)", 0.0, 8.0),),
        figures={
            "category 0": first.stopping_distance,
            "category 1": second.stopping_distance,
            "category 2": third.stopping_distance,
            "drift 0": first.lateral_error,
            "drift 1": second.lateral_error,
            "drift 2": third.lateral_error,
        },
        runs=runs,
    )
