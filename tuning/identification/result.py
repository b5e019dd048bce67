"""What an identification gives: the vehicle, how well each value is known, and how well it predicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Estimate
from tuning.identification.quality import Trace
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.logs.units import si_unit
from tuning.vehicle import Vehicle

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Identified", "Row", "covariance_of", "rows_of"]

Array = NDArray[np.float64]

_NORMAL = 1.96  # standard errors either side of a 95 % interval
_STEP = 1e-6


@dataclass(frozen=True)
class Row:
    """One line of the table of values; `low` and `high` bound the 95 % interval."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    standard_error: float
    status: str


@dataclass(frozen=True)
class Identified:
    """Outcome of `identify`.

    Attributes:
        vehicle: ready to simulate and to save; its provenance repeats intervals, fit, sources and what is assumed.
        parameters: table by dotted name with value, unit, low and high (95 % interval), standard_error and status:
            "found", "at bound", "not seen" (the logs say nothing), "derived", "known" or "assumed".
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

    @property
    def trusted(self) -> bool:
        """Whether nothing speaks against tuning on this vehicle."""
        return not self.doubts

    def table(self) -> str:
        """Give a readable table: values with intervals, agreement, findings."""
        lines = [f"{'value':<36} {'found':>11} {'95 % interval':>25}  {'unit':<13} status"]
        for name, row in self.parameters.iterrows():
            interval = (
                f"[{row['low']:.4g}, {row['high']:.4g}]" if np.isfinite(row["low"] + row["high"]) else ""
            )
            lines.append(
                f"{name:<36} {row['value']:>11.4g} {interval:>25}  {row['unit']:<13} {row['status']}"
            )
        lines += ["", f"agreement with what was held out ({self.held_out})"]
        for output, numbers in self.validation.items():
            lines.append(
                f"  {output:<22} fit {numbers['fit_percent']:5.1f} %   R² {numbers['r_squared']:.4f}   "
                f"RMSE {numbers['rmse']:.3g} {si_unit(output)}"
            )
        lines += ["", *(f"- {text}" for text in self.findings)]
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
        if unknown.logarithmic and not _is_knot(name):
            reach = np.exp(_NORMAL * error / value)
            low, high = value / reach, value * reach
        else:
            low, high = value - _NORMAL * error, value + _NORMAL * error
        if not _is_knot(name):
            low, high = max(low, min(unknown.low, value)), min(high, max(unknown.high, value))
            status = "at bound" if estimate.at_bound[i] else "found"
        rows.append(Row(name, value, unknown.unit, float(low), float(high), error, status))
    rows += _lag_row(unknowns, estimate)
    return [
        Row(r.name, r.value, r.unit, *widened[r.name], r.standard_error, r.status) if r.name in widened else r
        for r in rows
    ]


def covariance_of(unknowns: Sequence[Unknown], estimate: Estimate) -> tuple[list[str], Array]:
    """Give names and covariance of the found values, shape (p, p); infinite where the logs say nothing."""
    reported, jacobian = _reported(unknowns, estimate.z)
    finite = np.where(np.isfinite(estimate.covariance), estimate.covariance, 0.0)
    covariance = jacobian @ finite @ jacobian.T
    covariance[estimate.blind, estimate.blind] = np.inf
    return list(reported), covariance


def _is_knot(name: str) -> bool:
    return name.startswith("steering.map_angle[")


def _reported(unknowns: Sequence[Unknown], z: Array) -> tuple[dict[str, float], Array]:
    """Give values by name as a reader wants them (angles of a map, not increments), and their derivatives by z."""

    def values(x: Array) -> dict[str, float]:
        found: dict[str, Any] = from_coordinates(unknowns, x)
        angle = 0.0
        for name in found:
            if _is_knot(name):
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


def _lag_row(unknowns: Sequence[Unknown], estimate: Estimate) -> list[Row]:
    """Give the steering's lag 2 ζ/ω with its interval by the delta method, in logarithms."""
    names = [u.name for u in unknowns]
    if "steering.natural_frequency" not in names or "steering.damping" not in names:
        return []
    at = [names.index("steering.natural_frequency"), names.index("steering.damping")]
    found = from_coordinates(unknowns, estimate.z)
    lag = 2.0 * found["steering.damping"] / found["steering.natural_frequency"]
    slope = np.array([-1.0, 1.0])  # both are fitted by their logarithms
    error = float(np.sqrt(max(slope @ estimate.covariance[np.ix_(at, at)] @ slope, 0.0)))
    reach = np.exp(_NORMAL * error)
    return [Row("steering.lag", lag, "s", lag / reach, lag * reach, lag * error, "derived")]
