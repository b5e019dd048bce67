"""Margins of a law on vehicles that a vehicle might be: drawn from what an identification leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from tracker import Law
from tracks.errors import InputError
from tuning.stability.limits import StabilityLimits
from tuning.stability.margins import margins_of_rows
from tuning.stability.over_speed import checked_speeds
from tuning.stability.setting import Setting, loop_at
from tuning.stability.tables import COLUMNS, columns_of, write_table

if TYPE_CHECKING:
    import pandas as pd

    from tuning.search.progress import Ask
    from tuning.vehicle import Vehicle

__all__ = ["Robustness", "drawn_from_intervals", "robustness"]

Array = NDArray[np.float64]

_DEVIATIONS = 1.96  # from the middle of a 95 % interval to its end, of a normal distribution
_TRIES = 200


@dataclass(frozen=True)
class Robustness:
    """The margins of one law on many vehicles, while its tracker believes in one of them.

    Attributes:
        law: the law. setting: what is around it, with the vehicle that was identified.
        speeds: m/s, shape (n,). curvature: of the path, 1/m.
        margins: by name (`COLUMNS`), each of shape (n, vehicles).
        limits: the least margins.
    """

    law: Law
    setting: Setting
    speeds: Array
    curvature: float
    margins: dict[str, Array]
    limits: StabilityLimits = field(default_factory=StabilityLimits)

    @property
    def count(self) -> int:
        """How many vehicles."""
        return self.margins["stable"].shape[1]

    @property
    def share_stable(self) -> Array:
        """Share of the vehicles with which the loop is stable, shape (n,)."""
        return self.margins["stable"].mean(axis=1)

    @property
    def share_kept(self) -> Array:
        """Share of the vehicles with which it has every margin asked for, shape (n,)."""
        kept = self.margins["stable"] > 0.5
        for name, bound in self.limits.active.items():
            kept &= self.margins[name] >= bound
        return kept.mean(axis=1)

    def worst(self, name: str) -> Array:
        """Give the smallest margin of a name over the vehicles, shape (n,)."""
        return self.margins[name].min(axis=1)

    def quantile(self, name: str, share: float) -> Array:
        """Give the margin of a name that a share of the vehicles stays below, shape (n,)."""
        return np.quantile(self.margins[name], share, axis=1, method="lower")

    def to_frame(self) -> pd.DataFrame:
        """Give one row a speed and vehicle, columns with units in their names."""
        import pandas as pd

        columns: dict[str, Any] = {
            "law": self.law.name,
            "speed_m_s": np.repeat(self.speeds, self.count),
            "draw": np.tile(np.arange(1, self.count + 1), self.speeds.size),
        }
        columns |= {COLUMNS[name]: values.ravel() for name, values in self.margins.items()}
        table = pd.DataFrame(columns)
        table[COLUMNS["stable"]] = table[COLUMNS["stable"]] > 0.5
        return table

    def save(self, folder: str | FilePath, name: str = "robustness") -> list[FilePath]:
        """Write the table as CSV and Parquet; give the files."""
        return write_table(self.to_frame(), folder, name)


def robustness(
    law: Law,
    vehicles: Sequence[Vehicle],
    speeds: ArrayLike,
    *,
    setting: Setting,
    curvature: float = 0.0,
    limits: StabilityLimits | None = None,
    progress: Ask = False,
) -> Robustness:
    """Give the margins of a law on many vehicles, as `found.draws(n)` of an identification gives them.

    The tracker believes in the vehicle of `setting` all the while, as it will when the parameters are in the vehicle's
    software.

    Args:
        law: a law with its gains.
        vehicles: that the vehicle might be.
        speeds: m/s, increasing.
        setting: with the vehicle that was identified; what the tracker believes in.
        curvature: of the path, 1/m, + left.
        limits: the least margins; None for the defaults.
        progress: as for `tuning.tune`.

    Raises:
        InputError: no vehicles, or a setting out of range.
    """
    from tuning.search.progress import following

    if not vehicles:
        raise InputError("there are no vehicles", "one or more", "draw them with found.draws(n)")
    believed = setting.believed(law)
    at = checked_speeds(speeds)
    rows: list[dict[str, Array]] = []
    with following(progress, f"draws with {law.name}", at.size * len(vehicles)) as tell:
        for speed in at.tolist():
            found = []
            for vehicle in vehicles:
                around = replace(setting, vehicle=vehicle, response=believed)
                found += margins_of_rows(loop_at(law, around, speed, curvature))
                tell(1)
            rows.append(columns_of(found))
    margins = {name: np.array([row[name] for row in rows]) for name in COLUMNS}
    return Robustness(law, setting, at, float(curvature), margins, limits or StabilityLimits())


def drawn_from_intervals(vehicle: Vehicle, n: int, seed: int = 1) -> list[Vehicle]:
    """Give n vehicles with the values drawn from the 95 % intervals in a vehicle's provenance.

    Each value on its own, normally, cut off at twice the interval's reach: how errors hang together is not in a vehicle
    file, so these scatter more than `found.draws(n)`, which knows it.

    Raises:
        InputError: the file has no intervals.
    """
    intervals = {
        name: pair for name, pair in vehicle.provenance.intervals.items() if _is_value(vehicle, name)
    }
    if not intervals:
        raise InputError(
            "the vehicle file has no intervals to draw from",
            "[provenance] intervals, as `pathtrim identify` writes them",
            "leave out the draws, or identify the vehicle",
        )
    if n < 1 or seed < 0:
        raise InputError(f"{n} draws with seed {seed}", "1 or more, and a seed of 0 or more", "correct them")
    random = np.random.default_rng(seed)
    provenance = vehicle.provenance.model_copy(update={"intervals": {}, "fit": {}})
    drawn: list[Vehicle] = []
    for _ in range(_TRIES * n):
        values: dict[str, Any] = {}
        for name, (low, high) in intervals.items():
            reach = 0.5 * (high - low)
            deviation = np.clip(random.normal(0.0, reach / _DEVIATIONS), -2.0 * reach, 2.0 * reach)
            values[name] = float(0.5 * (low + high) + deviation)
        try:
            drawn.append(vehicle.replace(**values, provenance=provenance))
        except (ValidationError, InputError):
            continue  # values that no vehicle has together
        if len(drawn) == n:
            return drawn
    raise InputError(
        "the intervals give hardly any vehicle", "intervals within what a vehicle can be", "identify anew"
    )


def _is_value(vehicle: Vehicle, name: str) -> bool:
    table, _, field_name = name.partition(".")
    value = getattr(getattr(vehicle, table, None), field_name, None)
    return isinstance(value, float)
