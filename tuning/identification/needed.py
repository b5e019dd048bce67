"""How well each value must be known before a law is tuned on it.

Every figure is a judgement of common practice, no source: what changes the usage of a tuned law by some per cent, not by
some tens of per cent. An amount is the half-width of the 95 % interval that is still good enough.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["NEEDED", "Need", "need_of", "verdict_at", "verdict_on"]

# How many times too wide an interval may be to be called weak instead of none; a judgement without a source.
_WEAKLY = 3.0
_NEVER = 1e9  # times too wide: of a value of 0 that is to be known by its share


@dataclass(frozen=True)
class Need:
    """How wide half of a value's 95 % interval may be: the larger of `absolute` (its SI unit) and `share` of the value."""

    absolute: float = 0.0
    share: float = 0.0

    def amount(self, value: float) -> float:
        """Give the half-width that is good enough at a value, in its SI unit."""
        return max(self.absolute, self.share * abs(value))


NEEDED: dict[str, Need] = {
    "steering.dead_time": Need(absolute=0.02),
    "steering.lag": Need(absolute=0.01, share=0.15),
    # What a law reckons with is their lag 2 ζ/ω; each alone matters less.
    "steering.natural_frequency": Need(share=0.25),
    "steering.damping": Need(share=0.25),
    "steering.gain": Need(share=0.03),
    "steering.offset": Need(absolute=0.003),
    "steering.rate_limit": Need(share=0.15),
    "steering.map_angle": Need(absolute=0.01, share=0.05),
    "steering.dead_band": Need(absolute=0.002),
    "steering.backlash": Need(absolute=0.004),
    "body.wheelbase": Need(share=0.02),
    "tyres.understeer_gradient": Need(absolute=0.0005, share=0.15),
    "tyres.cornering_stiffness_front": Need(share=0.15),
    "tyres.cornering_stiffness_rear": Need(share=0.15),
    "tyres.rolling_resistance": Need(absolute=0.004, share=0.2),
    "body.viscous_drag": Need(absolute=0.005, share=0.2),
    "drive.dead_time": Need(absolute=0.05),
    "drive.lag": Need(absolute=0.05, share=0.25),
    "drive.brake_dead_time": Need(absolute=0.05),
    "drive.brake_lag": Need(absolute=0.05, share=0.25),
    "drive.speed_gain": Need(share=0.15),
    "drive.acceleration_limit": Need(share=0.15),
    "drive.deceleration_limit": Need(share=0.15),
    "sensors.yaw_rate_offset": Need(absolute=0.002),
    "sensors.lateral_acceleration_offset": Need(absolute=0.1),
    "sensors.steering_angle_offset": Need(absolute=0.003),
    "sensors.yaw_rate_lag": Need(absolute=0.02),
    "sensors.lateral_acceleration_lag": Need(absolute=0.02),
    "sensors.steering_angle_lag": Need(absolute=0.02),
    "sensors.speed_lag": Need(absolute=0.05),
    "sensors.command_age": Need(absolute=0.05),
    "road.bank": Need(absolute=0.01),
    "road.grade": Need(absolute=0.01),
}

_USUAL = Need(share=0.2)  # of a value that the table does not name


def need_of(name: str) -> Need:
    """Give how well a value must be known, by its dotted name; a name with [..] goes by its stem."""
    return NEEDED.get(name.split("[")[0], _USUAL)


def verdict_on(name: str, value: float, half_width: float) -> str:
    """Say how well a value is known: "determined", "weakly" (up to 3 times too wide an interval) or "not"."""
    amount = need_of(name).amount(value)
    return verdict_at(half_width / amount if amount > 0.0 else float(half_width > 0.0) * _NEVER)


def verdict_at(wide: float) -> str:
    """Give the verdict on a value whose interval is so many times as wide as is good enough."""
    return "determined" if wide <= 1.0 else "weakly" if wide <= _WEAKLY else "not"
