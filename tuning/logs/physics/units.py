"""Which channel is in another unit than its label says: the fewest factors that put all the ratios right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tuning.logs.physics.finding import Finding

__all__ = ["Ratio", "units_of"]

DEGREES, GRAVITY, KMH, MPH = 180.0 / np.pi, 9.80665, 3.6, 3600.0 / 1609.344
HAND_WHEEL = (
    6.0,
    30.0,
)  # hand-wheel angle over road-wheel angle of road vehicles (common practice, no source)
_ABOUT = 1.35  # factor either side, within which a ratio may be a unit's
_BORDER = 1.3  # factor beyond the sound ratios from which one that no unit explains is a doubt
_AS_GOOD = 0.12  # of a logarithm: explanations this close to the best are named too

# Channel -> (factor by which its numbers are too large, what that looks like).
_LOOKS: dict[str, tuple[tuple[float, str], ...]] = {
    "yaw_rate": (
        (DEGREES, "yaw_rate looks like deg/s labelled rad/s"),
        (1.0 / DEGREES, "yaw_rate looks like rad/s labelled deg/s"),
    ),
    "heading": (
        (DEGREES, "heading looks like deg labelled rad"),
        (1.0 / DEGREES, "heading looks like rad labelled deg"),
    ),
    "steering_angle": (
        (DEGREES, "steering_angle looks like deg labelled rad"),
        (1.0 / DEGREES, "steering_angle looks like rad labelled deg"),
    ),
    "lateral_acceleration": (
        (GRAVITY, "lateral_acceleration looks like m/s² labelled g"),
        (1.0 / GRAVITY, "lateral_acceleration looks like g labelled m/s²"),
    ),
    "longitudinal_acceleration": (
        (GRAVITY, "longitudinal_acceleration looks like m/s² labelled g"),
        (1.0 / GRAVITY, "longitudinal_acceleration looks like g labelled m/s²"),
    ),
    "speed": (
        (KMH, "speed looks like km/h labelled m/s"),
        (1.0 / KMH, "speed looks like m/s labelled km/h"),
        (MPH, "speed looks like mph labelled m/s"),
        (1.0 / MPH, "speed looks like m/s labelled mph"),
    ),
    "wheel speeds": (
        (KMH, "the wheel speeds look like km/h labelled m/s"),
        (1.0 / KMH, "the wheel speeds look like m/s labelled km/h"),
        (MPH, "the wheel speeds look like mph labelled m/s"),
        (1.0 / MPH, "the wheel speeds look like m/s labelled mph"),
    ),
    "speed_command": (
        (KMH, "speed_command looks like km/h labelled m/s"),
        (1.0 / KMH, "speed_command looks like m/s labelled km/h"),
        (MPH, "speed_command looks like mph labelled m/s"),
        (1.0 / MPH, "speed_command looks like m/s labelled mph"),
    ),
    "time": (
        (1000.0, "time looks like ms labelled s"),
        (0.001, "time looks like s labelled ms"),
    ),
}


@dataclass(frozen=True)
class Ratio:
    """Two quantities that should be equal, and how many times the first is the second.

    Attributes:
        left, right: what they are, as one says it.
        ratio: left over right, without sign.
        powers: channel -> power with which a factor in its numbers enters the ratio.
        low, high: ratios that a sound log may show.
    """

    left: str
    right: str
    ratio: float
    powers: Mapping[str, float]
    low: float
    high: float

    def fits(self, factors: Mapping[str, float]) -> bool:
        """Say whether the ratio is a sound one once channels are divided by these factors."""
        return self.low <= self.ratio / self._total(factors) <= self.high

    def misses(self, factors: Mapping[str, float]) -> float:
        """Give the distance of the ratio from 1, in logarithms, once channels are divided by these factors."""
        return float(abs(np.log(self.ratio / self._total(factors))))

    def _total(self, factors: Mapping[str, float]) -> float:
        return float(np.prod([factor ** self.powers.get(name, 0.0) for name, factor in factors.items()]))


def units_of(ratios: Sequence[Ratio]) -> list[Finding]:
    """Say which channels are in a wrong unit, or, where no unit explains a ratio, which ones do not belong together."""
    wrong = [ratio for ratio in ratios if not ratio.fits({})]
    if not wrong:
        return []
    numbers = "; ".join(
        f"{r.left} is {r.ratio:.3g} times {r.right}, where about 1 is expected" for r in wrong[:3]
    )
    involved = [name for name in _LOOKS if any(r.powers.get(name) for r in wrong)]
    for size in (1, 2):
        readings = _readings(ratios, wrong, involved, size)
        if readings:
            channels = tuple(dict.fromkeys(name for names, _ in readings for name in names))
            looks = ", or ".join(" and ".join(texts) for texts in (texts for _, texts in readings))
            return [Finding("unit", channels, f"{numbers}: {looks}; correct the unit in the channel file")]
    channels = tuple(dict.fromkeys(name for r in wrong for name in r.powers))
    wheelbase = ", and the wheelbase," if any("wheelbase" in r.right + r.left for r in wrong) else ""
    text = f"{numbers}: no unit explains it; check the units and scales of {', '.join(channels)}{wheelbase} in the channel file"
    far = any(not r.low / _BORDER <= r.ratio <= r.high * _BORDER for r in wrong)
    return [Finding("size", channels, text, "doubt" if far else "finding")]


def _readings(
    ratios: Sequence[Ratio], wrong: Sequence[Ratio], involved: Sequence[str], size: int
) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Give the sets of so many wrong units that put every ratio right: the best, and those about as good."""
    options: list[tuple[str, float, str]] = [
        (name, factor, text) for name in involved for factor, text in _LOOKS[name]
    ]
    hand = _hand_wheel(wrong)
    if hand is not None:
        options.append(hand)
    scored = []
    for chosen in combinations(options, size):
        factors = {name: factor for name, factor, _ in chosen}
        if len(factors) < size or not all(r.fits(factors) for r in ratios):
            continue
        misses = [r.misses(factors) for r in wrong]
        # A unit is exact: what leaves a ratio far from 1 is not it, but slip and smoothing leave steering and positions apart.
        room = [np.log(_ABOUT) if r.low >= 0.55 else np.log(2.4 * _ABOUT) for r in wrong]
        if all(miss <= most for miss, most in zip(misses, room, strict=True)):
            scored.append((float(np.mean(misses)), tuple(factors), tuple(text for _, _, text in chosen)))
    if not scored:
        return []
    best = min(score for score, _, _ in scored)
    return [(names, texts) for score, names, texts in sorted(scored) if score <= best + _AS_GOOD]


def _hand_wheel(wrong: Sequence[Ratio]) -> tuple[str, float, str] | None:
    """Give the reading that the steering angle is the hand wheel's, where the ratio is one of a steering gear."""
    times = [r.ratio ** (1.0 / r.powers["steering_angle"]) for r in wrong if r.powers.get("steering_angle")]
    if not times:
        return None
    middle = float(np.median(times))
    if not HAND_WHEEL[0] <= middle <= HAND_WHEEL[1]:
        return None
    return (
        "steering_angle",
        middle,
        f"steering_angle is {middle:.1f} times what the yaw rate and the wheelbase ask for, as at the hand wheel: give the "
        "steering ratio",
    )
