"""What a reader should know of a plan, and the refusal where nothing fits, each with what would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tracks.errors import InputError
from tuning.excitation.candidates import Candidate, Course, smallest_that_fits, speeds_of
from tuning.excitation.space import Space

__all__ = ["findings_of", "nothing_fits"]

_LARGER = (1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, 10.0)
_SLOWER = (0.8, 0.6, 0.4, 0.25)


def findings_of(
    course: Course, offered: Sequence[Candidate], order: Sequence[int], hopeless: Sequence[str]
) -> list[str]:
    """Say what the reader should know of a plan: what does not fit, what stays open, how to turn round."""
    steering = {i: float(np.max(one.drive.speed_command)) for i, one in enumerate(offered) if one.steers}
    left = [
        f"{v:.1f}" for v in speeds_of(course.limits) if not any(abs(v - f) < 1e-6 for f in steering.values())
    ]
    findings = []
    if left:
        findings.append(
            f"no steering manoeuvre fits the space at {', '.join(left)} m/s: a larger space would let it"
        )
    if hopeless:
        findings.append(
            f"all that fits together would not determine {', '.join(hopeless)}: a larger space, a higher speed or better "
            "sensors would"
        )
    fast = max(steering[i] for i in order if i in steering)
    findings.append(f"what is found holds up to the speed that was driven with steering, {fast:.1f} m/s")
    size, space = course.size, course.space
    radius = size.wheelbase / np.tan(course.limits.steering_angle)
    across = 2.0 * np.hypot(radius + 0.5 * size.width, size.wheelbase + size.front)
    enough = "has it" if across <= space.room[1] else "has less: shunt, or turn outside"
    findings.append(
        f"turning round at full lock takes about {across:.0f} m across; the space inside its margin {enough}. Or drive the "
        "next one back from the far end: measured from there, its marks are the same"
    )
    return findings


def nothing_fits(course: Course) -> InputError:
    """Give the refusal, with the space or the speed that would do."""
    space, limits = course.space, course.limits
    larger = smallest_that_fits(
        course,
        lambda f: replace(course, space=Space(f * space.length, f * space.width, space.margin)),
        _LARGER,
    )
    longer = smallest_that_fits(
        course, lambda f: replace(course, space=Space(f * space.length, space.width, space.margin)), _LARGER
    )
    slower = smallest_that_fits(
        course, lambda f: replace(course, limits=replace(limits, speed=f * limits.speed)), _SLOWER
    )
    would = []
    if longer is not None:
        would.append(f"{longer * space.length:.0f} m by {space.width:.0f} m would do")
    elif larger is not None:
        would.append(f"{larger * space.length:.0f} m by {larger * space.width:.0f} m would do")
    if slower is not None:
        would.append(f"a top speed of {slower * limits.speed:.2g} m/s would do in this space")
    slowest = speeds_of(limits)[0]
    return InputError(
        f"no steering manoeuvre fits into {space.length:g} m by {space.width:g} m with a margin of {space.margin:g} m, "
        f"run-up and stop included, not even steps at {slowest:.2g} m/s",
        "room for the vehicle with whatever dead time, lag and steering errors it may have",
        " or ".join(would)
        or "find a space ten times as large, or state the vehicle's uncertainty more closely",
    )
