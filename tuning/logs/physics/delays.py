"""Which channel comes too late or too early: channels that should be simultaneous, and answers that follow a cause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tuning.logs.log import Log
from tuning.logs.physics.comparing import Likeness, compare
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch, fresh_readings
from tuning.logs.physics.turning import POSITIONS, WHEELS, Pair, quantities_of, wheelbase_of

__all__ = ["Delay", "delays_between", "delays_of"]

# Judgements, no source: what tyres, inertia, filters of sensors and buses explain.
_ALIKE = 0.8  # correlation from which a delay means something
_STRENGTH = 4.0
_DEVIATIONS = 2.5  # of the delay's own error
_SLACK = 0.02  # s: the method itself
_SENSORS = 0.08  # s: filters and buses of two sound sensors
_INERTIA = 0.10  # s: yaw inertia, at any speed
_RELAXATION = (
    0.17  # wheelbases that tyres roll until their force stands (half a metre for a car; common practice)
)
_MOST_RELAXED = 0.25  # s: slow vehicles turn by geometry
_MOST_PLACE = 0.5  # s: what half a wheelbase ahead or behind looks like in slow driving, at most
_GNSS = 0.2  # s: a receiver's filter, the side-slip, and what two differentiations leave
_LONGEST_ANSWER = 2.0  # s: by-wire steering, whose delay is what identification finds
_MOST_ERROR = 0.1  # s: a delay known no better is not judged
_DRIFT = 0.15  # s over the drive
_DRIFT_CERTAIN = 5.0  # standard deviations


@dataclass(frozen=True)
class Delay:
    """How much later `first` is than `second`, and what a sound vehicle with sound sensors explains (s)."""

    first: str
    second: str
    likeness: Likeness
    low: float
    high: float

    @property
    def beyond(self) -> float:
        """What is left unexplained, s: positive where `first` is too late."""
        d, room = self.likeness.delay, _SLACK + _DEVIATIONS * self.likeness.delay_error
        return max(d - self.high - room, 0.0) + min(d - self.low + room, 0.0)


def delays_of(
    logs: Sequence[Log],
    stretches: Sequence[Stretch],
    pairs: Mapping[tuple[str, str], Pair],
    known: Mapping[str, Any],
    moves: float,
) -> list[Finding]:
    """Say which channels are late or early beyond what is explained, and whose delay drifts."""
    delays = delays_between(logs, stretches, pairs, known, moves)
    return [*_late(delays), *_drifting(delays)]


def delays_between(
    logs: Sequence[Log],
    stretches: Sequence[Stretch],
    pairs: Mapping[tuple[str, str], Pair],
    known: Mapping[str, Any],
    moves: float,
) -> list[Delay]:
    """Give the delays that can be told, with what explains them."""
    speeds = np.abs(np.concatenate([s.speed for s in stretches])) if stretches else np.zeros(1)
    usual = float(np.median(speeds[speeds > moves])) if np.any(speeds > moves) else 1.0
    wheelbase = wheelbase_of(known) or 3.0
    relaxed = min(_RELAXATION * wheelbase / max(usual, 0.1), _MOST_RELAXED)
    found = []
    for (first, second), pair in pairs.items():
        if _told(pair.likeness):
            hold = max(_hold(logs, first), _hold(logs, second))
            low, high = _explained(
                first, second, relaxed, min(0.5 * wheelbase / max(usual, 0.1), _MOST_PLACE)
            )
            found.append(Delay(first, second, pair.likeness, low - hold, high + hold))
    for first, second, a, b in (*_along(stretches),):
        likeness = compare(a, b, [0] * len(a), stretches[0].step)
        if likeness is not None and _told(likeness):
            hold = max(_hold(logs, first), _hold(logs, second))
            # Speed sensors filter more than gyros do.
            found.append(Delay(first, second, likeness, -0.25 - hold, 0.25 + hold))
    return found


def _told(likeness: Likeness) -> bool:
    return (
        likeness.sign != 0
        and abs(likeness.correlation) >= _ALIKE
        and likeness.strength >= _STRENGTH
        and likeness.delay_error <= _MOST_ERROR
    )


def _explained(first: str, second: str, relaxed: float, place: float) -> tuple[float, float]:
    """Give the least and the most that `first` may come after `second`, s."""
    if second.endswith("command"):
        return -_SENSORS, _LONGEST_ANSWER
    room = _SENSORS
    if POSITIONS in (first, second):
        room += _GNSS
    if {first, second} & set(WHEELS):
        room += _INERTIA  # pulses are counted over a while
    if "lateral_acceleration" in (first, second):
        room += _INERTIA + place  # side-slip, and a place on the vehicle that is not known
    if second == "steering_angle":
        return -room, room + _INERTIA + relaxed
    return -room, room


def _hold(logs: Sequence[Log], channel: str) -> float:
    """Give the time (s) between fresh readings of a channel that is held: it may be so old."""
    longest = 0.0
    for name in quantities_of([channel]):
        for log in logs:
            if log.has(name):
                fresh = fresh_readings(log[name], log.read_at(name))
                if 50 <= fresh.size < len(log):
                    longest = max(longest, float(np.median(np.diff(log["time"][fresh]))))
    return longest


def _along(stretches: Sequence[Stretch]) -> list[tuple[str, str, list[np.ndarray], list[np.ndarray]]]:
    """Give speeds that should be simultaneous, as changes, which show a delay best."""
    having = [s for s in stretches if s.has("speed")]
    found = []
    for axle in ("rear", "front"):
        wheels = [f"wheel_speed_{axle}_{side}" for side in ("left", "right")]
        rolling = [s for s in having if s.has(*wheels)]
        if rolling:
            mean = [np.gradient(0.5 * (s.values[wheels[0]] + s.values[wheels[1]]), s.step) for s in rolling]
            found.append((wheels[0], "speed", mean, [s.rates["speed"] for s in rolling]))
    pushed = [s for s in having if s.has("longitudinal_acceleration")]
    if pushed:
        a = [s.values["longitudinal_acceleration"] for s in pushed]
        found.append(("longitudinal_acceleration", "speed", a, [s.rates["speed"] for s in pushed]))
    return found


def _late(delays: Sequence[Delay]) -> list[Finding]:
    wrong = [delay for delay in delays if delay.beyond]
    if not wrong:
        return []
    worst = max(wrong, key=lambda delay: abs(delay.beyond))
    culprits = [name for name in (worst.first, worst.second) if _explains(name, delays)]
    d = worst.likeness.delay
    verb, other = ("lags", worst.high) if d > 0.0 else ("comes before", worst.low)
    explained = (
        f"vehicle and sensors explain {max(other, 0.0):.2f} s"
        if d > 0.0
        else f"which no sound sensor does beyond {abs(min(other, 0.0)):.2f} s"
    )
    if worst.second.endswith("command") and d < 0.0:
        explained = "and an answer cannot come before its command"
    text = (
        f"{_spoken(worst.first)} {verb} {_spoken(worst.second)} by {abs(d):.2f} s (± {_DEVIATIONS * worst.likeness.delay_error:.2f} "
        f"s), {explained}"
    )
    if len(culprits) == 1:
        late = (d > 0.0) == (culprits[0] == worst.first)
        text += f": by the other channels it is {_spoken(culprits[0])} that is {'late' if late else 'early'}"
    remedy = "check the time stamps and the filters of these channels, and that both are on one clock"
    names = tuple(culprits) if len(culprits) == 1 else (worst.first, worst.second)
    return [Finding("delay", quantities_of(names), f"{text}; {remedy}")]


def _explains(channel: str, delays: Sequence[Delay]) -> bool:
    """Say whether one delay of this channel would put all the delays right, and more than the pair at odds says so."""
    low, high, mine = -np.inf, np.inf, 0
    for delay in delays:
        room = _SLACK + _DEVIATIONS * delay.likeness.delay_error
        least, most = delay.likeness.delay - delay.high - room, delay.likeness.delay - delay.low + room
        if channel == delay.first:
            low, high, mine = max(low, least), min(high, most), mine + 1
        elif channel == delay.second:
            low, high, mine = max(low, -most), min(high, -least), mine + 1
        elif not least <= 0.0 <= most:
            return False
    return low <= high and mine > 0


def _drifting(delays: Sequence[Delay]) -> list[Finding]:
    """Say where the delay between two channels grows along the drive: two clocks."""
    found = []
    for delay in delays:
        blocks = delay.likeness.blocks
        if len(blocks) < 5:
            continue
        time, value, weight = blocks.T
        share = weight / np.sum(weight)
        middle = time - share @ time
        spread = float(share @ middle**2)
        if spread <= 0.0:
            continue
        slope = float(share @ (middle * value)) / spread
        rest = value - share @ value - slope * middle
        error = float(np.sqrt(share @ rest**2 / spread / (len(blocks) - 2)))
        total = slope * float(np.ptp(time))
        if abs(total) > _DRIFT + (delay.high - delay.low) * 0.5 and abs(slope) > _DRIFT_CERTAIN * error:
            found.append((abs(total), delay, total))
    if not found:
        return []
    _, delay, total = max(found, key=lambda entry: entry[0])
    return [
        Finding(
            "drift",
            quantities_of((delay.first, delay.second)),
            f"{_spoken(delay.first)} and {_spoken(delay.second)} drift apart by {abs(total):.2f} s along the drive: they look "
            "stamped by two clocks; stamp them by one, or cut the log into short drives",
        )
    ]


def _spoken(channel: str) -> str:
    return {
        "wheel_speed_rear_left": "the rear wheel speeds",
        "wheel_speed_front_left": "the front wheel speeds",
    }.get(channel, channel)
