"""What came of a drive."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from tracker import Law, StopReason
from tracks import Track
from tuning.simulation.happenings import Happening, meant
from tuning.simulation.outcome import Outcome
from tuning.simulation.scenario import Scenario

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Run"]


@dataclass(frozen=True)
class Run:
    """One closed-loop simulation, sampled at 100 Hz or more; every array has shape (n,).

    Attributes:
        time: s. x, y: rear-axle middle, m. heading: rad, unwrapped. speed: m/s.
        s: arc length of the projection on the path, m, growing past the length on further laps.
        lateral_error: m, + left of the path. heading_error: vehicle − path, rad.
        path_curvature: of the path at `s`, 1/m, + left.
        yaw_rate: rad/s, + left. steering_angle: of the steering actuator as a road-wheel angle, rad, + left.
        steering_rate: rad/s. road_wheel_angle: behind play and compliance, rad, + left.
        lateral_acceleration: at the centre of gravity (kinematic vehicles: where its place is unknown, at
            the rear axle), m/s², + left. longitudinal_acceleration: m/s².
        command_curvature, command_speed, command_acceleration: the commands given, 1/m, m/s, m/s².
        rate_limit, angle_limit: of the road wheels, rad/s and rad. width: of the body, m, None where unknown.
        outcome: how it ended. stop_reason: of a controlled stop. counts: how often what is worth knowing happened to a
            law in Python (a failed solver, a plan gone on with), by name.
        happenings: what became of each event of the scenario, in its order.
    """

    law: Law
    track: Track
    scenario: Scenario
    outcome: Outcome
    stop_reason: StopReason
    time: np.ndarray
    x: np.ndarray
    y: np.ndarray
    heading: np.ndarray
    speed: np.ndarray
    s: np.ndarray
    lateral_error: np.ndarray
    heading_error: np.ndarray
    path_curvature: np.ndarray
    yaw_rate: np.ndarray
    steering_angle: np.ndarray
    steering_rate: np.ndarray
    road_wheel_angle: np.ndarray
    lateral_acceleration: np.ndarray
    longitudinal_acceleration: np.ndarray
    command_curvature: np.ndarray
    command_speed: np.ndarray
    command_acceleration: np.ndarray
    rate_limit: float
    angle_limit: float
    width: float | None = None
    counts: dict[str, int] = field(default_factory=dict)
    happenings: tuple[Happening, ...] = ()

    @property
    def as_meant(self) -> bool:
        """Whether the run ended as its scenario means it to: at the end of the track, or in the stop it asks for."""
        if self.outcome == Outcome.STOPPED:
            return any(meant(event) == self.stop_reason for event in self.scenario.events)
        return self.outcome in (Outcome.FINISHED, Outcome.STOPPED_ON_DEMAND, Outcome.STOPPED_BY_WATCHDOG)

    @cached_property
    def measures(self) -> dict[str, float]:
        """Every measure of the run by name; computed once."""
        from tuning.measures import measure

        return measure(self)

    def to_frame(self) -> pd.DataFrame:
        """Give the time series as a table, one column a quantity."""
        import pandas as pd

        return pd.DataFrame({name: v for name, v in vars(self).items() if isinstance(v, np.ndarray)})
