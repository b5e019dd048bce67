"""From logs to what a fit works on: uninterrupted recordings, what counts of them, and the measured answers.

Loggers that sample and hold repeat a reading until the next one comes. Only fresh readings count as measurements,
and a held speed is joined by straight lines between its fresh readings. Where a log says at which samples a quantity
was read (`Log.fresh`), only these are looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.identification.kernels import Drives
from tuning.identification.speed_samples import going_of
from tuning.identification.speeds import DIFFERENCE_WINDOW, say
from tuning.logs.log import Log

__all__ = ["SETTLING", "Measured", "Recording", "gather"]

SETTLING = 1.0  # s at the start of a recording that do not count: its initial state is a guess
SHORTEST = 2.0  # s; a recording shorter than this, of which the settling is half, is left out

_HELD_SHARE = 0.5  # fewer changes than this share of the samples: the signal is sampled and held
_LONGEST_HOLD = 5.0  # times the median hold; a longer one is a true standstill of the signal, not a hold

_LEAST_READINGS = 20  # that count: fewer tell nothing, and their noise cannot be judged
_STANDSTILL = 0.01  # m/s
_BIAS_SAMPLES = 20  # at standstill that a gyro's bias takes

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measured:
    """One measured answer.

    Attributes:
        values: shape (m,), SI.
        at: samples that they belong to, shape (m,), indices into the recordings.
        back, ahead: for a yaw rate taken from heading, the samples between which the heading was differenced.
    """

    values: Array
    at: NDArray[np.int64]
    back: NDArray[np.int64] | None = None
    ahead: NDArray[np.int64] | None = None


@dataclass(frozen=True)
class Recording:
    """Logs made ready for simulation.

    Attributes:
        drives: clock and speed of all recordings, one after the other.
        command: steering command, shape (n,): 1/m, rad or a number.
        log: number of the log that each sample comes from, shape (n,).
        counts: samples that count: settled and moving, shape (n,).
        measured: output name -> Measured (`steering_angle`, `yaw_rate`, `lateral_acceleration`, `speed`).
        speed_command, acceleration_command: shape (n,), or None without a speed command.
        throttle, brake: positions from 0 to 1 (a throttle below 0 gives nothing), shape (n,), where the logs hold no
            speed command but a throttle; else None.
        pushing: measured longitudinal acceleration, or None.
    """

    drives: Drives
    command: Array
    log: NDArray[np.int64]
    counts: NDArray[np.bool_]
    measured: dict[str, Measured]
    speed_command: Array | None
    acceleration_command: Array | None
    throttle: Array | None = None
    brake: Array | None = None
    pushing: Measured | None = None

    @cached_property
    def clock(self) -> Array:
        """Time that runs on from one recording to the next, with a second between them, shape (n,), s."""
        step = np.diff(self.drives.time, prepend=self.drives.time[0])
        starts = self.drives.first == np.arange(step.size)
        return np.cumsum(np.where(starts, 1.0, step))

    @cached_property
    def last(self) -> NDArray[np.int64]:
        """Index of the last sample of the recording that a sample belongs to, shape (n,)."""
        starts = np.flatnonzero(self.drives.first == np.arange(self.drives.first.size))
        ends = np.append(starts[1:], self.drives.first.size) - 1
        return np.repeat(ends, np.diff(np.append(starts, self.drives.first.size)))


def gather(logs: Sequence[Log], command: str, threshold: float, findings: list[str]) -> Recording:
    """Put logs one after the other, cut at the gaps of their clocks.

    Args:
        logs: drives with `speed` and the quantity named by `command`.
        command: `curvature_command` or `steering_command`.
        threshold: speed below which samples do not count, m/s.
        findings: gets what the reader of the result should know.

    Raises:
        InputError: nothing that counts is left.
    """
    pieces = _uninterrupted(logs, findings)
    sizes = [piece.stop - piece.start for _, _, piece in pieces]
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64)

    def joined(quantity: str) -> Array:
        return np.concatenate([log[quantity][piece] for _, log, piece in pieces])

    def read(quantity: str) -> NDArray[np.bool_]:
        return np.concatenate([log.read_at(quantity)[piece] for _, log, piece in pieces])

    time = joined("time")
    first = np.repeat(starts, sizes)
    speed = np.concatenate(
        [
            _joined_by_lines(log["time"][piece], log["speed"][piece], log.read_at("speed")[piece])
            for _, log, piece in pieces
        ]
    )
    drives = Drives(time, first, speed)
    counts = (speed >= threshold) & (time - time[first] >= SETTLING)
    if np.count_nonzero(counts) < _LEAST_READINGS:
        raise InputError(
            f"only {np.count_nonzero(counts)} samples are settled and faster than {threshold:.3g} m/s",
            "a drive in motion",
            "use logs with more driving in them",
        )
    number = np.repeat([n for n, _, _ in pieces], sizes).astype(np.int64)
    speed_command = joined("speed_command") if _in_all(logs, "speed_command", findings) else None
    acceleration_command = np.zeros_like(time) if speed_command is not None else None
    if speed_command is not None and _in_all(logs, "acceleration_command", findings):
        acceleration_command = joined("acceleration_command")
    throttle = brake = pushing = None
    if speed_command is None and _in_all(logs, "throttle_command", findings):
        throttle = joined("throttle_command")
        brake = joined("brake_command") if _in_all(logs, "brake_command", findings) else np.zeros_like(time)
    measured = _measured(logs, joined, read, drives, counts, number, findings)
    if speed_command is not None or throttle is not None:
        going = going_of(drives, threshold, speed_command, throttle) & read("speed")
        measured["speed"] = Measured(joined("speed")[going], np.flatnonzero(going))
        if _in_all(logs, "longitudinal_acceleration", findings):
            values = joined("longitudinal_acceleration")
            at = np.flatnonzero(read("longitudinal_acceleration") & going)
            pushing = Measured(values[at], at) if at.size >= _LEAST_READINGS else None
    return Recording(
        drives,
        joined(command),
        number,
        counts,
        measured,
        speed_command,
        acceleration_command,
        throttle,
        brake,
        pushing,
    )


def _uninterrupted(logs: Sequence[Log], findings: list[str]) -> list[tuple[int, Log, slice]]:
    """Give number, log and samples of each piece without a gap that is long enough to simulate."""
    pieces: list[tuple[int, Log, slice]] = []
    for number, log in enumerate(logs):
        for piece in log.segments:
            time = log["time"][piece]
            if time.size >= 3 and time[-1] - time[0] >= SHORTEST:
                pieces.append((number, log, piece))
            else:
                say(findings, f"{log.name}: a piece shorter than {SHORTEST:g} s between gaps was left out")
    if not pieces:
        raise InputError(
            f"no log has {SHORTEST:g} s without a gap of its clock",
            "uninterrupted recordings",
            "record longer drives, or repair the clock",
        )
    return pieces


def _in_all(logs: Sequence[Log], quantity: str, findings: list[str]) -> bool:
    """Say whether every log holds a quantity; a finding tells where only some do."""
    count = sum(log.has(quantity) for log in logs)
    if 0 < count < len(logs):
        say(findings, f"{quantity} is not in every log and was not used")
    return count == len(logs)


def _measured(
    logs: Sequence[Log],
    joined: Callable[[str], Array],
    read: Callable[[str], NDArray[np.bool_]],
    drives: Drives,
    counts: NDArray[np.bool_],
    number: NDArray[np.int64],
    findings: list[str],
) -> dict[str, Measured]:
    measured: dict[str, Measured] = {}
    for quantity in ("steering_angle", "yaw_rate", "lateral_acceleration"):
        if not _in_all(logs, quantity, findings):
            continue
        values = joined(quantity)
        if quantity == "yaw_rate":
            values = _without_bias(values, drives.speed, number, findings)
        at = np.flatnonzero(_fresh(values, drives.first, read(quantity)) & counts)
        if at.size >= _LEAST_READINGS and np.ptp(values[at]) > 0.0:
            measured[quantity] = Measured(values[at], at)
    if _in_all(logs, "heading", findings):
        turning = _from_heading(joined("heading"), read("heading"), drives, counts)
        if turning.at.size < _LEAST_READINGS:
            return measured
        if "yaw_rate" not in measured:
            measured["yaw_rate"] = turning
            say(findings, "yaw rate was taken from the measured heading")
        elif turning.at.size > 2 * measured["yaw_rate"].at.size:
            measured["yaw_rate"] = turning
            say(
                findings,
                "yaw rate was taken from the measured heading: the yaw_rate channel is sampled and held",
            )
    return measured


def _fresh(values: Array, first: NDArray[np.int64], read: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say which samples are fresh readings: all that were read, or only the changes of a signal that is held."""
    fresh = read.copy()
    at = np.flatnonzero(read)
    changed = np.append(True, np.diff(values[at]) != 0.0) | np.append(True, np.diff(first[at]) != 0)
    if at.size and np.mean(changed) < _HELD_SHARE:
        fresh[at[~changed]] = False
    return fresh


