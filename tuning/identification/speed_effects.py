"""Effects of the longitudinal side that are kept only where the logs show them: resistance, losses, gains, sensor, grade."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from tuning.identification.records import Recording
from tuning.identification.speed_problem import GRADE, SENSOR_LAG, SpeedProblem
from tuning.identification.unknowns import Unknown

__all__ = ["ROLLING", "Effect", "always_tried", "effects_of"]

ROLLING = "tyres.rolling_resistance"
_USUAL_GRADE = 0.02  # rad, standard deviation of a test road's mean grade; common practice, no source
_MOST_LOGS = 12  # whose grades are looked for


@dataclass(frozen=True)
class Effect:
    """Something that the vehicle may do, left out unless the logs show it.

    Attributes:
        words: what it is called.
        unknowns: what it adds to the fit; their starts are values at which it shows.
        absent: value at which it does nothing.
    """

    words: str
    unknowns: tuple[Unknown, ...]
    absent: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its unknowns."""
        return tuple(u.name for u in self.unknowns)


def effects_of(problem: SpeedProblem, known: Collection[str], pedals: Collection[str]) -> list[Effect]:
    """Give the effects that these logs could show, without those that are known.

    Args:
        problem: the fit without them.
        known: dotted names.
        pedals: which of "drive" and "brake" the logs ask anything of.
    """
    fastest = float(np.max(problem.recording.drives.speed))
    mass = problem.vehicle.body.mass
    found = always_tried(problem.recording)
    if "drive" not in pedals:
        found = [effect for effect in found if not any(name.startswith("drive.") for name in effect.names)]
    if mass is not None:
        area = min(0.005 * mass / fastest, 30.0)  # some 0.003 m/s² a m/s at the fastest
        found.append(Effect("air drag", (Unknown("body.drag_area", "m²", 0.0, 30.0, area),)))
    found += _of_positions(pedals) if problem.by_positions else _of_loop(pedals)
    if problem.accelerometer:
        found.append(Effect("lag of the speed sensor", (Unknown(SENSOR_LAG, "s", 0.0, 1.0, 0.05),)))
    logs = np.unique(problem.recording.log)
    # A grade common to all logs cannot be told from rolling resistance: their mean is level.
    if 2 <= logs.size <= _MOST_LOGS:
        grades = (
            Unknown(f"{GRADE}[{int(k)}]", "rad", -0.15, 0.15, 0.005, prior=(0.0, _USUAL_GRADE))
            for k in logs[:-1]
        )
        found.append(Effect("grade of each log", tuple(grades)))
    return [effect for effect in found if not any(name in known for name in effect.names)]


def always_tried(recording: Recording) -> list[Effect]:
    """Give the effects that a fit by positions starts with, and drops where they do not show.

    Without them a vehicle by positions is so unlike the measured one that a fit says nothing of the others: nothing
    holds its speed but its own losses.
    """
    fastest = float(np.max(recording.drives.speed))
    loss = Unknown("drive.no_load_speed", "m/s", max(1.02 * fastest, 0.5), 500.0, 10.0 * fastest, True)
    found = [
        Effect("rolling resistance", (Unknown(ROLLING, "", 0.0, 0.2, 0.01),)),
        Effect("viscous drag", (Unknown("body.viscous_drag", "1/s", 0.0, 5.0, 0.02),)),
        Effect("loss of drive with speed", (loss.at(10.0 * fastest),), np.inf),
    ]
    if recording.speed_command is None:
        found.append(
            Effect("dead zone of the throttle", (Unknown("drive.throttle_free", "", 0.0, 0.9, 0.05),))
        )
        found[2] = Effect(found[2].words, (loss.at(1.5 * fastest),), np.inf)
    return found


def _of_positions(pedals: Collection[str]) -> list[Effect]:
    found = []
    if "drive" in pedals:
        found += [
            Effect("bend of the throttle's map", (Unknown("drive.throttle_bend", "", -1.0, 1.0, 0.1),)),
            Effect("drag of the driving motor", (Unknown("drive.motor_drag", "1/s", 0.0, 10.0, 0.02),)),
        ]
    if "brake" in pedals:
        found.append(Effect("dead zone of the brake", (Unknown("drive.brake_free", "", 0.0, 0.9, 0.02),)))
    return found


def _of_loop(pedals: Collection[str]) -> list[Effect]:
    found = [Effect("integral part of the loop", (Unknown("drive.speed_integral", "1/s²", 0.0, 10.0, 0.1),))]
    if "drive" in pedals:
        found.append(
            Effect("gain of the drive", (Unknown("drive.drive_gain", "", 0.2, 5.0, 1.1, True),), 1.0)
        )
    if "brake" in pedals:
        found.append(
            Effect("gain of the brake", (Unknown("drive.brake_gain", "", 0.2, 5.0, 1.1, True),), 1.0)
        )
    return found
