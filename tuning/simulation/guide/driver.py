"""The driver: pedals alone, and a take-over with its hand-back."""

from __future__ import annotations

import numpy as np

from tuning.simulation.events import DriverHoldsSpeed, DriverTakesOver
from tuning.simulation.guide.rides import drive
from tuning.simulation.guide.sheet import Curve, Label, Panel, Sheet, Span, errors, since, speeds

__all__ = ["driver_holds_speed", "driver_takes_over"]


def driver_holds_speed() -> Sheet:
    """The driver slows down through the bend; the law goes on steering."""
    run = drive(DriverHoldsSpeed(at_distance=80.0, length=70.0, speed=4.0))
    found = run.happenings[0]
    t = since(run, found.begun)
    end = found.ended - found.begun
    held = float(np.interp(found.ended, run.time, run.speed))
    after = float(np.max(np.abs(run.lateral_error[run.time > found.ended])))
    return Sheet(
        name="driver_holds_speed",
        message=f"The driver slows down to {held:.1f} m/s and the law steers on, within "
        f"{1000 * found.lateral_error:.0f} mm of the path;\n{1000 * after:.0f} mm while the vehicle speeds up again",
        x="time since the driver took the pedals, s",
        limits=(-3.0, end + 10.0),
        panels=(
            speeds(
                (
                    Curve(t, run.command_speed, "second", Label("commanded", 8.0, 0, -9)),
                    Curve(t, run.speed, "first", Label("driven", 6.0, 0, 10)),
                )
            ),
            errors((Curve(t, run.lateral_error),)),
            Panel(
                "curvature, 1/m\n(+ left)",
                (
                    Curve(t, run.path_curvature, "broad", Label("of the path", 6.0, -70, 4)),
                    Curve(t, run.command_curvature, "first", Label("commanded", 6.9, 8, -4)),
                ),
            ),
        ),
        spans=(Span("the pedals are the driver's", 0.0, end),),
        figures={"lateral error": found.lateral_error, "after": after, "held": held},
        runs=(run,),
    )


def driver_takes_over() -> Sheet:
    """Round an obstacle to the left of the path, handed back beside it, in the bend and slower."""
    run = drive(DriverTakesOver(at_distance=80.0, length=45.0, lateral_offset=0.6, speed=5.0))
    found = run.happenings[0]
    t = since(run, found.begun)
    end = found.ended - found.begun
    beside = float(np.interp(found.ended, run.time, run.lateral_error))
    later = run.time > found.ended
    away = np.flatnonzero(later & (np.abs(run.lateral_error) > 0.1))
    back = float(run.time[away[-1]] - found.ended)
    return Sheet(
        name="driver_takes_over",
        message=f"Handed back {beside:.2f} m beside the path: the command starts from what was driven, and the\n"
        f"vehicle is within 0.10 m of the path {back:.1f} s later",
        x="time since the driver took over, s",
        limits=(-3.0, end + 9.0),
        panels=(
            speeds(
                (
                    Curve(t, run.command_speed, "second", Label("commanded", end + 0.9, -70, 0)),
                    Curve(t, run.speed, "first", Label("driven", 3.0, 0, 10)),
                )
            ),
            errors(
                (Curve(t, run.lateral_error, "first", Label("the driver keeps to the left", 3.2, 0, -12)),)
            ),
            Panel(
                "curvature, 1/m\n(+ left)",
                (
                    Curve(
                        t, _driven_curvature(run.yaw_rate, run.speed), "broad", Label("driven", 5.0, -44, 6)
                    ),
                    Curve(t, run.command_curvature, "first", Label("commanded", end + 0.6, 4, -8)),
                ),
            ),
        ),
        spans=(Span("the driver steers and has the pedals", 0.0, end),),
        figures={"beside": beside, "back after": back, "command jump": found.command_jump, "at": found.at},
        runs=(run,),
    )


def _driven_curvature(yaw_rate: np.ndarray, speed: np.ndarray) -> np.ndarray:
    return yaw_rate / np.maximum(speed, 0.1)
