"""From many identifications of drives with known answers to how well the stated intervals hold them."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pandas as pd
from coverage_vehicles import VEHICLES, Case
from scipy.stats import binom

from tuning.identification import Identified, identify

__all__ = ["THIRD_OF_A_SAMPLE", "failures", "identified_rows", "one_drive", "printed", "summary"]

THIRD_OF_A_SAMPLE = 0.02 / 3.0  # s, at 50 Hz
_WHOLE = 0.95  # what an interval claims to hold
_CHANCE = 2.5  # standard errors of a mean that chance explains, with some forty values looked at


def one_drive(vehicle: str, seed: int, **options: Any) -> list[dict[str, Any]]:
    """Drive and identify once: give a row for each value that was to be found."""
    case = VEHICLES[vehicle](seed, **options)
    start = time.perf_counter()
    found = identify(case.log, known=case.known)
    seconds = time.perf_counter() - start
    return [
        {"vehicle": vehicle, "seed": seed, **row, "seconds": seconds} for row in identified_rows(case, found)
    ]


def identified_rows(case: Case, found: Identified) -> list[dict[str, Any]]:
    """Give name, truth, scale and what was found of each value of a case; what was not found has no interval."""
    truth, scale = dict(case.truth), dict(case.scale)
    if case.truth_map is not None:
        commands = np.array(found.vehicle.steering.map_command)
        for i, angle in enumerate(case.truth_map(commands)):
            truth[f"steering.map_angle[{i}]"] = float(angle)
            scale[f"steering.map_angle[{i}]"] = 0.5 * float(np.ptp(case.truth_map(commands)))
    undetermined = getattr(found, "undetermined", ())
    rows = []
    for name, value in truth.items():
        row = {"parameter": name, "truth": value, "scale": abs(scale.get(name, value))}
        if name in found.parameters.index:
            line = found.parameters.loc[name]
            row |= {key: line[key] for key in ("value", "low", "high", "standard_error", "status")}
        else:
            row |= dict.fromkeys(("value", "low", "high", "standard_error"), np.nan) | {"status": "absent"}
        rows.append({**row, "undetermined": name in undetermined})
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Give one line a vehicle and value.

    Columns: drives; told, the share of drives (%) that gave the value with an interval; coverage, the share of those
    (%) whose interval holds the truth, with the band in which 95 % of experiments with honest intervals would lie;
    ratio, standard deviation of the errors over the RMS of the stated standard errors (above 1: intervals too narrow);
    robust, the same from medians, blind to single drives far off; bias and rmse in % of the truth (of half the range
    for a map); rms_ms, most_ms and worst_ms: RMS, 95th percentile and largest error of a steering dead time in ms.
    """
    lines = []
    for (vehicle, name), group in rows.groupby(["vehicle", "parameter"], sort=False):
        told = group[group["status"].isin(["found", "prior", "derived", "at bound"])]
        n = len(told)
        error = (told["value"] - told["truth"]).to_numpy(float)
        stated = told["standard_error"].to_numpy(float)
        covered = int(((told["low"] <= told["truth"]) & (told["truth"] <= told["high"])).sum())
        low, high = binom.interval(0.95, max(n, 1), _WHOLE)
        scale = float(group["scale"].iloc[0])
        dead_time = name == "steering.dead_time"
        lines.append(
            {
                "vehicle": vehicle,
                "parameter": name,
                "drives": len(group),
                "told": 100.0 * n / len(group),
                "coverage": 100.0 * covered / max(n, 1),
                "band": f"{100.0 * low / max(n, 1):.0f}-{100.0 * high / max(n, 1):.0f}",
                "ratio": np.std(error, ddof=1) / np.sqrt(np.mean(stated**2)) if n > 1 else np.nan,
                "robust": _spread(error) / np.median(stated) if n > 1 else np.nan,
                "bias": 100.0 * np.mean(error) / scale if n else np.nan,
                "bias_error": 100.0 * np.std(error, ddof=1) / np.sqrt(n) / scale if n > 1 else np.nan,
                "rmse": 100.0 * np.sqrt(np.mean(error**2)) / scale if n else np.nan,
                "rms_ms": 1e3 * np.sqrt(np.mean(error**2)) if dead_time and n else np.nan,
                "most_ms": 1e3 * np.percentile(np.abs(error), 95.0) if dead_time and n else np.nan,
                "worst_ms": 1e3 * np.max(np.abs(error)) if dead_time and n else np.nan,
            }
        )
    return pd.DataFrame(lines)


def _spread(error: np.ndarray) -> float:
    """Give the standard deviation of a normal distribution with the same median deviation."""
    return 1.4826 * float(np.median(np.abs(error - np.median(error))))


def failures(
    rows: pd.DataFrame, coverage: tuple[float, float] = (90.0, 99.0), bias: float = 2.0
) -> list[str]:
    """Give in words what of the claims does not hold: coverage (%), bias (%), mean error of the dead time.

    A coverage of 100 % of fewer than 200 drives is no failure: honest intervals do that. Nor is a bias that the scatter of
    the drives explains, as of a sensor's zero that one drive hardly shows.
    """
    texts = []
    for line in summary(rows).itertuples():
        where = f"{line.vehicle} {line.parameter}"
        lowest = min(coverage[0], 100.0 * binom.ppf(1e-3, line.drives, _WHOLE) / line.drives)
        highest = coverage[1] if line.drives >= 200 else 100.0
        if line.told < 90.0:
            texts.append(f"{where}: told by only {line.told:.0f} % of the drives")
        if not lowest <= line.coverage <= highest:
            texts.append(
                f"{where}: coverage {line.coverage:.1f} % is not within {lowest:.0f} to {highest:.0f} %"
            )
        if abs(line.bias) > bias + _CHANCE * line.bias_error:
            texts.append(f"{where}: bias {line.bias:.2f} % (± {line.bias_error:.2f}) is beyond {bias:g} %")
        if line.most_ms > 1e3 * THIRD_OF_A_SAMPLE:
            texts.append(
                f"{where}: 5 % of the errors are beyond {line.most_ms:.1f} ms, a third of a sample is 6.7"
            )
    return texts


def printed(table: pd.DataFrame) -> str:
    """Give the table as text."""
    lines = [
        f"{'vehicle':<8} {'value':<33} {'n':>4} {'told':>5} {'cover':>6} {'band':>7} {'ratio':>6} {'robust':>6}"
        f" {'bias %':>8} {'±':>6} {'RMSE %':>7} {'RMS ms':>7} {'95 %':>6} {'worst':>6}"
    ]
    for r in table.itertuples():
        timing = f"{r.rms_ms:7.2f} {r.most_ms:6.2f} {r.worst_ms:6.2f}" if np.isfinite(r.rms_ms) else ""
        lines.append(
            f"{r.vehicle:<8} {r.parameter:<33} {r.drives:>4} {r.told:5.0f} {r.coverage:6.1f} {r.band:>7} {r.ratio:6.2f}"
            f" {r.robust:6.2f} {r.bias:8.2f} {r.bias_error:6.2f} {r.rmse:7.2f} {timing}"
        )
    return "\n".join(lines)
