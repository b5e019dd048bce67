"""Planning the drives that show how a vehicle answers, for the ground and the limits that there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tracks.errors import InputError
from tuning.excitation.candidates import Candidate, Course, candidates
from tuning.excitation.choose import choose, half_widths, needs_of
from tuning.excitation.ground import log_of_run
from tuning.excitation.plan import ExcitationPlan
from tuning.excitation.remarks import findings_of, nothing_fits
from tuning.excitation.space import Limits, Size, Space
from tuning.excitation.variants import Uncertainty, on_the_ground, to_be_told
from tuning.identification.foresee import Information, information
from tuning.identification.needed import Need
from tuning.identification.noise_levels import Noise
from tuning.vehicle import Vehicle

__all__ = ["plan_excitation"]

# Noise of usual sensors where none is given: a good gyro, a steering encoder, wheel speeds. Common practice, no source.
_NOISE = {"steering_angle": 0.001, "yaw_rate": 0.005, "lateral_acceleration": 0.1, "speed": 0.03}
_OUTPUTS = ("yaw_rate", "steering_angle", "lateral_acceleration")


def plan_excitation(
    vehicle: Vehicle,
    space: Space,
    speed: float,
    lateral_acceleration: float,
    needed: Mapping[str, Need] | Sequence[str] | None = None,
    *,
    known: Mapping[str, Any] | None = None,
    steering_rate: float | None = None,
    acceleration: float | None = None,
    deceleration: float | None = None,
    uncertainty: Uncertainty | None = None,
    noise: Mapping[str, float | Sequence[float] | Noise] | None = None,
    outputs: Sequence[str] = ("yaw_rate", "steering_angle"),
    caution: float = 2.0,
    most: int = 16,
) -> ExcitationPlan:
    """Plan the fewest drives that determine what tuning needs, inside a given space and within limits.

    Every drive is simulated for the nominal vehicle and for what it may turn out to be; one that leaves the space, or
    exceeds a limit, for any of them is not taken. Which drives are taken follows from what they tell (`foresee`).

    Args:
        vehicle: nominal: what is known or guessed before the first drive.
        space: level ground that is free.
        speed: top speed, m/s.
        lateral_acceleration: limit, m/s², of the centre of gravity.
        needed: names of values, or names with how well they must be known; None for all but limits.
        known: values that need not be found; None for the wheelbase and, where the vehicle has them, mass, place of the
            centre of gravity and yaw inertia.
        steering_rate: limit, rad/s; None for the vehicle's own.
        acceleration, deceleration: limits, m/s²; None for the vehicle's own, at most 2 and 4.
        uncertainty: how far the vehicle may differ from the nominal one.
        noise: of the sensors, by output, as in `foresee`; None for usual ones.
        outputs: what the vehicle measures besides its speed.
        caution: factor on expected half-widths, since residuals hold more than noise.
        most: drives, repeats counted.

    Raises:
        InputError: an argument is out of range, or nothing fits: the sentence says which space or speed would do.
    """
    _check(outputs, caution, most)
    around = uncertainty or Uncertainty()
    course = _course(
        vehicle, space, speed, lateral_acceleration, steering_rate, acceleration, deceleration, around
    )
    offered = candidates(course)
    if not any(one.steers for one in offered):
        raise nothing_fits(course)
    given = _NOISE | dict(noise or {})
    levels = {
        name: level for name, level in given.items() if name in (*outputs, "speed") or name not in _NOISE
    }
    facts = dict(known) if known is not None else _facts(vehicle)

    def told(variant: Vehicle, those: Sequence[Candidate]) -> Information:
        logs = [log_of_run(one.drive.name, one.drive, variant, outputs) for one in those]
        return information(logs, facts, variant, levels)

    informations = [told(variant, offered) for variant in to_be_told(vehicle, around)]
    needs = _needs(informations, needed, vehicle.body.wheelbase, speed)
    hopeless = _hopeless(informations, needs, caution)
    # What all that fits leaves open, no choice of it determines: it must not fill the plan with drives in vain.
    possible = {name: need for name, need in needs.items() if name not in hopeless} or needs
    chosen = choose(informations, len(offered), possible, caution, most, _in_any_case(offered, needs))
    order = sorted(set(chosen), key=lambda i: (float(np.max(offered[i].drive.speed_command)), i))
    rows = [half_widths(one, chosen, needs) for one in informations]
    expected = {
        name: max(
            ((caution * row[name][0], row[name][1]) for row in rows), key=lambda pair: pair[0] / pair[1]
        )
        for name in needs
    }
    return ExcitationPlan(
        drives=tuple(replace(offered[i].drive, repeats=chosen.count(i)) for i in order),
        grounds=tuple(offered[i].ground for i in order),
        # Anew from the chosen drives alone: a limit that only others reach is no unknown of theirs.
        foreseen=told(vehicle, [offered[i] for i in order]).foreseen([order.index(i) for i in chosen]),
        expected=expected,
        undetermined=tuple(name for name, (wide, need) in expected.items() if wide > need),
        space=space,
        limits=course.limits,
        size=course.size,
        findings=tuple(findings_of(course, offered, order, hopeless)),
        outputs=tuple(outputs),
        interface=vehicle.steering.interface,
    )


def _check(outputs: Sequence[str], caution: float, most: int) -> None:
    if not outputs or any(name not in _OUTPUTS for name in outputs):
        raise InputError(
            f"outputs are {list(outputs)!r}",
            f"some of {', '.join(_OUTPUTS)}",
            "name what the vehicle measures",
        )
    if not (caution >= 1.0 and most >= 1):
        raise InputError(f"caution is {caution:g} and most is {most}", "1 or more each", "leave them out")


def _needs(
    informations: Sequence[Information],
    needed: Mapping[str, Need] | Sequence[str] | None,
    wheelbase: float,
    speed: float,
) -> dict[str, Need]:
    needs = needs_of(informations, needed, wheelbase, speed)
    unknown = [name for name in needs if name not in half_widths(informations[0], [0], needs)]
    if unknown or not needs:
        raise InputError(
            f"needed names {unknown[0]!r}, which drives of this vehicle do not tell"
            if unknown
            else "nothing is needed",
            f"some of {', '.join(needs_of(informations, None, wheelbase, speed))}",
            "correct the name, or leave it out where the value is known",
        )
    return needs


def _course(vehicle, space, speed, lateral, rate, acceleration, deceleration, around) -> Course:  # type: ignore[no-untyped-def]
    steering, drive = vehicle.steering, vehicle.drive
    limits = Limits(
        speed,
        lateral,
        steering.rate_limit if rate is None else rate,
        steering.reach,
        min(drive.acceleration_limit, 2.0) if acceleration is None else acceleration,
        min(drive.deceleration_limit, 4.0) if deceleration is None else deceleration,
    )
    vehicles = on_the_ground(vehicle, around)
    return Course(vehicles, Size.of(vehicle.body.wheelbase, vehicle.body.width), space, limits)


def _facts(vehicle: Vehicle) -> dict[str, Any]:
    body = vehicle.body
    found = {
        name: getattr(body, name) for name in ("wheelbase", "mass", "front_axle_distance", "yaw_inertia")
    }
    return {f"body.{name}": value for name, value in found.items() if value is not None}


def _hopeless(
    informations: Sequence[Information], needs: Mapping[str, Need], caution: float
) -> tuple[str, ...]:
    """Name the values that all candidates together leave too wide, for some variant."""
    everything = range(informations[0].parts[0][1].shape[0])
    rows = [half_widths(one, everything, needs) for one in informations]
    return tuple(name for name in needs if any(caution * row[name][0] > row[name][1] for row in rows))


def _in_any_case(offered: Sequence[Candidate], needs: Mapping[str, Need]) -> list[list[int]]:
    """Give groups of candidates of which one each is driven in any case: what is found must hold where it is used.

    These are the steering at the highest speed that fits, and braking at once.
    """
    top = [
        float(np.max(one.drive.speed_command)) if np.any(one.drive.curvature_command) else 0.0
        for one in offered
    ]
    groups = [[i for i, v in enumerate(top) if v >= max(top) - 1e-9]]
    braking = [i for i, one in enumerate(offered) if one.drive.name.startswith("braking")]
    return [*groups, braking] if braking and any(name.startswith("drive.brake") for name in needs) else groups
