"""The responses to steering that a page shows: from readings, from the simulation, and from the values found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tuning.identification.closed_form import curvature_response, steering_response
from tuning.identification.frequency_response import FrequencyResponse, frequency_response
from tuning.identification.quality import Trace

if TYPE_CHECKING:
    from tuning.identification import Identified
    from tuning.vehicle import Vehicle

__all__ = ["ResponsePanel", "response_data", "without"]

Array = NDArray[np.float64]

_BEYOND = 2.5  # times the highest usable frequency that is still shown
_LEAST = 3  # frequencies that are worth a picture
_AT_LIMIT = 0.9  # of the rate limit, from which the steering is taken to be held by it
_TITLES = {
    "steering_angle": "steering command to steering angle",
    "yaw_rate": "steering command to achieved curvature",
}


@dataclass(frozen=True)
class ResponsePanel:
    """One response.

    Attributes:
        title: from what to what.
        measured, simulated: estimated alike, at the same frequencies; the second from the simulated answer.
        form: the closed form of the vehicle at those frequencies, complex, shape (m,).
        speed: of the closed form, m/s, or NaN where it does not depend on it.
        left_out: share of the driving that was left out since the rate limit acts there.
    """

    title: str
    measured: FrequencyResponse
    simulated: FrequencyResponse
    form: NDArray[np.complex128]
    speed: float
    left_out: float = 0.0

    @property
    def shown(self) -> NDArray[np.bool_]:
        """Frequencies worth showing: up to some way beyond the last usable one."""
        usable = self.measured.frequency[self.measured.usable]
        return self.measured.frequency <= (_BEYOND * usable[-1] if usable.size else np.inf)


def response_data(found: Identified) -> tuple[ResponsePanel, ...]:
    """Gather the responses from steering command to steering angle and to achieved curvature, where the logs allow.

    All driving is used, since averages are what a response needs; where the identification kept only what was held
    out, that. Driving in which the steering's rate limit acts is left out, since there the answer is not linear,
    unless too little is left without it.
    """
    traces = found.driving or found.traces
    limited = _limited(traces.get("steering_angle"), found.vehicle)
    around = found.vehicle.response.dead_time + 2.0 * found.vehicle.response.lag
    panels = []
    for output, title in _TITLES.items():
        trace = traces.get(output)
        if trace is None or trace.command is None or trace.speed is None:
            continue
        if output == "yaw_rate" and not np.all(trace.speed > 0.0):
            continue
        panel = None
        if limited.size:
            panel = _panel(output, title, without(trace, limited, around), found.vehicle)
        if panel is None or np.count_nonzero(panel.measured.usable) < _LEAST:
            panel = _panel(output, title, trace, found.vehicle)
        elif limited.size:
            kept = without(trace, limited, around).time.size
            panel = replace(panel, left_out=1.0 - kept / trace.time.size)
        if panel is not None:
            panels.append(panel)
    return tuple(panels)


def without(trace: Trace, moments: Array, around: float) -> Trace:
    """Give a trace without what lies within `around` seconds of some moments (s, increasing); pieces kept apart."""
    near = np.searchsorted(moments, trace.time + around, "right") > np.searchsorted(
        moments, trace.time - around, "left"
    )
    group = np.zeros(trace.time.size, dtype=np.int64) if trace.group is None else trace.group
    cut = (np.diff(group) != 0) | (np.diff(near.astype(int)) != 0)
    pieces = np.concatenate(([0], np.cumsum(cut)))
    keep = ~near
    command = None if trace.command is None else trace.command[keep]
    speed = None if trace.speed is None else trace.speed[keep]
    return replace(
        trace, time=trace.time[keep], measured=trace.measured[keep], simulated=trace.simulated[keep],
        command=command, speed=speed, group=pieces[keep],
    )  # fmt: skip


def _limited(steering: Trace | None, vehicle: Vehicle) -> Array:
    """Give the moments (s) at which the simulated steering runs at its rate limit; none without a steering angle."""
    if steering is None:
        return np.zeros(0)
    group = np.zeros(steering.time.size, dtype=np.int64) if steering.group is None else steering.group
    same = np.diff(group) == 0
    step = np.where(same, np.diff(steering.time), np.inf)
    fast = np.abs(np.diff(steering.simulated)) > _AT_LIMIT * vehicle.steering.rate_limit * step
    return steering.time[1:][fast]


def _panel(output: str, title: str, trace: Trace, vehicle: Vehicle) -> ResponsePanel | None:
    """Estimate one response, or give None where the trace is too short for it."""
    command, speed = trace.command, trace.speed
    if command is None or speed is None or command.size < 2 or np.ptp(command) == 0.0:
        return None
    divisor = np.ones(command.size)
    if output == "yaw_rate":
        command, divisor = np.tan(command) / vehicle.body.wheelbase, speed
    measured = frequency_response(
        trace.time, command, trace.measured / divisor, trace.group, averaged=trace.averaged
    )
    f = measured.frequency
    if f.size < _LEAST:
        return None
    simulated = frequency_response(
        trace.time, command, trace.simulated / divisor, trace.group,
        frequency=f, averaged=trace.averaged, delay=measured.delay,
    )  # fmt: skip
    if output != "yaw_rate":
        return ResponsePanel(title, measured, simulated, steering_response(vehicle, f), np.nan)
    middle = float(np.median(speed))
    return ResponsePanel(title, measured, simulated, curvature_response(vehicle, f, middle), middle)
