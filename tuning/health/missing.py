"""What to drive or record next, from what the logs lack."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tuning.health.coverage import Coverage
from tuning.health.manoeuvres import Manoeuvres
from tuning.health.spectra import Spectrum
from tuning.logs.log import Log

__all__ = ["missing_from"]

# Judgements, no source.
_LEAST_REST = 2.0  # s
_LEAST_TURNING = 5.0  # s of steering or curve to one side
_SLOW_BAND = 1.5  # ratio of quick to slow driving below which all of it is at one speed
_LEAST_BANDWIDTH = 0.5  # Hz


def missing_from(
    logs: Sequence[Log],
    manoeuvres: Manoeuvres | None,
    coverage: Coverage | None,
    spectra: Sequence[Spectrum],
) -> tuple[str, ...]:
    """Say what the logs lack for an identification, one sentence each, as an instruction."""
    if not any(log.has("speed") for log in logs):
        return ("log the speed, or both rear wheel speeds: without it nothing can be judged or fitted",)
    if manoeuvres is None:
        return ("no stretch of the logs is longer than some seconds: record longer drives without gaps",)
    found = []
    m = manoeuvres
    if m.standstill < _LEAST_REST:
        found.append(
            "stand still for some 10 s before each drive: the logs hold no standstill, which shows the gyro's offset"
        )
    for side, other in (("left", "right"), ("right", "left")):
        seconds = getattr(m, f"curve_{side}") + getattr(m, f"steering_{side}")
        if seconds < _LEAST_TURNING:
            found.append(
                f"drive curves to the {side}: there are {seconds:.0f} s of them, and turning to the {other} alone cannot part an "
                "offset from a gain"
            )
    if coverage is not None:
        slow, quick = _speeds(coverage)
        if quick < _SLOW_BAND * slow:
            found.append(
                f"drive at other speeds as well: nearly all driving is between {slow:.1f} and {quick:.1f} m/s, where wheelbase and "
                "understeer cannot be told apart"
            )
    if any(log.has("speed_command") for log in logs):
        for kind in ("accelerating", "braking"):
            if getattr(m, kind) < 2.0:
                found.append(f"drive steps of speed: there are {getattr(m, kind):.1f} s of {kind}")
    for spectrum in spectra:
        if spectrum.bandwidth < _LEAST_BANDWIDTH:
            found.append(
                f"steer more quickly, or by more: {spectrum.answer} answers above its noise only up to {spectrum.bandwidth:.2g} Hz, "
                "so delay and damping hardly show"
            )
    return tuple(found)


def _speeds(coverage: Coverage) -> tuple[float, float]:
    """Give the speeds between which the middle 80 % of the driving in motion lie, m/s."""
    middles = np.abs(0.5 * (coverage.speed_edges[1:] + coverage.speed_edges[:-1]))
    seconds = np.sum(coverage.seconds, axis=1)
    moving = middles > 0.1 * float(np.max(middles))
    order = np.argsort(middles[moving])
    share = np.cumsum(seconds[moving][order])
    if share.size == 0 or share[-1] <= 0.0:
        return 0.0, 0.0
    slow, quick = (int(np.searchsorted(share, part * share[-1])) for part in (0.1, 0.9))
    sorted_middles = middles[moving][order]
    return float(sorted_middles[slow]), float(sorted_middles[min(quick, sorted_middles.size - 1)])
