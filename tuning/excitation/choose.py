"""Which drives: the fewest that make every needed value show, by A-optimal greedy choice.

A-optimal: the sum of the values' variances is least (Goodwin & Payne, Dynamic System Identification, 1977; Pukelsheim,
Optimal Design of Experiments, 1993; both from memory), here each in units of what is needed, so that the sum has no
unit, and for the worst of the variants. One drive after the other is added, whichever lowers the sum most, until every
value shows even with any one drive kept out; then those that are not needed are taken out again. That does not prove
that no smaller set would do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tuning.identification.foresee import Information
from tuning.identification.foreseen import NORMAL, reported_covariance
from tuning.identification.information import covariance
from tuning.identification.needed import Need, need_of

__all__ = ["choose", "half_widths", "needs_of"]

Array = NDArray[np.float64]

_UNDERSTEER = "tyres.understeer_gradient"
_BENT = 0.02
_LEAST_GAIN = 0.01  # of the sum: a drive that lowers it by less is not worth its time


def half_widths(
    information: Information, chosen: Sequence[int], needed: Mapping[str, Need]
) -> dict[str, tuple[float, float]]:
    """Give expected half-width of the 95 % interval and the needed one, SI, for each value that is asked for.

    Args:
        information: of all candidates.
        chosen: numbers of the drives, repeated ones twice.
        needed: names of the values and how well they must be known.
    """
    found = {}
    for unknowns, each in information.parts:
        names, numbers, _, spread = reported_covariance(
            unknowns, covariance(np.sum(each[list(chosen)], axis=0), unknowns)
        )
        for name, value, variance in zip(names, numbers, np.diag(spread), strict=True):
            if name in needed:
                found[name] = (NORMAL * float(np.sqrt(variance)), needed[name].amount(value))
    return found


def choose(
    informations: Sequence[Information],
    count: int,
    needed: Mapping[str, Need],
    caution: float,
    most: int,
    groups: Sequence[Sequence[int]] = (),
) -> list[int]:
    """Give numbers of drives, in the order of their choice; a drive that is worth repeating stands there twice.

    Enough is what determines every value even with any one drive kept out of the fit, to judge the fit by it.

    Args:
        informations: of all candidates, one for each variant of the vehicle.
        count: of candidates.
        needed: names of the values and how well they must be known.
        caution: factor on the expected half-widths.
        most: drives, repeats counted.
        groups: of candidates, from each of which one is taken in any case, whichever tells most.
    """

    def shares(chosen: Sequence[int]) -> Array:
        """Half-widths over what is needed, shape (variants, values)."""
        rows = [half_widths(one, chosen, needed).values() for one in informations]
        return np.array([[caution * wide / need for wide, need in row] for row in rows])

    def enough(chosen: Sequence[int]) -> bool:
        subsets = [list(chosen)] + [[*chosen[:i], *chosen[i + 1 :]] for i in range(len(chosen))]
        return all(len(part) > 0 and bool(np.all(shares(part) <= 1.0)) for part in subsets)

    def best(chosen: Sequence[int], among: Sequence[int]) -> tuple[float, int]:
        sums = [(float(np.max(np.sum(shares([*chosen, i]) ** 2, axis=1))), i) for i in among]
        return min(sums)

    seeds: list[int] = []
    for group in groups:
        seeds.append(best(seeds, group)[1])
    chosen, now = seeds[:most], np.inf
    while len(chosen) < most and not enough(chosen):
        # Another drive shows faults of the model that the same one again does not: repeats only when all are in.
        fresh = [i for i in range(count) if i not in chosen] or list(range(count))
        left, one = best(chosen, fresh)
        if left > (1.0 - _LEAST_GAIN) * now:
            break
        chosen.append(one)
        now = left
    return _thinned(chosen, seeds, enough) if enough(chosen) else chosen


def _thinned(chosen: list[int], seeds: Sequence[int], enough: Callable[[Sequence[int]], bool]) -> list[int]:
    """Take out, earliest first, every drive that the others make unnecessary."""
    kept = list(chosen)
    for one in chosen:
        fewer = list(kept)
        fewer.remove(one)
        if one not in seeds and enough(fewer):
            kept = fewer
    return kept


def needs_of(
    informations: Sequence[Information],
    needed: Mapping[str, Need] | Sequence[str] | None,
    wheelbase: float,
    speed: float,
) -> dict[str, Need]:
    """Give what must be known how well: all unknowns but limits, or those that are named.

    Understeer adds K v² to the wheelbase; where nobody drives faster than `speed` (m/s), an error of K that bends a path by
    no more than 2 % (a judgement) is good enough, however large a share of K it is.
    """
    names = [u.name for unknowns, _ in informations[0].parts for u in unknowns]
    if "steering.damping" in names:
        names.append("steering.lag")
    if isinstance(needed, Mapping):
        return dict(needed)
    asked = [name for name in names if not name.endswith("_limit")] if needed is None else list(needed)
    table = {name: need_of(name) for name in asked}
    if _UNDERSTEER in table:
        usual = table[_UNDERSTEER]
        table[_UNDERSTEER] = replace(usual, absolute=max(usual.absolute, _BENT * wheelbase / speed**2))
    return table
