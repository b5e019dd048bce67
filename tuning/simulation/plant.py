"""The vehicle over a span of time: messages that come into effect cut it, RK4 in between."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation, select
from tuning.simulation.wire import BRAKE, DRIVE, SAME_TIME, STEERING, Wire
from tuning.vehicle.model import rk4
from tuning.vehicle.parameters import PlantParameters
from tuning.vehicle.state import Inputs, State, Surroundings

__all__ = ["Conduct", "advance"]


class Conduct(NamedTuple):
    """What drives the vehicle in place of the messages, where something does."""

    steered: float  # 1: `angle` is asked of the steering
    angle: float  # rad
    power: float  # 1: the steering has power
    driven: float  # 1: `speed`, `drive` and `brake` are asked of drive and brake
    speed: float  # m/s; its sign is the gear, 0 stands for a stop
    drive: float  # m/s², ≥ 0
    brake: float  # m/s², ≤ 0


@equation
def _acting(acts: np.ndarray, newest: np.ndarray, channel, sent, time, end):
    """Move on to the message that acts at a channel at `time` [s]: give it, and when the next comes into effect.

    `sent` is the newest message that was sent; the moment given is not after `end` [s].
    """
    while newest[channel] < sent and acts[channel, newest[channel] + 1] <= time + SAME_TIME:
        newest[channel] += 1
    entry = newest[channel]
    return entry, min(acts[channel, entry + 1], end) if entry < sent else end


@equation
def advance(
    model: int, p: PlantParameters, state: State, wire: Wire, sent, conduct: Conduct, around: Surroundings,
    loop, substep, start, end,
):  # fmt: skip
    """Carry the state from `start` to `end` [s].

    The span is cut wherever a message comes into effect, so a dead time need not be a multiple of anything
    and the input is constant over every integration step.
    """
    time = start
    while time < end - SAME_TIME:
        steering, until = _acting(wire.acts, wire.newest, STEERING, sent, time, end)
        drive, until = _acting(wire.acts, wire.newest, DRIVE, sent, time, until)
        brake, until = _acting(wire.acts, wire.newest, BRAKE, sent, time, until)
        count = int(np.ceil((until - time) / substep - SAME_TIME))
        h = (until - time) / count
        by_wire = conduct.driven == 0.0
        inputs = Inputs(
            select(conduct.steered > 0.0, conduct.angle, wire.target[steering]),
            select(by_wire, wire.speed[drive], conduct.speed),
            select(by_wire, wire.drive[drive], conduct.drive),
            select(by_wire, wire.speed[brake], conduct.speed),
            select(by_wire, wire.brake[brake], conduct.brake),
            select(by_wire, loop, 0.0),
            conduct.power,
        )
        for _ in range(count):
            state = rk4(model, p, state, inputs, around, h)
        time = until
    return state
