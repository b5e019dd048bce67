"""What a forecast says: how well each value would be known, what cannot be told apart, what to drive next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tuning.identification.advice import advice_for
from tuning.identification.information import covariance, only_together, weak_directions
from tuning.identification.known import NOT_VEHICLE
from tuning.identification.needed import Need, need_of, verdict_at
from tuning.identification.noise_levels import Noise
from tuning.identification.result import covariance_of
from tuning.identification.unknowns import Unknown, coordinates, from_coordinates
from tuning.logs.units import si_unit

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NORMAL", "Foreseen", "foreseen_of", "reported_covariance"]

Array = NDArray[np.float64]

NORMAL = 1.96  # standard errors either side of a 95 % interval
_STRONG = 0.9  # correlation from which two values are said to go together


@dataclass(frozen=True)
class Foreseen:
    """What a set of drives can tell, before any fit.

    Attributes:
        values: table by dotted name with value (nominal), unit, standard_error, half_width (of the 95 % interval), needed
            (half-width that is good enough) and verdict: "determined", "weakly" (up to 3 times too wide) or "not".
        covariance: expected, of the values, table by name and name.
        correlation: likewise.
        together: groups of values that the drives show only in combination.
        directions: combinations that are known too little, the worst first: how many times too little, and the parts of
            the values in it.
        noise: output -> level that was reckoned with.
        advice: what to drive next for what is undetermined, one sentence each.
        findings: in plain words, what the reader should know.
    """

    values: pd.DataFrame
    covariance: pd.DataFrame
    correlation: pd.DataFrame
    together: tuple[tuple[str, ...], ...]
    directions: tuple[tuple[float, dict[str, float]], ...]
    noise: dict[str, Noise]
    advice: tuple[str, ...]
    findings: tuple[str, ...]

    @property
    def undetermined(self) -> tuple[str, ...]:
        """Names of the vehicle's values whose verdict is not "determined"."""
        verdicts = self.values["verdict"].to_dict()
        return tuple(
            str(name)
            for name, verdict in verdicts.items()
            if verdict != "determined" and _of_vehicle(str(name))
        )

    def pairs(self) -> tuple[tuple[str, str, float], ...]:
        """Give the pairs of values that go together most, |correlation| of 0.9 and more, the strongest first."""
        names, matrix = list(self.correlation.index), self.correlation.to_numpy()
        found = [
            (str(names[i]), str(names[j]), float(matrix[i, j]))
            for i in range(len(names))
            for j in range(i)
            if abs(matrix[i, j]) >= _STRONG
        ]
        return tuple(sorted(found, key=lambda pair: -abs(pair[2])))

    def table(self) -> str:
        """Give a readable table: values with expected half-widths, what goes together, advice."""
        lines = [f"{'value':<34} {'nominal':>10} {'± 95 %':>10} {'needed':>10}  {'unit':<12} verdict"]
        lines += [
            f"{name:<34} {row['value']:>10.4g} {row['half_width']:>10.2g} {row['needed']:>10.2g}  {row['unit']:<12} "
            f"{row['verdict']}"
            for name, row in self.values.iterrows()
        ]
        lines.append("")
        lines += [f"- only together: {' and '.join(group)}" for group in self.together]
        levels = (
            f"{name} {level.deviation:.2g} {si_unit(name)} (neighbours correlate {level.correlation:.2f})"
            for name, level in self.noise.items()
        )
        lines.append(f"- noise reckoned with: {', '.join(levels) or 'none: nothing is measured'}")
        lines += [f"- {text}" for text in (*self.findings, *self.advice)]
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.table()


