"""What to drive next so that a value shows: one table, by the value's name, for forecast and result alike.

The drives are common practice of vehicle testing without a source; steps and sweeps of the steering follow the open-loop
tests of ISO 7401, tight circles the constant-speed and constant-radius tests of ISO 4138 (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["ADVICE", "Advice", "advice_for", "advice_on"]


@dataclass(frozen=True)
class Advice:
    """What shows a value.

    Attributes:
        drive: what to drive, record or measure next, as an instruction.
        why: why that shows the value.
    """

    drive: str
    why: str


_STEPS = "steering steps to both sides at several speeds, each held for 2 to 3 s, on a free surface"
_WEAVE = "steering steps and a sweep from slow to as quick as the steering follows (0.1 to 2 Hz), both ways"
_CIRCLES = "tight circles both ways, once at walking pace and once as fast as the surface and the limit allow"
_TAPE = "measure the wheelbase with a tape and give it as known, or record the road wheels' steering angle"
_SPEED_STEPS = "steps of the commanded speed upward by 2 m/s or more, each held until the speed has settled"
_BRAKING = (
    "braking steps: commanded speed down by 3 m/s or more at once, several times, from different speeds"
)
_HARD = "braking as hard as the vehicle may, several times"
_SMALL = "slow weaving of small amplitude, a degree or two of the road wheels, both ways"
_COASTING = "coasting without drive and brake from the highest speed allowed to a walking pace, both ways"
_STILL = "stand still for 10 s at the beginning and at the end of each recording"
_BOTH_WAYS = "the same road driven in both directions, with straight stretches"

ADVICE: dict[str, Advice] = {
    "steering.dead_time": Advice(_STEPS, "only the first moments after a step show the dead time"),
    "steering.lag": Advice(_WEAVE, "quick steering parts the lag from the dead time"),
    "steering.natural_frequency": Advice(_WEAVE, "only steering near its own frequency shows it"),
    "steering.damping": Advice(
        _WEAVE, "overshoot after steps, and the answer near the own frequency, show it"
    ),
    "steering.gain": Advice(_STEPS, "the gain shows only where the steering is held at several angles"),
    "steering.offset": Advice(
        _STEPS + ", with straight driving between them",
        "turning one way only, the offset cannot be told from the gain",
    ),
    "steering.rate_limit": Advice(
        "large steering steps at walking pace, from full left to full right",
        "only these reach the rate limit",
    ),
    "steering.dead_band": Advice(_SMALL, "only small motions show what is loose"),
    "steering.backlash": Advice(_SMALL, "only small motions show what is loose"),
    "steering.map_angle": Advice(
        "steering held for 2 to 3 s at many commands from stop to stop, both ways, at walking pace",
        "each part of the static map shows only where the command has been",
    ),
    "body.wheelbase": Advice(
        _TAPE + "; or drive " + _CIRCLES,
        "what the yaw rate alone shows is the ratio of steering to wheelbase",
    ),
    "tyres.understeer_gradient": Advice(
        _CIRCLES, "understeer is the change with speed of the curvature that an angle gives"
    ),
    "tyres.cornering_stiffness_front": Advice(
        "steering steps and a sweep at the highest speed allowed, with yaw rate and lateral acceleration recorded",
        "only quick cornering at speed shows each axle's own slip",
    ),
    "tyres.cornering_stiffness_rear": Advice(
        "steering steps and a sweep at the highest speed allowed, with yaw rate and lateral acceleration recorded",
        "only quick cornering at speed shows each axle's own slip",
    ),
    "drive.dead_time": Advice(_SPEED_STEPS, "only the first moments after a step show the dead time"),
    "drive.lag": Advice(_SPEED_STEPS, "the build-up of acceleration after a step shows the lag"),
    "drive.brake_dead_time": Advice(_BRAKING, "only the first moments of braking show the dead time"),
    "drive.brake_lag": Advice(_BRAKING, "the build-up of deceleration shows the lag"),
    "drive.speed_gain": Advice(
        _SPEED_STEPS + ", and down again", "how fast a speed error dies out shows the loop's gain"
    ),
    "drive.acceleration_limit": Advice(
        "a start from standstill straight to the highest speed allowed", "only this reaches the limit"
    ),
    "drive.deceleration_limit": Advice(_HARD, "only this reaches the limit"),
    "tyres.rolling_resistance": Advice(
        _COASTING, "what slows the vehicle without drive and brake is its resistance"
    ),
    "body.viscous_drag": Advice(
        _COASTING, "what slows the vehicle without drive and brake is its resistance"
    ),
    "sensors.speed_lag": Advice(
        _SPEED_STEPS + ", with the longitudinal acceleration recorded",
        "an accelerometer shows which comes late",
    ),
    "sensors.command_age": Advice(
        "record the commands at the rate at which they are sent",
        "a command stamped late looks like less dead time",
    ),
    "road.grade": Advice(
        _BOTH_WAYS, "a grade changes its sign when the road is driven back, resistance does not"
    ),
    "sensors.yaw_rate_offset": Advice(_STILL, "at standstill the yaw rate is 0"),
    "sensors.lateral_acceleration_offset": Advice(
        _BOTH_WAYS, "straight driving both ways parts the sensor from the road"
    ),
    "sensors.steering_angle_offset": Advice(
        _BOTH_WAYS, "straight driving shows what the sensor reads for straight wheels"
    ),
    "sensors.yaw_rate_lag": Advice(_WEAVE, "quick steering shows which channel comes late"),
    "sensors.lateral_acceleration_lag": Advice(_WEAVE, "quick steering shows which channel comes late"),
    "sensors.steering_angle_lag": Advice(_WEAVE, "quick steering shows which channel comes late"),
    "road.bank": Advice(
        _BOTH_WAYS, "a bank changes sides when the road is driven back, a sensor's offset does not"
    ),
}

_USUAL = Advice(_STEPS, "what is not moved does not show")


def advice_on(name: str) -> Advice:
    """Give the advice on a value by its dotted name; "steering.map_angle[3]" and "road.bank[a.csv]" go by their stems."""
    stem = name.split("[")[0]
    if stem in ADVICE:
        return ADVICE[stem]
    table = stem.split(".")[0]
    return ADVICE["drive.lag"] if table == "drive" else _USUAL


def advice_for(names: Iterable[str], together: Sequence[Sequence[str]] = ()) -> tuple[str, ...]:
    """Give one sentence for each thing to drive next, naming the values that it shows.

    Args:
        names: undetermined values, in the order of their weight.
        together: groups of values that cannot be told apart; their names are put into the sentence.
    """
    shown: dict[str, list[str]] = {}
    for name in names:
        shown.setdefault(advice_on(name).drive, []).append(name)
    sentences = []
    for drive, values in shown.items():
        mixed = [group for group in together if any(name in group for name in values)]
        apart = (
            f" ({'; '.join(' and '.join(group) for group in mixed)} now show only together)" if mixed else ""
        )
        reasons = list(dict.fromkeys(advice_on(name).why for name in values))
        sentences.append(f"for {', '.join(values)}{apart}: {drive}; {' and '.join(reasons)}")
    return tuple(sentences)