def _joined_by_lines(time: Array, values: Array, read: NDArray[np.bool_]) -> Array:
    """Give a signal that is sampled and held as straight lines between its fresh readings."""
    fresh = np.flatnonzero(_fresh(values, np.zeros(values.size, dtype=np.int64), read))
    if fresh.size == values.size or fresh.size < 3:
        return values.copy()
    longest = _LONGEST_HOLD * float(np.median(np.diff(time[fresh])))
    # A long hold keeps its value until shortly before the next reading.
    late = fresh[1:][np.diff(time[fresh]) > longest] - 1
    knots = np.union1d(fresh, late)
    return np.interp(time, time[knots], values[knots])


def _without_bias(values: Array, speed: Array, log: NDArray[np.int64], findings: list[str]) -> Array:
    """Take from a yaw rate what the gyro shows at standstill, log by log where there is a standstill."""
    still = np.abs(speed) < _STANDSTILL
    corrected = values.copy()
    largest = 0.0
    for one in np.unique(log):
        rest = still & (log == one)
        if np.count_nonzero(rest) < _BIAS_SAMPLES:
            continue
        # The median: a vehicle that still rolls, or whose speed sensor starts late, must not shift it.
        bias = float(np.median(values[rest]))
        corrected[log == one] -= bias
        largest = max(largest, abs(bias))
    if largest > 0.0:
        say(findings, f"a yaw-rate bias of up to {largest:.2g} rad/s, as seen at standstill, was taken off")
    return corrected


def _from_heading(
    heading: Array, read: NDArray[np.bool_], drives: Drives, counts: NDArray[np.bool_]
) -> Measured:
    """Difference the heading over a short window; the simulated heading is differenced over the same samples.

    Both ends are fresh readings: between them the heading is older than its sample says.
    """
    time, first = drives.time, drives.first
    fresh = np.flatnonzero(_fresh(heading, first, read))
    step = np.diff(time[fresh])
    usual = float(np.median(step[step > 0.0])) if np.any(step > 0.0) else DIFFERENCE_WINDOW
    half = max(round(DIFFERENCE_WINDOW / usual), 1)
    at, back, ahead = fresh[half:-half], fresh[: -2 * half], fresh[2 * half :]
    same = (first[back] == first[at]) & (first[ahead] == first[at]) & counts[at]
    at, back, ahead = at[same], back[same], ahead[same]
    turned = np.angle(np.exp(1j * (heading[ahead] - heading[back])))
    return Measured(turned / (time[ahead] - time[back]), at, back, ahead)
