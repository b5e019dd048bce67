"""The stability map: margins over speed and one gain, and the edge of what is stable."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from tracker import Envelope, Law, Response, Schedule
from tracks.errors import InputError
from tuning.stability.loop import Loop
from tuning.stability.margins import margins_of_rows
from tuning.stability.over_speed import checked_speeds
from tuning.stability.setting import Setting, loop_at
from tuning.stability.tables import COLUMNS, columns_of, write_table

if TYPE_CHECKING:
    import pandas as pd

    from tuning.search.progress import Ask
    from tuning.vehicle import Vehicle

__all__ = ["StabilityMap", "gain_of", "map_of", "stability_map"]

Array = NDArray[np.float64]

_COUNT = 40  # values and speeds, where none are given
_ALIKE = 1e-6  # m of steady lateral error, below which it is that of every law
_BETWEEN = 10  # values between two of the map, where the edge of what is stable is looked for


@dataclass(frozen=True)
class StabilityMap:
    """Margins over speed and a gain.

    Attributes:
        law: the law whose gain is varied; its other gains hold. setting: what is around it.
        gain: name of the gain. unit: of it. logarithmic: whether it is shown on a logarithmic scale.
        values: of the gain, increasing, shape (m,). speeds: m/s, shape (n,). curvature: of the path, 1/m.
        margins: by the names of `StabilityLimits` and more (`COLUMNS`), each of shape (n, m).
        edge: where the loop is at the edge of stability: rows of speed [m/s] and gain, shape (k, 2).
    """

    law: Law
    setting: Setting
    gain: str
    unit: str
    logarithmic: bool
    values: Array
    speeds: Array
    curvature: float
    margins: dict[str, Array]
    edge: Array

    @property
    def stable(self) -> NDArray[np.bool_]:
        """Where the loop is stable, shape (n, m)."""
        return self.margins["stable"] > 0.5

    @property
    def own_value(self) -> float | None:
        """The law's own value of the gain; None where it is scheduled over speed."""
        value = getattr(self.law, self.gain)
        return float(value) if isinstance(value, (int, float)) else None

    def best(self, name: str) -> tuple[Array, Array]:
        """Give the value of the gain with the largest margin of a name at each speed, and that margin: shapes (n,)."""
        place = np.argmax(self.margins[name], axis=1)
        return self.values[place], self.margins[name][np.arange(self.speeds.size), place]

    def to_frame(self) -> pd.DataFrame:
        """Give one row a speed and value, columns with units in their names."""
        import pandas as pd

        n, m = self.stable.shape
        columns: dict[str, Any] = {
            "law": self.law.name,
            "speed_m_s": np.repeat(self.speeds, m),
            self.gain: np.tile(self.values, n),
        }
        columns |= {COLUMNS[name]: values.ravel() for name, values in self.margins.items()}
        table = pd.DataFrame(columns)
        table[COLUMNS["stable"]] = table[COLUMNS["stable"]] > 0.5
        return table

    def save(self, folder: str | FilePath, name: str = "map") -> list[FilePath]:
        """Write the table as CSV and Parquet, and the edge as CSV; give the files."""
        import pandas as pd

        from tracks.file_access import write_atomically

        files = write_table(self.to_frame(), folder, name)
        edge = pd.DataFrame(self.edge, columns=["speed_m_s", self.gain])
        files.append(FilePath(folder) / f"{name}-edge.csv")
        write_atomically(files[-1], edge.to_csv(index=False, lineterminator="\n"))
        return files


def stability_map(
    law: Law,
    vehicle: Vehicle,
    gain: str | None = None,
    values: ArrayLike | None = None,
    speeds: ArrayLike | None = None,
    *,
    curvature: float = 0.0,
    response: Response | None = None,
    envelope: Envelope | None = None,
    period: float = 0.02,
    compensate_dead_time: bool = True,
    latency: float = 0.0,
    latency_told: bool = False,
    extra_dead_time: float = 0.0,
    progress: Ask = False,
) -> StabilityMap:
    """Give the margins of a law on a vehicle over speed and one of its gains.

    Args:
        law: a law with its gains.
        vehicle: the vehicle that drives.
        gain: name of the gain to vary; None for the first of the law's search space.
        values: of the gain, increasing; None for 40 over the range of the search space.
        speeds: m/s, increasing; None for 40 from 1 to 30 m/s.
        curvature, response, envelope, period, compensate_dead_time, latency, latency_told, extra_dead_time: as for
            `margins`.
        progress: as for `tuning.tune`: True for a bar on a terminal.

    Raises:
        InputError: a setting is out of range, there is no such gain, or a value that the law refuses.
    """
    setting = Setting(
        vehicle, response, envelope, period, compensate_dead_time, latency, latency_told, extra_dead_time
    )
    return map_of(law, setting, gain, values, speeds, curvature=curvature, progress=progress)


