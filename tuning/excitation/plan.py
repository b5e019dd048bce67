"""Planning the drives that show how a vehicle answers, for the ground and the limits that there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from tracks.errors import InputError
from tuning.excitation.candidates import Candidate, Course, candidates, smallest_that_fits, speeds_of
from tuning.excitation.choose import choose, half_widths, needs_of
from tuning.excitation.drives import Drive
from tuning.excitation.ground import Ground, run_of
from tuning.excitation.space import Limits, Size, Space
from tuning.excitation.variants import Uncertainty, on_the_ground, to_be_told
from tuning.identification.foresee import Information, information
from tuning.identification.foreseen import Foreseen
from tuning.identification.needed import Need
from tuning.identification.noise_levels import Noise
from tuning.logs.log import Log
from tuning.vehicle import Vehicle

__all__ = ["ExcitationPlan", "log_of_run", "plan_excitation"]

# Noise of usual sensors where none is given: a good gyro, a steering encoder, wheel speeds. Common practice, no source.
_NOISE = {"steering_angle": 0.001, "yaw_rate": 0.005, "lateral_acceleration": 0.1, "speed": 0.03}
_LARGER = (1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, 10.0)
_SLOWER = (0.8, 0.6, 0.4, 0.25)
_OUTPUTS = ("yaw_rate", "steering_angle", "lateral_acceleration")


@dataclass(frozen=True)
class ExcitationPlan:
    """Drives that fit, and what they will tell.

    Attributes:
        drives: from the slowest to the fastest, each from standstill to standstill.
        grounds: what each sweeps, for the nominal vehicle and its variants.
        foreseen: what the drives tell of the nominal vehicle.
        expected: value -> expected half-width of the 95 % interval for the worst variant, with the factor of caution in
            it, and the half-width that is needed.
        undetermined: needed values that the best plan that fits leaves too wide.
        space, limits, size: what was planned for.
        findings: in plain words.
        outputs: what the logs must measure, besides the speed.
        interface: what the vehicle's steering takes.
    """

    drives: tuple[Drive, ...]
    grounds: tuple[Ground, ...]
    foreseen: Foreseen
    expected: dict[str, tuple[float, float]]
    undetermined: tuple[str, ...]
    space: Space
    limits: Limits
    size: Size
    findings: tuple[str, ...]
    outputs: tuple[str, ...]
    interface: str

    @property
    def duration(self) -> float:
        """Of all drives with their repeats, s; turning round between them comes on top."""
        return sum(drive.duration * drive.repeats for drive in self.drives)

    def table(self) -> str:
        """Give a readable table: drives with their ground, values with expected half-widths, findings."""
        from tuning.excitation.text import plan_text

        return plan_text(self)

    def __str__(self) -> str:
        return self.table()

    def save(self, folder: str | FilePath) -> list[FilePath]:
        """Write one CSV of commands a drive, a channel file, the pictures of the ground and a card; give the files."""
        from tuning.excitation.saving import save_plan

        return save_plan(self, FilePath(folder))


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
    course = _course(
        vehicle, space, speed, lateral_acceleration, steering_rate, acceleration, deceleration, uncertainty
    )
    wrong = [name for name in outputs if name not in _OUTPUTS]
    if wrong or not outputs:
        raise InputError(
            f"outputs are {list(outputs)!r}",
            f"some of {', '.join(_OUTPUTS)}",
            "name what the vehicle measures",
        )
    if not (caution >= 1.0 and most >= 1):
        raise InputError(f"caution is {caution:g} and most is {most}", "1 or more each", "leave them out")
    offered = candidates(course)
    if not any(np.any(one.drive.curvature_command) for one in offered):
        raise _nothing_fits(course)
    levels = {
        name: level for name, level in (_NOISE | dict(noise or {})).items() if name in (*outputs, "speed")
    }
    facts = dict(known) if known is not None else _facts(vehicle)
    informations = [
        _told(variant, offered, facts, levels, outputs)
        for variant in to_be_told(vehicle, uncertainty or Uncertainty())
    ]
    length = vehicle.body.wheelbase
    needs = needs_of(informations, needed, length, speed)
    unknown = [name for name in needs if name not in half_widths(informations[0], [0], needs)]
    if unknown:
        raise InputError(
            f"needed names {unknown[0]!r}, which drives of this vehicle do not tell",
            f"some of {', '.join(needs_of(informations, None, length, speed))}",
            "correct the name, or leave it out where the value is known",
        )
    chosen = choose(informations, len(offered), needs, caution, most, _in_any_case(offered, needs))
    return _made(
        course, offered, chosen, informations, needs, caution, tuple(outputs), vehicle.steering.interface
    )


def _course(vehicle, space, speed, lateral, rate, acceleration, deceleration, uncertainty) -> Course:  # type: ignore[no-untyped-def]
    steering, drive = vehicle.steering, vehicle.drive
    limits = Limits(
        speed,
        lateral,
        steering.rate_limit if rate is None else rate,
        steering.reach,
        min(drive.acceleration_limit, 2.0) if acceleration is None else acceleration,
        min(drive.deceleration_limit, 4.0) if deceleration is None else deceleration,
    )
    vehicles = on_the_ground(vehicle, uncertainty or Uncertainty())
    return Course(vehicles, Size.of(vehicle.body.wheelbase, vehicle.body.width), space, limits)


def _facts(vehicle: Vehicle) -> dict[str, Any]:
    body = vehicle.body
    found = {
        name: getattr(body, name) for name in ("wheelbase", "mass", "front_axle_distance", "yaw_inertia")
    }
    return {f"body.{name}": value for name, value in found.items() if value is not None}


def log_of_run(name: str, drive: Drive, vehicle: Vehicle, outputs: Sequence[str]) -> Log:
    """Drive a vehicle by a planned drive in simulation and give the log that it would leave, without noise."""
    run = run_of(vehicle, drive)
    data = {
        "time": drive.time,
        "speed_command": drive.speed_command,
        "acceleration_command": drive.acceleration_command,
        "speed": run.series("speed"),
        **{output: run.series(output) for output in outputs},
    }
    unit = None
    if drive.steering_command is None:
        data["curvature_command"] = drive.curvature_command
    else:
        data["steering_command"] = drive.steering_command
        unit = "rad" if vehicle.steering.interface == "angle" else None
    return Log(name, data, unit)


def _told(vehicle: Vehicle, offered: Sequence[Candidate], known, noise, outputs) -> Information:  # type: ignore[no-untyped-def]
    logs = [log_of_run(one.drive.name, one.drive, vehicle, outputs) for one in offered]
    return information(logs, known, vehicle, noise)


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


def _made(course, offered, chosen, informations, needs, caution, outputs, interface) -> ExcitationPlan:  # type: ignore[no-untyped-def]
    order = sorted(set(chosen), key=lambda i: (float(np.max(offered[i].drive.speed_command)), i))
    drives = tuple(replace(offered[i].drive, repeats=chosen.count(i)) for i in order)
    rows = [half_widths(one, chosen, needs) for one in informations]
    expected = {
        name: max(
            ((caution * row[name][0], row[name][1]) for row in rows), key=lambda pair: pair[0] / pair[1]
        )
        for name in needs
    }
    fast = max((float(np.max(d.speed_command)) for d in drives if np.any(d.curvature_command)), default=0.0)
    findings = []
    tried = speeds_of(course.limits)
    fitted = {
        float(np.max(one.drive.speed_command)) for one in offered if np.any(one.drive.curvature_command)
    }
    left = [f"{v:.1f}" for v in tried if not any(abs(v - f) < 1e-6 for f in fitted)]
    if left:
        findings.append(
            f"no steering manoeuvre fits the space at {', '.join(left)} m/s: a longer space would let it"
        )
    if fast:
        findings.append(f"what is found holds up to the speed that was driven with steering, {fast:.1f} m/s")
    return ExcitationPlan(
        drives,
        tuple(offered[i].ground for i in order),
        informations[0].foreseen(chosen),
        expected,
        tuple(name for name, (wide, need) in expected.items() if wide > need),
        course.space,
        course.limits,
        course.size,
        tuple(findings),
        outputs,
        interface,
    )


def _nothing_fits(course: Course) -> InputError:
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
