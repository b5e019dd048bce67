"""Road, wind and load: friction, a gust, grade and bank, riders who get on."""

from __future__ import annotations

import numpy as np

from tuning.simulation.events import FrictionChange, LoadChange, RoadTilt, SideWind, StopDemand
from tuning.simulation.guide.rides import BEND, drive
from tuning.simulation.guide.sheet import (
    Curve,
    Driven,
    Label,
    Panel,
    Sheet,
    Span,
    errors,
    since,
    speeds,
    steering,
    usual_axes,
)

__all__ = ["friction_change", "load_change", "road_tilt", "side_wind"]


def friction_change() -> Sheet:
    """The same controlled stop in the bend, dry and on a slippery stretch."""
    stop = StopDemand(category=1, at_distance=BEND)
    dry = drive(stop)
    slippery = drive(FrictionChange(at_distance=BEND - 5.0, length=35.0, friction=0.2), stop)
    good, bad = dry.happenings[0], slippery.happenings[1]
    return Sheet(
        name="friction_change",
        message=f"A controlled stop in a bend on a fifth of the grip: {bad.stopping_distance:.1f} m instead of "
        f"{good.stopping_distance:.1f} m, but the body\nleaves the lane by {bad.excursion:.2f} m: "
        "the brakes take the grip that the bend needs",
        x="arc length, m",
        limits=(130.0, 160.0),
        panels=usual_axes(
            Driven(
                dry.s,
                dry,
                "first",
                speed=Label("dry", 149.0, -26, -8),
                error=Label("dry", 152.0, 0, 9),
                steering=Label("dry", 152.0, 0, 9),
            ),
            Driven(
                slippery.s,
                slippery,
                "second",
                speed=Label("friction × 0.2", 151.0, 10, 4),
                error=Label("slides outward", 148.6, 0, y=-1.1),
                steering=Label("steers in vain", 150.0, -90, 8),
            ),
        ),
        spans=(
            Span("friction × 0.2", BEND - 5.0, 999.0),
            Span("and a stop demanded", BEND, 999.0),
        ),
        figures={
            "dry": good.stopping_distance,
            "slippery": bad.stopping_distance,
            "excursion": bad.excursion,
        },
        runs=(dry, slippery),
    )


def side_wind() -> Sheet:
    """A gust from the right on the straight."""
    run = drive(SideWind(at_distance=40.0, duration=3.0, speed=16.0))
    found = run.happenings[0]
    t = since(run, found.begun)
    return Sheet(
        name="side_wind",
        message=f"A gust of 16 m/s from the right pushes the vehicle {found.lateral_error:.2f} m to the left "
        "before the steering holds it",
        x="time since the gust began, s",
        limits=(-1.0, 7.0),
        panels=(
            errors((Curve(t, run.lateral_error),)),
            Panel("heading error, °\n(+ left)", (Curve(t, np.degrees(run.heading_error)),)),
            steering((Curve(t, np.degrees(run.road_wheel_angle)),)),
        ),
        spans=(Span("gust, blowing to the left", 0.0, 3.0),),
        figures={"lateral error": found.lateral_error},
        runs=(run,),
    )


def road_tilt() -> Sheet:
    """The straight behind the bend, once uphill and once with its left side higher."""
    grade, bank = 0.06, 0.06
    hill = drive(RoadTilt(at_distance=240.0, length=60.0, grade=grade))
    side = drive(RoadTilt(at_distance=240.0, length=60.0, bank=bank))
    up, across = hill.happenings[0], side.happenings[0]
    on_it = (hill.time >= up.begun) & (hill.time <= up.ended)
    slowest = float(np.min(hill.speed[on_it]))
    return Sheet(
        name="road_tilt",
        message=f"6 % uphill slows the vehicle down to {slowest:.2f} m/s until the loop makes up for it;\n"
        f"6 % of bank pulls it {across.lateral_error:.2f} m to the lower, right side",
        x="arc length, m",
        limits=(230.0, 330.0),
        panels=(
            speeds(
                (
                    Curve(side.s, side.speed, "second", Label("bank", 262.0, 0, 9)),
                    Curve(hill.s, hill.speed, "first", Label("uphill", 256.0, 0, 12)),
                )
            ),
            errors(
                (
                    Curve(hill.s, hill.lateral_error, "first", Label("uphill", 270.0, 0, 9)),
                    Curve(side.s, side.lateral_error, "second", Label("bank", 270.0, 0, 9)),
                )
            ),
            steering(
                (
                    Curve(hill.s, np.degrees(hill.road_wheel_angle), "first", Label("uphill", 270.0, 0, -9)),
                    Curve(
                        side.s,
                        np.degrees(side.road_wheel_angle),
                        "second",
                        Label("bank: steers uphill", 270.0, 0, 9),
                    ),
                )
            ),
        ),
        spans=(Span("tilted road", 240.0, 300.0),),
        figures={"slowest": slowest, "bank": across.lateral_error},
        runs=(hill, side),
    )


def load_change() -> Sheet:
    """Twelve riders get on at a halt; then the brake that needs no power stops the vehicle on the far straight."""
    halt = StopDemand(category=2, at_distance=50.0, duration=10.0)
    riders = LoadChange(at_time=14.0, mass=900.0, position=1.0)
    stop = StopDemand(category=0, at_distance=240.0)
    empty, full = drive(halt, stop), drive(halt, riders, stop)
    light, heavy = empty.happenings[-1], full.happenings[-1]
    more = heavy.stopping_distance - light.stopping_distance
    later = heavy.begun - light.begun
    return Sheet(
        name="load_change",
        message=f"Twelve riders (900 kg) get on at a halt: the same brake force needs {heavy.stopping_distance:.1f} m "
        f"instead of {light.stopping_distance:.1f} m",
        x="arc length, m",
        limits=(40.0, 265.0),
        panels=(
            speeds(
                (
                    Curve(empty.s, empty.speed, "first", Label("as weighed", 248.0, -66, 0)),
                    Curve(
                        full.s, full.speed, "second", Label("with riders: slower to pick up", 76.0, 10, -6)
                    ),
                )
            ),
            Panel(
                "acceleration,\nm/s²",
                (
                    Curve(
                        empty.s, empty.longitudinal_acceleration, "first", Label("as weighed", 250.0, -80, 0)
                    ),
                    Curve(
                        full.s, full.longitudinal_acceleration, "second", Label("with riders", 100.0, 0, 12)
                    ),
                ),
            ),
            errors(
                (
                    Curve(empty.s, empty.lateral_error, "first", Label("as weighed", 185.0, 0, -14)),
                    Curve(full.s, full.lateral_error, "second", Label("with riders", 185.0, 0, 14)),
                )
            ),
        ),
        spans=(Span("halt, riders get on", 50.0, 66.0), Span("stop", 240.0, 999.0)),
        figures={
            "as weighed": light.stopping_distance,
            "with riders": heavy.stopping_distance,
            "more": more,
            "later": later,
        },
        runs=(empty, full),
    )
