"""Which channels have the wrong sign: the fewest that, turned, put all the comparisons right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import Stretch
from tuning.logs.physics.turning import POSITIONS, SPOKEN, WHEELS, Pair, quantities_of

__all__ = ["agree", "compass_or_axes", "negated", "signs_of_turning"]

# Judgements, no source: far from what noise, slip and delays do to sound logs.
_LEAST_CORRELATION = 0.5
_BY_COMMAND = 0.75  # with a command, which may come long before: the reach holds more chances
_LEAST_STRENGTH = 4.0  # standard deviations
_EARLIEST, _LATEST, _LATEST_ANSWER = (
    -0.6,
    0.6,
    1.2,
)  # s: what goes together only at a longer delay does so by chance
_CONCENTRATED = 0.9  # mean resultant length from which a direction counts as settled
_NEAR = 0.35  # rad, of a quarter turn

_TURN = "scale = -1 in the channel file turns it"


def judged(pairs: Mapping[tuple[str, str], Pair]) -> dict[tuple[str, str], Pair]:
    """Give the pairs whose sign is beyond doubt."""
    return {
        names: pair
        for names, pair in pairs.items()
        if pair.likeness.sign
        and abs(pair.likeness.correlation)
        >= (_BY_COMMAND if pair.second.endswith("command") else _LEAST_CORRELATION)
        and pair.likeness.strength >= _LEAST_STRENGTH
        and _EARLIEST
        <= pair.likeness.delay
        <= (_LATEST_ANSWER if pair.second.endswith("command") else _LATEST)
    }


def negated(pairs: Mapping[tuple[str, str], Pair]) -> list[tuple[str, ...]]:
    """Give the smallest sets of channels that, turned in sign, leave no pair with opposite signs.

    Several sets of the same size mean that the logs cannot tell which of them it is; the set of all others is the
    same as turning none of them and is left out where it is larger.
    """
    clear = judged(pairs)
    channels = sorted({name for names in clear for name in names}, key=list(SPOKEN).index)
    for size in range(len(channels) // 2 + 1):
        sets = [
            chosen
            for chosen in combinations(channels, size)
            if all(
                ((first in chosen) != (second in chosen)) == (pair.likeness.sign < 0)
                for (first, second), pair in clear.items()
            )
        ]
        if sets:
            return [] if size == 0 else sets
    # Contradicting comparisons: let the clearest decide each channel against its strongest partner.
    worst = [pair for pair in clear.values() if pair.likeness.sign < 0]
    return [(worst[0].first,), (worst[0].second,)] if worst else []


def signs_of_turning(
    pairs: Mapping[tuple[str, str], Pair], stretches: Sequence[Stretch], moves: float
) -> list[Finding]:
    """Say which of the turning channels have the wrong sign, and what that looks like."""
    sets = negated(pairs)
    if not sets:
        if agree(stretches, moves) < 0:
            text = compass_or_axes(POSITIONS, stretches, moves)
            return [
                Finding("sign", ("x", "y", "heading"), f"{text} (the direction of travel mirrors heading)")
            ]
        return []
    clear = judged(pairs)
    against = [pair for pair in clear.values() if pair.likeness.sign < 0]
    numbers = "; ".join(
        f"{pair.words[0]} against {pair.words[1]}: correlation {pair.likeness.correlation:.2f}"
        for pair in against[:3]
    )
    if len(sets) == 1:
        return [_one_reading(sets[0], against, numbers, stretches, moves)]
    names = tuple(dict.fromkeys(name for chosen in sets for name in chosen))
    first = against[0]
    text = (
        f"{first.words[0]} and {first.words[1]} have opposite signs: one of them is negated, and nothing else in the "
        f"logs tells which ({numbers}); {_TURN}"
    )
    if len(sets[0]) > 1 or len(names) > 2:
        readings = ", or ".join(" and ".join(chosen) for chosen in sets)
        text = (
            f"some channels have opposite signs ({numbers}): {readings} look negated, and nothing else in the logs tells "
            f"which; {_TURN}"
        )
    if "heading" in names:
        text += "; or heading is a compass bearing, clockwise from north"
    return [Finding("sign", quantities_of(names), text)]


def _one_reading(
    wrong: tuple[str, ...], against: Sequence[Pair], numbers: str, stretches: Sequence[Stretch], moves: float
) -> Finding:
    """Say what one settled set of negated channels looks like."""
    if wrong == ("heading",) and agree(stretches, moves) > 0:
        wrong = ("heading", POSITIONS)
    if set(wrong) == {"heading", POSITIONS}:
        return Finding(
            "sign",
            ("heading", "x", "y"),
            "heading and x, y turn clockwise where the vehicle turns left: these look like north-east-down axes (NED), "
            f"and east-north-up is expected ({numbers}); give the column of the east to x, that of the north to y, "
            "and turn heading into 90° − heading",
        )
    if wrong == ("heading",) or wrong == (POSITIONS,):
        return Finding(
            "sign", quantities_of(wrong), f"{compass_or_axes(wrong[0], stretches, moves)} ({numbers})"
        )
    if set(wrong) <= set(WHEELS):
        names = " and ".join(wrong)
        return Finding(
            "wheels",
            quantities_of(wrong),
            f"{names}: the right wheel is slower than the left one in left-hand curves: left and right look swapped "
            f"({numbers}); exchange their columns",
        )
    names = " and ".join(wrong)
    looks = "look" if len(wrong) > 1 else "looks"
    others = list(dict.fromkeys(p.words[1] if p.first in wrong else p.words[0] for p in against))
    evidence = f"the opposite sign of {'both ' if len(others) == 2 else ''}{' and '.join(others)}"
    if len(others) > 2:
        evidence = f"the opposite sign of {', '.join(others[:-1])} and {others[-1]}"
    return Finding(
        "sign",
        quantities_of(wrong),
        f"{names} {'have' if len(wrong) > 1 else 'has'} {evidence}: {names} {looks} negated ({numbers}); {_TURN}",
    )


def compass_or_axes(channel: str, stretches: Sequence[Stretch], moves: float) -> str:
    """Say what a heading, or positions, look like that turn the wrong way: by course + heading, which then is constant.

    Args:
        channel: "heading" or "x, y", whichever contradicts the others.
    """
    total, resultant = course_and_heading(stretches, moves, 1.0)
    settled = resultant >= _CONCENTRATED
    if channel == "heading":
        if settled and abs(total - 0.5 * np.pi) < _NEAR:
            return (
                "heading turns clockwise and is 0 where the vehicle drives along y: heading looks like a compass bearing "
                "(clockwise from north); use 90° − heading"
            )
        if settled and abs(total) < _NEAR:
            return f"heading turns the wrong way and is 0 along x: heading looks negated; {_TURN}"
        return (
            "heading turns clockwise where the vehicle turns left: heading looks like a compass bearing (clockwise from "
            f"north; use 90° − heading) or negated ({_TURN})"
        )
    if settled and abs(total - 0.5 * np.pi) < _NEAR:
        return "the path of x, y bends the wrong way and mirrors heading: x and y look swapped; exchange their columns"
    if settled and abs(abs(total) - np.pi) < _NEAR:
        return f"the path of x, y bends the wrong way: x looks negated; {_TURN}"
    if settled and abs(total) < _NEAR:
        return f"the path of x, y bends the wrong way: y looks negated, positive to the right; {_TURN}"
    return (
        "the path of x, y bends to the right where the vehicle turns left: y looks negated, or x and y swapped; "
        f"{_TURN}, or exchange the columns"
    )


def agree(stretches: Sequence[Stretch], moves: float) -> int:
    """Give 1 where the direction of travel turns with heading, −1 where it mirrors it, 0 where that is open."""
    with_it, mirrored = (course_and_heading(stretches, moves, sign)[1] for sign in (-1.0, 1.0))
    if max(with_it, mirrored) < _CONCENTRATED or min(with_it, mirrored) > 0.8 * max(with_it, mirrored):
        return 0
    return 1 if with_it > mirrored else -1


def course_and_heading(stretches: Sequence[Stretch], moves: float, sign: float) -> tuple[float, float]:
    """Give the mean of course + sign · heading (rad) while moving, and how concentrated it is, 0 to 1."""
    turns: list[np.ndarray] = [np.zeros(0, dtype=complex)]
    for s in stretches:
        if s.has("x", "y", "heading"):
            way = s.rates["x"] + 1j * s.rates["y"]
            fast = np.abs(way) > moves
            way, forward = way[fast], np.where(s.speed[fast] < 0.0, -1.0, 1.0)
            turns.append(forward * way / np.abs(way) * np.exp(1j * sign * s.values["heading"][fast]))
    every = np.concatenate(turns)
    if every.size < 30:
        return 0.0, 0.0
    mean = complex(np.mean(every))
    return float(np.angle(mean)), float(abs(mean))