def reported_covariance(
    unknowns: Sequence[Unknown], spread: Array
) -> tuple[list[str], list[float], list[str], Array]:
    """Give names, nominal values, units and covariance as a reader wants them, from the covariance as a fit sees it.

    Knots of a static map become angles. What follows from the unknowns comes last: the lag 2 ζ/ω of a second-order
    steering, by the delta method.
    """
    z = coordinates(unknowns)
    names, matrix = covariance_of(unknowns, z, spread, np.zeros(z.size, dtype=bool))
    values: dict[str, float] = from_coordinates(unknowns, z)
    angle = 0.0
    for name in values:
        if name.startswith("steering.map_angle["):
            angle += values[name]
            values[name] = angle
    units = [u.unit for u in unknowns]
    numbers = [values[name] for name in names]
    if "steering.natural_frequency" in names and "steering.damping" in names:
        w, d = names.index("steering.natural_frequency"), names.index("steering.damping")
        slope = np.zeros((len(names) + 1, len(names)))
        slope[:-1] = np.eye(len(names))
        slope[-1, w] = -2.0 * numbers[d] / numbers[w] ** 2
        slope[-1, d] = 2.0 / numbers[w]
        matrix = slope @ matrix @ slope.T
        names, numbers, units = (
            [*names, "steering.lag"],
            [*numbers, 2.0 * numbers[d] / numbers[w]],
            [*units, "s"],
        )
    return names, numbers, units, matrix


def foreseen_of(
    parts: Sequence[tuple[Sequence[Unknown], Array]],
    noise: Mapping[str, Noise],
    findings: Sequence[str],
    needed: Mapping[str, Need] | None = None,
) -> Foreseen:
    """Put a forecast together.

    Args:
        parts: unknowns and their information, shape (p, p), of problems that share no unknown.
        noise: by output.
        findings: in plain words.
        needed: by name, in place of the usual table.
    """
    import pandas as pd  # slow to import, and needed only here

    names: list[str] = []
    rows, blocks = [], []
    for unknowns, information in parts:
        these, numbers, units, spread = reported_covariance(unknowns, covariance(information, unknowns))
        for name, value, unit, variance in zip(these, numbers, units, np.diag(spread), strict=True):
            error = float(np.sqrt(variance))
            amount = ((needed or {}).get(name) or need_of(name)).amount(value)
            verdict = verdict_at(NORMAL * error / amount)
            rows.append((value, unit, error, NORMAL * error, amount, verdict))
        names += these
        blocks.append(spread)
    columns = ["value", "unit", "standard_error", "half_width", "needed", "verdict"]
    table = pd.DataFrame(rows, index=pd.Index(names, name="name"), columns=pd.Index(columns))
    whole = _block_diagonal(blocks)
    error = np.sqrt(np.diag(whole))
    allowed = table["needed"].to_numpy(dtype=float) / NORMAL
    own = np.array([i for i, name in enumerate(names) if not _follows(name, names)], dtype=int)
    own_names, own_spread = [names[i] for i in own], whole[np.ix_(own, own)]
    together = only_together(own_names, own_spread, allowed[own])
    together = tuple(group for group in together if any(_of_vehicle(name) for name in group))
    undetermined = [
        name for name in names if table.loc[name, "verdict"] != "determined" and _of_vehicle(name)
    ]
    return Foreseen(
        table,
        pd.DataFrame(whole, names, names),
        pd.DataFrame(whole / np.outer(error, error), names, names),
        together,
        weak_directions(own_names, own_spread, allowed[own]),
        dict(noise),
        advice_for(undetermined, together),
        tuple(findings),
    )


def _of_vehicle(name: str) -> bool:
    """Say whether a value is the vehicle's, and not of the sensors or the road, on which nothing is tuned."""
    return name.split(".")[0] not in NOT_VEHICLE


def _follows(name: str, names: Sequence[str]) -> bool:
    """Say whether a value follows from others in the table, so that it is no unknown of its own."""
    return name == "steering.lag" and "steering.damping" in names


def _block_diagonal(blocks: Sequence[Array]) -> Array:
    size = sum(block.shape[0] for block in blocks)
    whole, at = np.zeros((size, size)), 0
    for block in blocks:
        n = block.shape[0]
        whole[at : at + n, at : at + n] = block
        at += n
    return whole
