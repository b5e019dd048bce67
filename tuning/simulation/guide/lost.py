"""What gets lost: commands and poses; and poses that jump."""

from __future__ import annotations

from tuning.simulation.events import LinkLost, LocalisationJump, LocalisationLost
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
    usual_axes,
)

__all__ = ["link_lost", "localisation_jump", "localisation_lost"]


def link_lost() -> Sheet:
    """Where the bend begins, once for good and once for 0.25 s."""
    long = drive(LinkLost(at_distance=105.0))
    short = drive(LinkLost(at_distance=105.0, duration=0.25))
    stopped, bridged = long.happenings[0], short.happenings[0]
    t, u = since(long, stopped.begun), since(short, bridged.begun)
    standing = f"stands after {stopped.stopping_distance:.1f} m"
    return Sheet(
        name="link_lost",
        message=f"Command link lost where a bend begins: after 0.3 s of silence the watchdog stops the vehicle\n"
        f"in {stopped.stopping_distance:.1f} m, {stopped.lateral_error:.2f} m off the path; "
        f"0.25 s of silence cost {1000 * bridged.lateral_error:.0f} mm",
        x="time since the last message, s",
        limits=(-1.0, 6.0),
        panels=usual_axes(
            Driven(
                u,
                short,
                "second",
                speed=Label("lost for 0.25 s: drives on", 3.6, 0, -9),
                error=Label("0.25 s", 3.6, 0, 9),
                steering=Label("goes on into the bend", 3.2, 0, -10),
            ),
            Driven(
                t,
                long,
                "first",
                speed=Label(f"lost for good: {standing}", 2.0, 8, 4),
                error=Label("for good", t[-1], 5, 0),
                steering=Label("held where it was asked", 1.2, 0, -9),
            ),
        ),
        spans=(Span("no message arrives (for 0.25 s, or for good)", 0.0, 99.0),),
        figures={
            "stopping distance": stopped.stopping_distance,
            "off the path": stopped.lateral_error,
            "short": bridged.lateral_error,
        },
        runs=(long, short),
    )


def localisation_lost() -> Sheet:
    """In the bend, once for good and once for 0.4 s."""
    long = drive(LocalisationLost(at_distance=BEND))
    short = drive(LocalisationLost(at_distance=BEND, duration=0.4))
    stopped, bridged = long.happenings[0], short.happenings[0]
    t, u = since(long, stopped.begun), since(short, bridged.begun)
    return Sheet(
        name="localisation_lost",
        message=f"Localisation lost in a bend: 0.4 s are bridged by speed and yaw rate; after 0.5 s the tracker\n"
        f"stops, in {stopped.stopping_distance:.1f} m, {stopped.lateral_error:.2f} m off the path",
        x="time since the last pose, s",
        limits=(-1.0, 6.0),
        panels=usual_axes(
            Driven(
                u,
                short,
                "second",
                speed=Label("lost for 0.4 s: drives on", 3.0, 0, -9),
                error=Label("0.4 s", 5.0, 0, 9),
                steering=Label("0.4 s", 5.0, 0, -9),
            ),
            Driven(
                t,
                long,
                "first",
                speed=Label("lost for good: stops along a ramp", 2.5, 8, 4),
                error=Label("for good: on the reckoned path", 2.3, 0, -12),
                steering=Label("steers while it stops", 2.2, 0, -13),
            ),
        ),
        spans=(Span("no new pose (for 0.4 s, or for good)", 0.0, 99.0),),
        figures={
            "stopping distance": stopped.stopping_distance,
            "off the path": stopped.lateral_error,
            "short": bridged.lateral_error,
        },
        runs=(long, short),
    )


def localisation_jump() -> Sheet:
    """On the straight for 6 s, once by what is believed and once by more."""
    near = drive(LocalisationJump(at_distance=30.0, lateral=0.5, duration=6.0))
    far = drive(LocalisationJump(at_distance=30.0, lateral=2.5, duration=6.0))
    followed, refused = near.happenings[0], far.happenings[0]
    t, u = since(near, followed.begun), since(far, refused.begun)
    return Sheet(
        name="localisation_jump",
        message=f"A pose that jumps 0.5 m is believed, and the vehicle goes {followed.lateral_error:.2f} m the other "
        f"way;\none that jumps 2.5 m is not, and the vehicle stops on its path in {refused.stopping_distance:.1f} m",
        x="time since the jump, s",
        limits=(-1.0, 9.0),
        panels=(
            speeds(
                (
                    Curve(t, near.speed, "second", Label("0.5 m: drives on", 6.5, 0, -9)),
                    Curve(u, far.speed, "first", Label("2.5 m: stops", 2.5, 8, 4)),
                )
            ),
            errors(
                (
                    Curve(t, near.lateral_error, "second", Label("0.5 m: follows the pose", 3.4, -20, 12)),
                    Curve(u, far.lateral_error, "first", Label("2.5 m: keeps to the path", 0.7, 0, 9)),
                )
            ),
            Panel(
                "commanded\ncurvature, 1/m",
                (
                    Curve(t, near.command_curvature, "second", Label("0.5 m", 6.6, 8, 6)),
                    Curve(u, far.command_curvature, "first", Label("2.5 m", 3.2, 0, 8)),
                ),
            ),
        ),
        spans=(Span("the pose is off to the left", 0.0, 6.0),),
        figures={
            "followed": followed.lateral_error,
            "stopping distance": refused.stopping_distance,
            "refused": refused.lateral_error,
        },
        runs=(near, far),
    )
