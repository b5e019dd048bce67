"""Drive, brake and resistance as a least-squares problem: from unknowns to residuals of the speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.estimate import Residuals, Stack
from tuning.identification.records import Measured, Recording
from tuning.identification.speed_kernel import DRIVING_ON, Commanded, position_demands, speed_answer
from tuning.identification.unknowns import Unknown, from_coordinates
from tuning.vehicle import Vehicle
from tuning.vehicle.parameters import PlantParameters

__all__ = ["COMMAND_AGE", "GRADE", "SENSOR_LAG", "SpeedProblem"]

Array = NDArray[np.float64]

SENSOR_LAG = "sensors.speed_lag"
COMMAND_AGE = "sensors.command_age"  # s, by which the log stamps a command later than it was sent
GRADE = "road.grade"  # of log k: road.grade[k]

# Dotted name of a vehicle's value -> field of PlantParameters.
_PLANT_FIELDS = {
    "drive.lag": "drive_lag",
    "drive.brake_lag": "brake_lag",
    "drive.speed_gain": "speed_gain",
    "drive.speed_integral": "speed_integral_gain",
    "drive.acceleration_limit": "acceleration_limit",
    "drive.deceleration_limit": "deceleration_limit",
    "drive.drive_gain": "drive_gain",
    "drive.brake_gain": "brake_gain",
    "drive.throttle_free": "throttle_free",
    "drive.throttle_bend": "throttle_bend",
    "drive.brake_free": "brake_free",
    "drive.motor_drag": "motor_drag",
    "tyres.rolling_resistance": "rolling_resistance",
    "body.viscous_drag": "viscous_drag",
    "body.drag_area": "drag_area",
}
_FADE = "drive.no_load_speed"  # as drive_fade, its inverse

# s. By positions nothing holds the speed: what is wrong by a little adds up for minutes. So the simulation starts anew
# from the measured speed at this distance, long against lags and dead times. A judgement without a source.
_HORIZON = 40.0
_CHOICE = 8.0  # s either side of that distance within which a moment of steady positions is looked for
_SMOOTHED = 1.0  # s either side over which the speed to start anew from is fitted by a parabola
_ANSWERED = 1.0  # s after a change of the positions that the speed takes to follow a parabola again
_MOVED = 0.005  # smallest change of a position that counts
_LEAST_SMOOTHED = 8  # speeds for a parabola


@dataclass(frozen=True)
class SpeedProblem:
    """What is fitted of the longitudinal side, and on what.

    Attributes:
        vehicle: holds every value that is not fitted.
        unknowns: what is fitted.
        recording: the data, with a speed command or positions of throttle and brake.
        accelerometer: whether the measured longitudinal acceleration is compared too.
        graded: the recording whose logs the fitted grades belong to, their mean being level; of other logs the grade is
            taken for 0.
    """

    vehicle: Vehicle
    unknowns: tuple[Unknown, ...]
    recording: Recording
    accelerometer: bool = False
    graded: Recording | None = None

    @property
    def by_positions(self) -> bool:
        """Whether the logs hold positions of throttle and brake instead of a speed command."""
        return self.recording.speed_command is None

    def values(self, z: Array) -> dict[str, float]:
        """Give the unknowns' values by name."""
        return from_coordinates(self.unknowns, z)

    def plant(self, values: Mapping[str, float]) -> PlantParameters:
        """Give the constants of the equations of motion for these values of the unknowns."""
        changed: dict[str, Any] = {
            _PLANT_FIELDS[name]: value for name, value in values.items() if name in _PLANT_FIELDS
        }
        if _FADE in values:
            changed["drive_fade"] = 1.0 / values[_FADE]
        return self.vehicle.plant._replace(**changed)

    def simulate(self, values: Mapping[str, float]) -> Array:
        """Give the simulated answer, shape (ROWS, n), as `speed_answer` says."""
        p, drive = self.plant(values), self.vehicle.drive
        age = float(values.get(COMMAND_AGE, 0.0))
        return speed_answer(
            p,
            float(values.get("drive.dead_time", drive.dead_time)) - age,
            float(values.get("drive.brake_dead_time", drive.brake_dead_time)) - age,
            self.recording.drives,
            self._commanded(p, values),
        )

    def compared(self, values: Mapping[str, float]) -> dict[str, tuple[Array, Array]]:
        """Give each output as (measured, simulated), both of shape (m,), SI.

        An accelerometer carries an unknown constant (tilt, and the grade of the log), so the mean difference of each
        log is taken from the simulated acceleration.
        """
        answer = self.simulate(values)
        pairs: dict[str, tuple[Array, Array]] = {}
        for name, measured in self._outputs.items():
            simulated = answer[3 if name == "speed" else 4, measured.at]
            if name != "speed":
                log = self.recording.log[measured.at]
                total = np.bincount(log, measured.values - simulated)
                simulated = simulated + (total / np.maximum(np.bincount(log), 1))[log]
            pairs[name] = (measured.values, simulated)
        return pairs

    def residuals(self, z: Array) -> Residuals:
        """Give simulated minus measured, by output, unweighted, SI."""
        return {name: s - m for name, (m, s) in self.compared(self.values(z)).items()}

    @property
    def stack(self) -> Stack:
        """Where the residuals stand in time."""
        moments = {name: measured.at for name, measured in self._outputs.items()}
        return Stack(moments, self.recording.drives.first)

    @property
    def _outputs(self) -> dict[str, Measured]:
        outputs = {"speed": self.recording.measured["speed"]}
        if self.accelerometer and self.recording.pushing is not None:
            outputs["longitudinal_acceleration"] = self.recording.pushing
        return outputs

    def _commanded(self, p: PlantParameters, values: Mapping[str, float]) -> Commanded:
        data = self.recording
        grade = np.zeros(data.log.size)
        slopes = {int(n[len(GRADE) + 1 : -1]): v for n, v in values.items() if n.startswith(GRADE)}
        if slopes and self.graded is data:
            # The last log's is not fitted: the mean of all is level.
            by_log = np.full(int(data.log.max()) + 1, -sum(slopes.values()))
            by_log[list(slopes)] = list(slopes.values())
            grade = by_log[data.log]
        sensor_lag = float(values.get(SENSOR_LAG, 0.0))
        if data.speed_command is not None and data.acceleration_command is not None:
            forward = data.acceleration_command
            return Commanded(
                1.0, data.speed_command, forward, forward, grade, self._anew, self._following, sensor_lag
            )
        if data.throttle is None or data.brake is None:
            raise AssertionError("a speed problem is made only of logs with a speed command or a throttle")
        asked, braked = position_demands(p, data.throttle, data.brake)
        return Commanded(
            0.0, np.ones_like(asked), asked, braked, grade, self._anew, self._following, sensor_lag
        )

    @cached_property
    def _following(self) -> NDArray[np.int64]:
        """The next sample of the recording with another command, or n, shape (n,)."""
        data = self.recording
        n = data.log.size
        commands = (data.speed_command, data.acceleration_command, data.throttle, data.brake)
        changed = np.zeros(n, dtype=bool)
        for values in commands:
            if values is not None:
                changed[1:] |= np.diff(values) != 0.0
        changed &= data.drives.first != np.arange(n)
        at = np.flatnonzero(changed)
        following = np.append(at, n)[np.searchsorted(at, np.arange(n), side="right")]
        inside = following < n
        own = data.drives.first
        following[inside & (own[np.minimum(following, n - 1)] != own)] = n
        return following

    @cached_property
    def _anew(self) -> Array:
        """The measured speed wherever the simulation starts anew, else `DRIVING_ON`, shape (n,)."""
        data = self.recording
        anew = np.full(data.log.size, DRIVING_ON)
        if data.throttle is None or data.brake is None:
            return anew
        for begin in np.unique(data.drives.first):
            own = np.flatnonzero(data.drives.first == begin)
            time, pedals = data.drives.time[own], data.throttle[own] - data.brake[own]
            changed = time[1:][np.abs(np.diff(pedals)) > _MOVED]
            moments = [time[0]]
            for nominal in np.arange(time[0] + _HORIZON, time[-1] - 0.5 * _HORIZON, _HORIZON):
                near = time[np.abs(time - nominal) <= _CHOICE]
                after = np.searchsorted(changed, near - _SMOOTHED - _ANSWERED)
                calm = np.append(changed, np.inf)[after] > near + _SMOOTHED
                moments += list(near[calm][:1])
            for i in np.searchsorted(time, moments):
                close = np.abs(time - time[i]) <= _SMOOTHED
                anew[own[i]] = _smoothed(time[close] - time[i], data.drives.speed[own][close])
        return anew


def _smoothed(time: Array, speed: Array) -> float:
    """Give the speed (m/s) at time 0 of the parabola through speeds about it, both of shape (m,)."""
    if time.size < _LEAST_SMOOTHED or np.ptp(speed) == 0.0:
        return float(speed[np.argmin(np.abs(time))])
    return max(float(np.polyfit(time, speed, 2)[2]), 0.0)
