"""What an identification gives: the vehicle, how well each value is known, and how well it predicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError
from tuning.identification.estimate import Estimate
from tuning.identification.needed import verdict_on
from tuning.identification.quality import Trace
from tuning.identification.static_map import is_knot
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.logs.units import si_unit
from tuning.vehicle import Vehicle

if TYPE_CHECKING:
    import pandas as pd

    from tuning.identification.draws import Drawing

__all__ = ["Identified", "Row", "covariance_of", "rows_of"]

Array = NDArray[np.float64]

_NORMAL = 1.96  # standard errors either side of a 95 % interval
_STEP = 1e-6
_LEARNED = 0.5  # of the prior's variance that the logs must take away for a value to count as found


@dataclass(frozen=True)
class Row:
    """One line of the table of values; `low` and `high` bound the 95 % interval.

    `verdict` says whether that is narrow enough to tune on (`tuning.identification.needed`), "" where nothing was fitted.
    """

    name: str
    value: float
    unit: str
    low: float
    high: float
    standard_error: float
    status: str
    verdict: str = ""

    def judged(self) -> Row:
        """Give the row with its verdict, which goes by the wider half of the interval."""
        if self.status == "not seen":
            return replace(self, verdict="not")
        return replace(
            self,
            verdict=verdict_on(self.name, self.value, max(self.high - self.value, self.value - self.low)),
        )


@dataclass(frozen=True)
class Identified:
    """Outcome of `identify`.

    Attributes:
        vehicle: ready to simulate and to save; its provenance repeats intervals, fit, sources and what is assumed.
        parameters: table by dotted name with value, unit, low and high (95 % interval), standard_error, status
            ("found", "prior" where the logs add little to what is common, "at bound", "not seen", "derived", "known" or
            "assumed") and verdict ("determined", "weakly", "not": whether it is known well enough to tune on).
            Names that start with "sensors." or "road." belong to the logs, not to the vehicle.
        covariance: of the found values, table by name and name, in the products of their units.
        validation: output -> fit_percent, r_squared, rmse (SI) and samples, on what was held out of the fit.
        training: the same on what was fitted.
        held_out: in words, what was held out.
        findings: in plain words, what the reader should know.
        traces: output -> what was measured and what was simulated, on what was held out.
        doubts: those of the findings that say that logs or fit are not to be believed.
        undetermined: names of the vehicle's values that the logs do not tell, the first the heaviest.
        advice: what to drive next for them, one sentence each.
        verdict: in a sentence or two, what the vehicle is good for.
        driving: output -> the same as `traces` on all driving, fitted and held out, for what a picture of the vehicle
            needs much data to show, such as its frequency response. No proof of the fit.
    """

    vehicle: Vehicle
    parameters: pd.DataFrame
    covariance: pd.DataFrame
    validation: dict[str, dict[str, float]]
    training: dict[str, dict[str, float]]
    held_out: str
    findings: tuple[str, ...]
    traces: dict[str, Trace]
    doubts: tuple[str, ...] = ()
    undetermined: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    verdict: str = ""
    driving: dict[str, Trace] = field(default_factory=dict)
    _drawing: Drawing | None = field(default=None, repr=False, compare=False)

    @property
    def trusted(self) -> bool:
        """Whether nothing speaks against tuning on this vehicle: no doubt, and no value left undetermined."""
        return not self.doubts and not self.undetermined

    @property
    def correlation(self) -> pd.DataFrame:
        """Correlation of the errors of the found values, table by name and name; NaN for what was not seen."""
        import pandas as pd

        matrix = self.covariance.to_numpy()
        error = np.sqrt(np.diag(matrix))
        safe = np.where(np.isfinite(error) & (error > 0.0), error, np.nan)
        return pd.DataFrame(matrix / np.outer(safe, safe), self.covariance.index, self.covariance.columns)

    def draws(self, n: int, seed: int = 0) -> list[Vehicle]:
        """Give vehicles drawn from what is not known of this one, for tuning that must hold on all of them.

        The unknowns are drawn together, as their joint covariance says, as the fit sees them (logarithms of what is
        positive), within their bounds; what the logs do not show at all is drawn evenly over all that was searched.
        Values that were known or assumed stay as they are.

        Args:
            n: how many.
            seed: the same one gives the same vehicles.

        Raises:
            InputError: `n` is not positive, or this identification was not made by `identify`.
        """
        if self._drawing is None:
            raise InputError(
                "this identification holds no fit to draw from", "one made by identify", "identify anew"
            )
        return self._drawing.draw(self.vehicle, n, seed)

    def table(self) -> str:
        """Give a readable table: values with intervals, agreement, findings."""
        lines = [
            f"{'value':<36} {'found':>11} {'95 % interval':>25}  {'unit':<13} {'status':<9} known well enough"
        ]
        for name, row in self.parameters.iterrows():
            interval = (
                f"[{row['low']:.4g}, {row['high']:.4g}]" if np.isfinite(row["low"] + row["high"]) else ""
            )
            lines.append(
                f"{name:<36} {row['value']:>11.4g} {interval:>25}  {row['unit']:<13} {row['status']:<9} "
                f"{row['verdict']}".rstrip()
            )
        lines += ["", self.verdict, "", f"agreement with what was held out ({self.held_out})"]
        for output, numbers in self.validation.items():
            lines.append(
                f"  {output:<22} fit {numbers['fit_percent']:5.1f} %   R² {numbers['r_squared']:.4f}   "
                f"RMSE {numbers['rmse']:.3g} {si_unit(output)}"
            )
        lines += ["", *(f"- {text}" for text in self.findings)]
        lines += [f"- drive next, {text}" for text in self.advice]
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.table()


def rows_of(
    unknowns: Sequence[Unknown], estimate: Estimate, widened: Mapping[str, tuple[float, float]]
) -> list[Row]:
    """Give the found values with their 95 % intervals, each brought within its bounds.

    A value that the fit sees by its logarithm gets the interval of the logarithm, so a wide one stays positive;
    a knot of a static map gets it from the sum of the increments up to it.
    """
    reported, jacobian = _reported(unknowns, estimate.z)
    covariance = jacobian @ np.where(np.isfinite(estimate.covariance), estimate.covariance, 0.0) @ jacobian.T
    rows: list[Row] = []
    for i, (unknown, name) in enumerate(zip(unknowns, reported, strict=True)):
        value, error = reported[name], float(np.sqrt(max(covariance[i, i], 0.0)))
        status = "found"
        if estimate.blind[i]:
            rows.append(Row(name, value, unknown.unit, unknown.low, unknown.high, np.inf, "not seen"))
            continue
        if unknown.logarithmic and not is_knot(name):
            reach = np.exp(_NORMAL * error / value)
            low, high = value / reach, value * reach
        else:
            low, high = value - _NORMAL * error, value + _NORMAL * error
        if not is_knot(name):
            low, high = max(low, min(unknown.low, value)), min(high, max(unknown.high, value))
            status = "at bound" if estimate.at_bound[i] else "found"
        if unknown.prior is not None and estimate.learned[i] < _LEARNED:
            status = "prior"
        rows.append(Row(name, value, unknown.unit, float(low), float(high), error, status))
    return [
        (replace(r, low=widened[r.name][0], high=widened[r.name][1]) if r.name in widened else r).judged()
        for r in rows
    ]


def covariance_of(
    unknowns: Sequence[Unknown], z: Array, covariance: Array, blind: NDArray[np.bool_]
) -> tuple[list[str], Array]:
    """Give names and covariance of the values as a reader wants them, shape (p, p); infinite where `blind`.

    Args:
        unknowns: p of them.
        z: their values as the fit sees them, shape (p,).
        covariance: as the fit sees it, shape (p, p).
        blind: what the logs say nothing about, shape (p,).
    """
    reported, jacobian = _reported(unknowns, z)
    finite = np.where(np.isfinite(covariance), covariance, 0.0)
    whole = jacobian @ finite @ jacobian.T
    unseen = blind & ~np.isfinite(np.diag(covariance))
    whole[unseen, unseen] = np.inf
    return list(reported), whole


def _reported(unknowns: Sequence[Unknown], z: Array) -> tuple[dict[str, float], Array]:
    """Give values by name as a reader wants them (angles of a map, not increments), and their derivatives by z."""

    def values(x: Array) -> dict[str, float]:
        found: dict[str, Any] = from_coordinates(unknowns, x)
        angle = 0.0
        for name in found:
            if is_knot(name):
                angle += found[name]
                found[name] = angle
        return found

    base = values(z)
    columns = []
    for i in range(z.size):
        moved = z.copy()
        moved[i] += _STEP
        after = values(moved)
        columns.append([(after[name] - base[name]) / _STEP for name in base])
    return base, np.array(columns).T
