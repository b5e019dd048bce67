"""All checks of channels against physics, in the order in which one would read them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tuning.logs.log import Log
from tuning.logs.physics.clock import clocks_of, unit_of_time
from tuning.logs.physics.comparing import compare
from tuning.logs.physics.delays import delays_of
from tuning.logs.physics.faults import faults_of
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.frame import frames_of, reversing_of
from tuning.logs.physics.mounting import mounting_of
from tuning.logs.physics.resampled import Stretch, evenly, moving
from tuning.logs.physics.signs import signs_of_turning
from tuning.logs.physics.sizes import impossible, sizes_of
from tuning.logs.physics.turning import pairs_of_turning
from tuning.logs.physics.wheels import wheels_of

__all__ = ["check_physics"]


def check_physics(logs: Sequence[Log], known: Mapping[str, Any] | None = None) -> tuple[Finding, ...]:
    """Check the conventions of channels against physics: signs, units, sizes, delays, frames, and faults of sensors.

    Nothing is repaired, and no model is fitted: every finding names channel, evidence and likely remedy.

    Args:
        logs: drives in SI units and radians as their channel file claims.
        known: what is known of the vehicle, by dotted ("body.wheelbase") or field name, SI. Without a wheelbase the size
            of the steering angle is judged only roughly.

    Returns:
        Doubts first, then what is worth knowing.
    """
    values = known or {}
    if clock := unit_of_time(logs):
        return tuple(clock)
    stretches = evenly(logs)
    moves = moving(stretches)
    found = [*clocks_of(logs), *faults_of(logs, moves)]
    if stretches:
        dead = {
            name
            for finding in found
            if finding.kind == "stuck" and finding.is_doubt
            for name in finding.channels
        }
        found += _against_each_other(logs, stretches, values, moves, dead)
    order = {"doubt": 0, "finding": 1}
    return tuple(sorted(found, key=lambda finding: order[finding.severity]))


def _against_each_other(
    logs: Sequence[Log], stretches: Sequence[Stretch], known: Mapping[str, Any], moves: float, dead: set[str]
) -> list[Finding]:
    mounting = mounting_of(stretches)
    pairs = pairs_of_turning(stretches, known, moves)
    swapped = any(finding.is_doubt for finding in mounting)
    if swapped:  # an axis that is another one has neither sign nor size
        pairs = {names: pair for names, pair in pairs.items() if "lateral_acceleration" not in names}
    sizes = sizes_of(stretches, pairs, known, moves)
    signs = signs_of_turning(pairs, stretches, moves)
    found = [*signs, *([] if swapped else _sign_along(stretches)), *sizes, *impossible(logs, sizes, known)]
    if not signs:
        found += frames_of(stretches, moves)
    found += reversing_of(stretches, moves)
    found += wheels_of(stretches, known, moves)
    if not any(finding.is_doubt for finding in sizes):  # offsets in a wrong unit say nothing
        found += mounting
    clean = {names: pair for names, pair in pairs.items() if not dead & set(names)}
    return [*found, *delays_of(logs, stretches, clean, known, moves)]


def _sign_along(stretches: Sequence[Stretch]) -> list[Finding]:
    """Compare the longitudinal acceleration with the change of speed."""
    having = [s for s in stretches if s.has("longitudinal_acceleration", "speed")]
    if not having:
        return []
    a = [s.values["longitudinal_acceleration"] for s in having]
    b = [s.rates["speed"] for s in having]
    alike = compare(a, b, [s.log for s in having], having[0].step)
    if alike is None or alike.sign >= 0 or alike.correlation > -0.5 or alike.strength < 4.0:
        return []
    return [
        Finding(
            "sign",
            ("longitudinal_acceleration",),
            f"longitudinal_acceleration is positive where speed falls (correlation with its change {alike.correlation:.2f}): it "
            "looks negated (scale = -1 in the channel file turns it)",
        )
    ]