def map_of(
    law: Law, setting: Setting, gain: str | None = None, values: ArrayLike | None = None,
    speeds: ArrayLike | None = None, *, curvature: float = 0.0, progress: Ask = False,
) -> StabilityMap:  # fmt: skip
    """Give a stability map; arguments as for `stability_map`."""
    from tuning.search.progress import following

    gain, unit, logarithmic, values = gain_of(law, setting, gain, values)
    at = checked_speeds(np.linspace(1.0, 30.0, _COUNT) if speeds is None else speeds)
    laws = [_with(law, gain, value) for value in values.tolist()]
    rows: list[dict[str, Array]] = []
    edges: list[tuple[float, float]] = []
    with following(progress, f"map of {law.name}", at.size) as tell:
        for speed in at.tolist():
            rows.append(
                columns_of(
                    [
                        m
                        for loop in _loops(laws, laws, setting, speed, curvature)
                        for m in margins_of_rows(loop)
                    ]
                )
            )

            def radii(between: Array, speed: float = speed) -> Array:
                some = [_with(law, gain, value) for value in between.tolist()]
                loops = _loops(some, laws, setting, speed, curvature)
                return np.array([loop.radius(row) for loop in loops for row in range(len(loop.laws))])

            edges += [(speed, value) for value in _edges(values, rows[-1]["radius"], radii)]
            tell(1)
    margins = {name: np.array([row[name] for row in rows]) for name in COLUMNS}
    edge = np.array(edges).reshape(-1, 2)
    return StabilityMap(law, setting, gain, unit, logarithmic, values, at, float(curvature), margins, edge)


def gain_of(
    law: Law, setting: Setting, gain: str | None, values: ArrayLike | None
) -> tuple[str, str, bool, Array]:
    """Give name, unit and scale of the gain to vary, and its values; refuse what the law does not have."""
    try:
        space = type(law).search_space(setting.believed(law))
    except NotImplementedError:
        space = {}
    name = gain or next(iter(space), "")
    # What is true or false, or a whole number, has no edge of stability between two values.
    varied = [key for key, value in law.gains.items() if isinstance(value, (float, Schedule))]
    if name not in varied:
        said = f"has no gain {name!r}" if name else "names no gain to vary"
        if name in law.gains:
            said = f"has in {name} no gain that varies smoothly"
        raise InputError(f"{law.name} {said}", f"one of {', '.join(varied)}", "name one of these")
    known = space.get(name)
    if values is None and known is None:
        raise InputError(
            f"{law.name} gives no range for {name}",
            "values to look at",
            f"give them in increasing order, on the command line as --gain {name}=LOW:HIGH",
        )
    if values is None and known is not None:
        spaced: Any = np.geomspace if known.logarithmic else np.linspace
        values = spaced(known.low, known.high, _COUNT)
    found = np.atleast_1d(np.asarray(values, dtype=float))
    if found.ndim != 1 or found.size < 2 or not np.all(np.isfinite(found)) or np.any(np.diff(found) <= 0.0):
        raise InputError(
            f"values of {name} are {np.array2string(found, precision=4, threshold=6)}",
            "two or more finite numbers in increasing order",
            "correct them",
        )
    for value in (found[0], found[-1]):
        _with(law, name, float(value))
    even = np.ptp(np.diff(found)) < 0.1 * np.diff(found).mean()
    return name, known.unit if known else "", bool(found[0] > 0.0 and not even), found


def _loops(some: list[Law], laws: list[Law], setting: Setting, speed: float, curvature: float) -> list[Loop]:
    """Give the loops of laws: one for all where they drive alike, as on a straight; else one each."""
    if curvature == 0.0:
        loop = loop_at(some, setting, speed, among=laws)
        if abs(loop.drive.lateral_error) < _ALIKE:
            return [loop]
    return [loop_at(one, setting, speed, curvature, among=laws) for one in some]


def _with(law: Law, gain: str, value: float) -> Law:
    try:
        return law.with_gains({gain: value})
    except ValidationError as error:
        from tracks.validation import explain

        field, what, expected, remedy = explain(error)
        raise InputError(
            f"{law.name}.{field or gain}: {what}", expected, remedy or f"choose other values of {gain}"
        ) from None


def _edges(values: Array, radii: Array, radii_of: Callable[[Array], Array]) -> list[float]:
    """Give the values at which the largest pole is on the unit circle, between neighbours on either side of it.

    By the straight line between two of _BETWEEN values in between, whose distance is some per cent of a per cent.
    """
    edges = []
    for i in np.flatnonzero((radii[:-1] < 1.0) != (radii[1:] < 1.0)):
        inner = np.linspace(values[i], values[i + 1], _BETWEEN + 2)
        at = np.concatenate((radii[i : i + 1], radii_of(inner[1:-1]), radii[i + 1 : i + 2])) - 1.0
        j = int(np.flatnonzero((at[:-1] < 0.0) != (at[1:] < 0.0))[0])
        share = at[j] / (at[j] - at[j + 1])
        edges.append(float(inner[j] + share * (inner[j + 1] - inner[j])))
    return edges
