"""The vehicles that a nominal one may turn out to be: a plan must be safe and telling for all of them."""

from __future__ import annotations

from dataclasses import dataclass

from tracks.errors import InputError
from tuning.vehicle import Vehicle

__all__ = ["Uncertainty", "on_the_ground", "to_be_told"]


@dataclass(frozen=True)
class Uncertainty:
    """How far the vehicle may differ from the nominal one; judgements of common practice, no source.

    Attributes:
        dead_time: least and most of the steering's, s.
        lag: factors, least and most, on the lag of steering, drive and brake.
        gain: share, either way, of the steering.
        offset: rad, either way, of the steering.
        understeer: rad/(m/s²), either way.
        brake_dead_time: most of the brake's, s.
    """

    dead_time: tuple[float, float] = (0.05, 0.25)
    lag: tuple[float, float] = (0.6, 1.6)
    gain: float = 0.05
    offset: float = 0.005
    understeer: float = 0.002
    brake_dead_time: float = 0.4

    def __post_init__(self) -> None:
        low, high = self.dead_time
        if not 0.0 <= low <= high <= 2.0:
            raise InputError(
                f"dead_time is {low:g} to {high:g} s", "least and most from 0 to 2 s", "correct it"
            )
        less, more = self.lag
        if not 0.1 <= less <= 1.0 <= more <= 10.0:
            raise InputError(f"lag is {less:g} to {more:g}", "factors around 1, from 0.1 to 10", "correct it")
        for name, most in (("gain", 0.5), ("offset", 0.1), ("understeer", 0.05), ("brake_dead_time", 5.0)):
            if not 0.0 <= getattr(self, name) <= most:
                raise InputError(f"{name} is {getattr(self, name):g}", f"0 to {most:g}", "correct it")


def on_the_ground(nominal: Vehicle, around: Uncertainty) -> list[Vehicle]:
    """Give the vehicles whose paths must stay inside the space, the nominal one first.

    Corners of what bends the path most: both offsets with more and with less steering, short and long delays. Their
    steering has no rate limit of its own, so that a command that asks for more than the limit shows.
    """
    free = {"steering.rate_limit": 100.0}
    found = [nominal.replace(**free)]
    for side in (-1.0, 1.0):
        for late in (False, True):
            for more in (-1.0, 1.0):
                found.append(
                    nominal.replace(
                        **(_delayed(nominal, around, late) | _bent(nominal, around, side, more) | free)
                    )
                )
    return found


def to_be_told(nominal: Vehicle, around: Uncertainty) -> list[Vehicle]:
    """Give the vehicles for each of which every needed value must show: the nominal one, the quickest, the slowest."""
    return [nominal, *(nominal.replace(**_delayed(nominal, around, late)) for late in (False, True))]


def _delayed(nominal: Vehicle, around: Uncertainty, late: bool) -> dict[str, float]:
    factor = around.lag[1] if late else around.lag[0]
    steering, drive = nominal.steering, nominal.drive
    changed = {
        "steering.dead_time": around.dead_time[1] if late else around.dead_time[0],
        "drive.lag": min(max(drive.lag * factor, 0.01), 20.0),
        "drive.brake_lag": min(max(drive.brake_lag * factor, 0.01), 20.0),
    }
    if late:
        changed["drive.brake_dead_time"] = max(around.brake_dead_time, drive.brake_dead_time)
    if steering.lag is None:
        changed["steering.natural_frequency"] = min(max(steering.natural_frequency / factor, 0.5), 100.0)
    else:
        changed["steering.lag"] = min(max(steering.lag * factor, 0.002), 5.0)
    return changed


def _bent(nominal: Vehicle, around: Uncertainty, side: float, more: float) -> dict[str, float]:
    changed = {
        "steering.gain": nominal.steering.gain * (1.0 + more * around.gain),
        "steering.offset": nominal.steering.offset + side * around.offset,
    }
    if nominal.model_name == "kinematic":
        gradient = nominal.tyres.understeer_gradient - more * around.understeer
        changed["tyres.understeer_gradient"] = min(max(gradient, -0.1), 0.1)
    return changed
