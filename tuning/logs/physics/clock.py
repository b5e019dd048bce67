"""Clocks: a step that no logger has, and jumps while the vehicle did not move on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tuning.logs.log import Log
from tuning.logs.physics.finding import Finding
from tuning.logs.physics.resampled import usual_step

__all__ = ["clocks_of", "unit_of_time"]

# Judgements, no source.
_LONGEST_STEP = 1.5  # s
_SHORTEST_STEP = 2e-5  # s
_MOVED_ON = 0.4  # of the way expected over a gap
_LEAST_WAY = 4.0  # times the way of a usual step


def unit_of_time(logs: Sequence[Log]) -> list[Finding]:
    """Say where the clock's unit is wrong: every rate would be, so nothing else can be judged."""
    for log in logs:
        step = usual_step(log)
        looks = ""
        if step > _LONGEST_STEP:
            looks = f"ms labelled s ({step:.3g} ms a sample would be usual)"
        elif step < _SHORTEST_STEP:
            looks = f"s labelled ms ({1000.0 * step:.3g} s a sample would be usual)"
        if looks:
            return [
                Finding(
                    "unit",
                    ("time",),
                    f"a sample of log {log.name} comes every {step:.3g} s, {log.duration:.3g} s in all: time looks like {looks}; "
                    "correct its unit in the channel file. Nothing else was checked",
                )
            ]
    return []


def clocks_of(logs: Sequence[Log]) -> list[Finding]:
    """Say where the clock jumps although positions or heading show that hardly any time passed."""
    found = []
    for log in logs:
        if not log.has("x", "y", "speed") or not log.gaps:
            continue
        time, speed = log["time"], np.abs(log["speed"])
        usual = usual_step(log)
        jumps = []
        for after in log.gaps:
            span = float(time[after] - time[after - 1])
            way = float(
                np.hypot(log["x"][after] - log["x"][after - 1], log["y"][after] - log["y"][after - 1])
            )
            least = min(speed[after - 1], speed[after])
            # Where the speed changed meanwhile, how far it went is not known.
            steady = least > 0.2 and abs(speed[after] - speed[after - 1]) < 0.2 * least
            if steady and span > _LEAST_WAY * usual and way < _MOVED_ON * least * span:
                jumps.append((span, float(time[after - 1]), way, least * span))
        if jumps:
            span, when, way, expected = max(jumps)
            found.append(
                Finding(
                    "clock",
                    ("time",),
                    f"the clock of log {log.name} jumps {len(jumps)} time{'s' if len(jumps) > 1 else ''}, by up to {span:.2f} s (at "
                    f"{when:.1f} s), while the vehicle moves on by {way:.2f} m instead of {expected:.2f} m: no time passed there; "
                    "mend the time stamps",
                )
            )
    return found
