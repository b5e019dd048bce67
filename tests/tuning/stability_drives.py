"""Small motions in nonlinear simulation, on either side of an edge of stability that the linear loop gives."""

from __future__ import annotations

import math

import numpy as np

import tracker
import tracks
import tuning
from tuning.stability import Loop, Setting, loop_at

# The example car of Rajamani, Vehicle Dynamics and Control, ch. 2-3 (read in a secondary source), with invented steering
# and no limit that small motions could meet.
CAR = tuning.Vehicle.model_validate(
    {
        "body": {"wheelbase": 2.68, "mass": 1573.0, "yaw_inertia": 2873.0, "front_axle_distance": 1.1},
        "tyres": {"cornering_stiffness_front": 160e3, "cornering_stiffness_rear": 160e3},
        "steering": {
            "dead_time": 0.067, "natural_frequency": 18.0, "damping": 0.8, "rate_limit": 100.0, "angle_limit": 1.0,
        },
        "drive": {"lag": 0.3},
    }
)  # fmt: skip
WIDE = tracker.Envelope(lateral_acceleration=1e3, curvature=2.0, curvature_rate=1e3)
SPEEDS = (4.0, 7.0, 10.0, 14.0, 18.0)

_OFFSET = 1e-3  # m: small against every curvature of the laws
_APART = 0.12  # of the logarithm of the amplitude, over a third of the drive
_FADED = 5.0  # of the logarithm by which what else moves has faded against the slowest motion in a third of the drive
_TURNS = 1.5  # of the slowest oscillation in a third of the drive, at least


def law_of(name: str) -> tracker.Law:
    """A law by name that is stable on `CAR` at every one of SPEEDS."""
    gains = {"Stanley": {"gain": 0.6, "yaw_damping": 0.05}}
    return tracker.LAWS[name].model_validate(gains.get(name, {}))


def setting_with(compensate: bool) -> Setting:
    """The tracker around the law, as `grows` has it."""
    return Setting(CAR, envelope=WIDE, compensate_dead_time=compensate)


def grows(law: tracker.Law, speed: float, compensate: bool, seconds: float, extra: float = 0.0) -> bool:
    """Tell whether a small offset on a straight grows in a nonlinear simulation, `extra` s of dead time on top."""
    path = tracks.Path.from_segments([tracks.Straight(speed * seconds + 300.0)])
    track = tracks.Track(name="straight", path=path, speed=np.full(path.s.shape, speed), start_offset=_OFFSET)
    run = tuning.simulate(
        law, CAR, track, tuning.Scenario(extra_dead_time=extra), envelope=WIDE,
        compensate_dead_time=compensate,
    )  # fmt: skip
    error = np.abs(run.lateral_error[run.time < seconds])
    third = error.size // 3
    # Past the edge the oscillation may have grown to where the law is no more linear.
    return bool(error[2 * third :].max() > min(error[third : 2 * third].max(), 10.0 * _OFFSET))


def long_enough(loops: list[tuple[Loop, float]]) -> float:
    """Give the seconds after which the simulation tells growing from fading, for loops and their extra dead time [s]."""
    steps = 0.0
    for loop, extra in loops:
        poles = loop.poles(extra=extra)
        outermost = poles[np.argmax(np.abs(poles))]
        turn = abs(float(np.angle(outermost)))
        others = np.abs(poles[np.abs(np.abs(poles) - abs(outermost)) > 1e-9])
        apart = math.log(abs(outermost) / others.max())
        steps = max(
            steps,
            _APART / abs(math.log(abs(outermost))),
            _TURNS * 2.0 * math.pi / max(turn, 1e-3),
            _FADED / apart,
        )
    return 3.0 * steps * loops[0][0].plant.period


def delay_case(law: tracker.Law, speed: float, compensate: bool, share: float) -> tuple[bool, bool, float]:
    """Give whether it grows at 1 - share and 1 + share times the delay margin, and that margin [s]."""
    from tuning.stability.margins import margins_of_rows

    loop = loop_at(law, setting_with(compensate), speed)
    edge = margins_of_rows(loop)[0].delay
    below, above = (1.0 - share) * edge, (1.0 + share) * edge
    seconds = long_enough([(loop, below), (loop, above)])
    return (
        grows(law, speed, compensate, seconds, below),
        grows(law, speed, compensate, seconds, above),
        edge,
    )
