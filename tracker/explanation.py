"""Of what a command was made: the step is worked out once more from what the tracker remembered before it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from tracker.command import Command
from tracker.envelope import EnvelopeValues, curvature_bound, curvature_step
from tracker.laws.base import Law, Runner, View
from tracker.laws.closed_form import FORMULAS
from tracker.memory import (
    CURVATURE,
    NEAR,
    PACE,
    POSE_HEADING,
    POSE_X,
    POSE_Y,
    RESUMING,
    STOP,
    Memory,
    StopReason,
)
from tracker.options import Options
from tracker.perceiving import lost, perceive, since_last, usable
from tracker.response import ResponseValues
from tracker.speed_command import reference_speed
from tracker.step import NO_SPEED, deliver
from tracks.track import TrackArrays

__all__ = ["Before", "Explanation", "explain"]


class Before(NamedTuple):
    """What a step started from.

    Attributes:
        state: the measurement, along the direction of travel.
        numbers, law: of the memory before the step.
        answer: curvature (1/m), speed (m/s) and acceleration (m/s²) that a law in Python gave, or nothing.
    """

    state: tuple[float, ...]
    numbers: np.ndarray
    law: np.ndarray
    answer: tuple[float, float, float] | tuple[()] = ()


@dataclass(frozen=True)
class Explanation:
    """The last command, step by step; SI units and radians, along the direction of travel.

    Attributes:
        law: its name.
        time: of the measurement, s.
        stopped_because: why the vehicle is being stopped, or NONE.
        believed: pose (x, y, heading) at `time`: as measured, carried over its age, or reckoned.
        view: what the law saw, at the moment the command takes effect; None for an unusable measurement.
        terms: of the law's answer, by name.
        units: of the terms, where the law tells them.
        wanted: path curvature that the law wants, 1/m; NaN where it was not asked.
        asked: path curvature after the envelope, 1/m.
        limited_by: what of the envelope changed it: "", "curvature", "lateral acceleration", "curvature rate",
            "lateral jerk", or "held" in a stop without a usable measurement.
        understeer: what the command adds to the path curvature for the understeer, 1/m.
        steering: what it adds for gain and offset of the steering and for its limit, 1/m.
        planned_speed: of the plan, read ahead, m/s.
        speed_from: "plan", "law", "stop" or "way back to the plan".
        command: what was sent.
    """

    law: str
    time: float
    stopped_because: StopReason
    believed: tuple[float, float, float]
    view: View | None
    terms: dict[str, float]
    units: dict[str, str]
    wanted: float
    asked: float
    limited_by: str
    understeer: float
    steering: float
    planned_speed: float
    speed_from: str
    command: Command

    def data(self) -> dict[str, Any]:
        """Give everything as a dictionary that JSON can hold but for NaN."""
        content = asdict(self)
        content["stopped_because"] = self.stopped_because.name
        content["view"] = None if self.view is None else self.view._asdict()
        return content

    def text(self) -> str:
        """Give the explanation as lines that a person reads: names in one column, values in the next."""
        rows = [("believed pose", _pose(*self.believed))]
        if self.view is not None:
            v = self.view
            rows += [
                ("taking effect", f"{_pose(v.x, v.y, v.heading)}, at {v.speed:.2f} m/s"),
                (
                    "against the path",
                    f"s {v.s:.2f} m, lateral {_told(v.lateral_error, 'm')}, heading {_told(v.heading_error, 'rad')}",
                ),
                (
                    "curvature",
                    f"path {_told(v.path_curvature, '1/m')}, driven {_told(v.curvature, '1/m')}",
                ),
            ]
        if self.terms:
            rows.append(("terms of the law", ""))
            rows += [
                (f"  {name.replace('_', ' ')}", _told(value, self.units.get(name, "")))
                for name, value in self.terms.items()
            ]
        rows += self._answer_rows()
        width = max(len(name) for name, _ in rows)
        return "\n".join(
            [
                f"{self.law} at {self.time:.3f} s",
                *(f"  {name:{width}s}  {told}".rstrip() for name, told in rows),
            ]
        )

    def _answer_rows(self) -> list[tuple[str, str]]:
        """Say what was wanted, asked and sent, and why."""
        wanted = _told(self.wanted, "1/m") if math.isfinite(self.wanted) else "not asked of the law"
        limited = {"": "", "held": ", the last one, held"}.get(
            self.limited_by, f", limited by {self.limited_by}"
        )
        sent = self.command
        rows = [
            ("wanted", wanted),
            ("asked", f"{_told(self.asked, '1/m')}{limited}"),
            (
                "command",
                f"{_told(sent.curvature, '1/m')} (understeer {_told(self.understeer, '1/m')}, "
                f"steering {_told(self.steering, '1/m')})",
            ),
            ("speed", f"{sent.speed:.2f} m/s, acceleration {_told(sent.acceleration, 'm/s²')}"),
            ("speed from", f"{self.speed_from} (plan {self.planned_speed:.2f} m/s)"),
        ]
        if self.stopped_because is not StopReason.NONE:
            rows.append(("stopped because", self.stopped_because.name.lower().replace("_", " ")))
        return rows


# Decimal places that a driver's steering can tell apart; a number without unit is a count or a share.
_PLACES = {"1/m": 5, "rad": 4, "m": 3, "m/s": 2, "m/s²": 2, "s": 2}


def _told(value: float, unit: str) -> str:
    """Give a value with its sign and unit; numbers without a unit plain."""
    if unit not in _PLACES:
        return f"{value:.4g} {unit}".rstrip()
    # Adding 0.0 takes the sign from a zero.
    return f"{round(value, _PLACES[unit]) + 0.0:+.{_PLACES[unit]}f} {unit}"


def _pose(x: float, y: float, heading: float) -> str:
    return f"x {x:.3f} m, y {y:.3f} m, heading {_told(heading, 'rad')}"


def explain(
    before: Before, memory: Memory, law: Law, gains: np.ndarray, runner: Runner | None, response: ResponseValues,
    envelope: EnvelopeValues, track: TrackArrays, options: Options,
) -> Explanation:  # fmt: skip
    """Give the `Explanation` of the step that began with `before`; `memory` is what it left and is not changed."""
    then = Memory(before.numbers.copy(), memory.times.copy(), memory.curvatures.copy(), before.law.copy())
    state, last = before.state, float(before.numbers[CURVATURE])
    reason = int(usable(then, *state))
    view: View | None = None
    terms: dict[str, float] = {}
    wanted, speed, s = math.nan, float(then.numbers[PACE]), float(then.numbers[NEAR])
    law_speed, law_acceleration = NO_SPEED, 0.0
    period = float(since_last(options, then, state[0])) if reason == 0 else options.period
    if reason == 0:
        view = View(*perceive(response, track, options, then, *state))
        reason, speed, s = int(lost(options, view)), view.speed, view.s
        terms, (wanted, law_speed, law_acceleration) = _asked_law(
            before, law, gains, runner, response, track, view, then
        )
    bound, step = float(curvature_bound(envelope, speed)), float(curvature_step(envelope, speed, period))
    target = float(reference_speed(response, track, envelope, options, s, speed)[0])
    command = Command(
        *deliver(
            response, envelope, track, options, then, reason, wanted if reason == 0 else 0.0, law_speed,
            law_acceleration, state[0], state[4], s,
        )
    )  # fmt: skip
    asked = float(then.numbers[CURVATURE])
    understeer, steering = _corrections(
        response, asked, float(then.numbers[PACE]), track.direction * command.curvature
    )
    return Explanation(
        law=law.name,
        time=state[0],
        stopped_because=StopReason(int(then.numbers[STOP])),
        believed=(
            float(then.numbers[POSE_X]),
            float(then.numbers[POSE_Y]),
            float(then.numbers[POSE_HEADING]),
        ),
        view=view,
        terms=terms,
        units=dict(getattr(law, "term_units", {})),
        wanted=wanted,
        asked=asked,
        limited_by=_limit(envelope, wanted, asked, last, bound, step, speed),
        understeer=understeer,
        steering=steering,
        planned_speed=target,
        speed_from=_speed_source(then, law_speed, target),
        command=command,
    )


def _asked_law(
    before: Before, law: Law, gains: np.ndarray, runner: Runner | None, response: ResponseValues,
    track: TrackArrays, view: View, then: Memory,
) -> tuple[dict[str, float], tuple[float, float, float]]:  # fmt: skip
    """Give the terms, and wanted curvature, speed and acceleration; a runner tells them of its last answer."""
    if runner is None:
        found = FORMULAS[law.kernel](gains, response, track.path, view, then.law)
        terms = {name: float(value) for name, value in found._asdict().items()}
        return terms, (terms["curvature"], NO_SPEED, 0.0)
    if not before.answer:
        return {}, (math.nan, NO_SPEED, 0.0)
    tell: Callable[[], dict[str, float]] = getattr(runner, "terms", dict)
    return dict(tell()), before.answer


def _limit(
    envelope: EnvelopeValues,
    wanted: float,
    asked: float,
    last: float,
    bound: float,
    step: float,
    speed: float,
) -> str:
    """Name what of the envelope made of the curvature wanted the one asked."""
    if not math.isfinite(wanted):
        return "held"
    if abs(asked - wanted) <= 1e-12 + 1e-9 * abs(wanted):
        return ""
    if abs(asked - last) < step * (1.0 - 1e-9):
        return "curvature" if bound >= envelope.curvature else "lateral acceleration"
    return (
        "lateral jerk"
        if envelope.lateral_jerk < envelope.curvature_rate * speed * speed
        else "curvature rate"
    )


def _corrections(
    response: ResponseValues, asked: float, speed: float, commanded: float
) -> tuple[float, float]:
    """Give what the command adds for the understeer and for the steering itself, 1/m."""
    length = response.wheelbase + response.understeer_gradient * speed * speed
    understeer = asked * (length / response.wheelbase - 1.0)
    return understeer, commanded - asked - understeer


def _speed_source(then: Memory, law_speed: float, target: float) -> str:
    if then.numbers[STOP] > 0.0:
        return "stop"
    if then.numbers[RESUMING] > 0.0:
        return "way back to the plan"
    return "law" if law_speed < target else "plan"
