"""What the vehicle itself does: loses power, stops because no command comes, or obeys its driver."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation
from tracks.track import TrackArrays
from tuning.simulation.driver import driver_angle, driver_demand
from tuning.simulation.plant import Conduct
from tuning.simulation.script import Situation
from tuning.simulation.wire import STEERING, Wire
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.state import State

__all__ = ["HEARD", "POWER_OFF", "STANDING", "WATCHDOG", "OwnWays", "conduct_at", "new_log"]

# Slots of the vehicle's own log, s; infinite while not so.
POWER_OFF = 0  # when power was removed
WATCHDOG = 1  # when the watchdog tripped
HEARD = 2  # when the newest message arrived
_HELD = 3  # rad, road-wheel angle that was asked for when the watchdog tripped
SLOTS = 4

STANDING = 0.01  # m/s, at which a vehicle stands


class OwnWays(NamedTuple):
    """How the vehicle stops by itself."""

    emergency: float  # m/s², positive, of the brake that needs no power
    watchdog: float  # s of silence
    watchdog_deceleration: float  # m/s², positive


def new_log() -> np.ndarray:
    """Give the log of a vehicle that has just heard a command."""
    log = np.full(SLOTS, np.inf)
    log[HEARD] = log[_HELD] = 0.0
    return log


@equation
def _pedals(steered, angle, speed, held):
    """Give the `Conduct` of a driver who holds a speed (m/s) by the pedals, and steers or not."""
    demand = driver_demand(speed, held)
    return Conduct(steered, angle, 1.0, 1.0, held, np.maximum(demand, 0.0), np.minimum(demand, 0.0))


@equation
def conduct_at(
    p: PlantParameters, dead: DeadTimes, ways: OwnWays, log: np.ndarray, situation: Situation, wire: Wire,
    track: TrackArrays, state: State, s, time,
):  # fmt: skip
    """Give the `Conduct` from `time` [s] on and keep the log; the driver comes before a stop, a stop before the link.

    Category 0 removes power at once, category 1 at standstill. The brake that needs no power acts after the brake's
    dead time; drive is cut at once.
    """
    demanded = situation.stop == 1.0 or (situation.stop == 2.0 and np.abs(state.speed) < STANDING)
    if demanded and log[POWER_OFF] == np.inf:
        log[POWER_OFF] = time
    if time - log[HEARD] > ways.watchdog and log[WATCHDOG] == np.inf and situation.driver_steers == 0.0:
        log[WATCHDOG] = time
        log[_HELD] = wire.target[wire.newest[STEERING]]
    if situation.driver_steers > 0.0:
        angle = driver_angle(p, track, state, s, situation.driver_offset)
        return _pedals(1.0, angle, state.speed, situation.driver_speed)
    elif log[POWER_OFF] < np.inf:
        brake = -ways.emergency if time >= log[POWER_OFF] + dead.brake else 0.0
        return Conduct(1.0, state.steering_angle, 0.0, 1.0, 0.0, 0.0, brake)
    elif log[WATCHDOG] < np.inf:
        brake = -ways.watchdog_deceleration if time >= log[WATCHDOG] + dead.brake else 0.0
        return Conduct(1.0, log[_HELD], 1.0, 1.0, 0.0, 0.0, brake)
    elif situation.driver_speed >= 0.0:
        return _pedals(0.0, 0.0, state.speed, situation.driver_speed)
    else:
        return Conduct(0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
