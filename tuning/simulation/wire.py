"""The command link: what is sent, when it acts, and what is lost on the way."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tracks.one_source import equation
from tuning.vehicle.parameters import DeadTimes

__all__ = ["BRAKE", "DRIVE", "SAME_TIME", "STEERING", "Message", "Wire", "link_delays", "new_wire", "send"]

SAME_TIME = 1e-9  # s: two instants closer than this are one

STEERING, DRIVE, BRAKE = 0, 1, 2  # rows of `Wire.acts` and of `Wire.newest`

_JITTER = 3  # key of the random stream of the link


class Message(NamedTuple):
    """What one message asks for."""

    target: float  # rad, road-wheel angle
    speed: float  # m/s
    drive: float  # m/s², feed-forward of the drive, or what the throttle's position gives
    brake: float  # m/s², feed-forward of the brake, or what the brake's position gives


class Wire(NamedTuple):
    """Messages by control step, entry 0 being what held before the run.

    Attributes:
        target, speed, drive, brake: as in `Message`, shape (steps + 1,).
        acts: when each message comes into effect at steering, drive and brake, s, shape (3, steps + 1); not decreasing.
        newest: which message acts at steering, drive and brake, shape (3,), of integers.
    """

    target: np.ndarray
    speed: np.ndarray
    drive: np.ndarray
    brake: np.ndarray
    acts: np.ndarray
    newest: np.ndarray


def new_wire(steps: int, before: Message) -> Wire:
    """Give the wire of a run of so many control steps, on which `before` has been acting for ever."""
    target, speed, drive, brake = np.zeros((4, steps + 1))
    wire = Wire(target, speed, drive, brake, np.zeros((3, steps + 1)), np.zeros(3, dtype=np.int64))
    for name, value in before._asdict().items():
        getattr(wire, name)[0] = value
    wire.acts[:, 0] = -np.inf
    return wire


def link_delays(period: float, jitter: float, steps: int, control_period: float, seed: int) -> np.ndarray:
    """Give the delay of each command on the link, s, shape (steps,), or (1,) where all are 0.

    Args:
        period: between two messages of the link, s; the newest command waits for the next one. 0 for no waiting.
        jitter: largest extra delay of a message, s; drawn with even odds from the seed, the same whoever drives.
        steps, control_period: of the commands, the latter in s.
        seed: of the jitter.
    """
    if period == 0.0 and jitter == 0.0:
        return np.zeros(1)
    sent = control_period * np.arange(steps)
    slot = np.arange(steps)
    if period > 0.0:
        slot = np.ceil(sent / period - 1e-9).astype(int)
    waits = np.maximum(slot * period - sent, 0.0) if period > 0.0 else np.zeros(steps)
    draws = np.random.default_rng([seed, _JITTER]).random(int(slot.max(initial=0)) + 1)
    return waits + jitter * draws[slot]


@equation
def send(wire: Wire, dead: DeadTimes, message: Message, entry, time, lost):
    """Send message number `entry` so that it arrives at `time` [s]; one that is lost leaves the last one in force."""
    if lost > 0.0:
        wire.target[entry], wire.speed[entry] = wire.target[entry - 1], wire.speed[entry - 1]
        wire.drive[entry], wire.brake[entry] = wire.drive[entry - 1], wire.brake[entry - 1]
        for channel in range(3):
            wire.acts[channel, entry] = wire.acts[channel, entry - 1]
    else:
        wire.target[entry], wire.speed[entry] = message.target, message.speed
        wire.drive[entry], wire.brake[entry] = message.drive, message.brake
        # A message does not overtake the one before it.
        wire.acts[STEERING, entry] = np.maximum(time + dead.steering, wire.acts[STEERING, entry - 1])
        wire.acts[DRIVE, entry] = np.maximum(time + dead.drive, wire.acts[DRIVE, entry - 1])
        wire.acts[BRAKE, entry] = np.maximum(time + dead.brake, wire.acts[BRAKE, entry - 1])
