"""Margins of a law as it is, over speed: what an engineer signs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracker import Law
from tracks.errors import InputError
from tuning.stability.limits import StabilityLimits
from tuning.stability.margins import Margins, margins_of_rows
from tuning.stability.setting import Setting, loop_at
from tuning.stability.tables import COLUMNS, columns_of, write_table

if TYPE_CHECKING:
    import pandas as pd

    from tuning.search.progress import Ask

__all__ = ["FASTEST", "SLOWEST", "SpeedMargins", "checked_speeds", "margins_over_speed"]

Array = NDArray[np.float64]

SLOWEST, FASTEST = 0.1, 150.0  # m/s


def checked_speeds(speeds: ArrayLike) -> Array:
    """Give speeds [m/s] as an increasing array; refuse others."""
    values = np.atleast_1d(np.asarray(speeds, dtype=float))
    good = values.ndim == 1 and values.size and np.all(np.isfinite(values))
    if not good or np.any(np.diff(values) <= 0.0) or not SLOWEST <= values[0] <= values[-1] <= FASTEST:
        raise InputError(
            f"speeds are {np.array2string(values, precision=4, threshold=6)} m/s",
            f"increasing speeds from {SLOWEST:g} to {FASTEST:g} m/s",
            "give for example numpy.linspace(2, 20, 19)",
        )
    return values


@dataclass(frozen=True)
class SpeedMargins:
    """The margins of a law at several speeds.

    Attributes:
        law: the law. setting: what is around it. curvature: of the path, 1/m.
        speeds: m/s, shape (n,).
        found: the margins, one a speed.
        limits: the least margins.
    """

    law: Law
    setting: Setting
    curvature: float
    speeds: Array
    found: tuple[Margins, ...]
    limits: StabilityLimits = field(default_factory=StabilityLimits)

    def values(self, name: str) -> Array:
        """Give a margin by name over the speeds, shape (n,), in the unit of `StabilityLimits`."""
        return columns_of(list(self.found))[name]

    @property
    def usages(self) -> list[tuple[str, float]]:
        """The binding limit and its usage at each speed."""
        return [self.limits.binding(margins.as_dict()) for margins in self.found]

    @property
    def keeps_limits(self) -> bool:
        """Whether the loop has every margin asked for at every speed, and is stable."""
        return all(margins.stable for margins in self.found) and all(usage <= 1.0 for _, usage in self.usages)

    @property
    def worst(self) -> int:
        """Index of the speed at which a limit is used most."""
        return int(np.argmax([usage for _, usage in self.usages]))

    def to_frame(self) -> pd.DataFrame:
        """Give one row a speed, columns with units in their names."""
        import pandas as pd

        columns: dict[str, Any] = {"law": self.law.name, "speed_m_s": self.speeds}
        columns |= {COLUMNS[name]: values for name, values in columns_of(list(self.found)).items()}
        columns["binding_limit"] = [name for name, _ in self.usages]
        columns["usage"] = [usage for _, usage in self.usages]
        table = pd.DataFrame(columns)
        table[COLUMNS["stable"]] = table[COLUMNS["stable"]] > 0.5
        return table

    def save(self, folder: str | FilePath, name: str = "margins") -> list[FilePath]:
        """Write the table as CSV and Parquet; give the files."""
        return write_table(self.to_frame(), folder, name)


def margins_over_speed(
    law: Law,
    setting: Setting | Any,
    speeds: ArrayLike,
    *,
    curvature: float = 0.0,
    limits: StabilityLimits | None = None,
    progress: Ask = False,
) -> SpeedMargins:
    """Give the margins of a law at several speeds.

    Args:
        law: a law with its gains.
        setting: a `Setting`, or a vehicle for one with defaults.
        speeds: m/s, increasing.
        curvature: of the path, 1/m, + left.
        limits: the least margins; None for the defaults.
        progress: as for `tuning.tune`.
    """
    from tuning.search.progress import following

    around = setting if isinstance(setting, Setting) else Setting(setting)
    values = checked_speeds(speeds)
    found = []
    with following(progress, f"margins of {law.name}", values.size) as tell:
        for speed in values.tolist():
            found.append(margins_of_rows(loop_at(law, around, speed, curvature))[0])
            tell(1)
    return SpeedMargins(law, around, float(curvature), values, tuple(found), limits or StabilityLimits())
