"""What is around a law in its loop, and the loop at a speed: the front door of this room."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker import Envelope, Law, Response
from tracker.laws.base import IN_PYTHON, View
from tracker.memory import LAW_SLOTS
from tracker.options import BLIND_FOR, WHEELBASES_JUMPED, Options
from tracker.tracker import WHEELBASES_LOST, response_of
from tracks.errors import InputError
from tuning.stability.law_answers import linear_from_answers, settled_answer
from tuning.stability.law_slopes import ClosedForm, LinearLaw
from tuning.stability.loop import Loop
from tuning.stability.margins import Margins, margins_of_rows
from tuning.stability.perception import Perception, Road, perception_at, road_of
from tuning.stability.plant import plant_beside, steady_drive

if TYPE_CHECKING:
    from tuning.stability.plant import SteadyDrive
    from tuning.vehicle import Vehicle

__all__ = ["Setting", "loop_at", "margins"]

Array = NDArray[np.float64]

# 1/m: the law wants what is driven. Laws that compare what they wanted with what was asked take 1e-9 as the same.
_AT_REST = 1e-10
_SOLVED = 1e-6  # the same, to the precision of a solver inside the law
_ROUNDS = 25
_FAR = 0.5  # m, at most, a step of the search for the steady lateral error
_STEP = 1e-5  # of its slopes
_SETTLING = 3  # answers after which the last values that a law keeps are those of the steady view


@dataclass(frozen=True)
class Setting:
    """A vehicle, and the tracker around a law, as `tuning.simulate` has them.

    Attributes:
        vehicle: the vehicle that drives.
        response: the vehicle that the tracker believes in; None takes what the law carries, else `vehicle`.
        envelope: limits on the commands, which no small deviation meets; a predicting law may weigh them.
        period: between two commands, s.
        compensate_dead_time: whether the tracker carries the pose through the commands in flight.
        latency: age of a measured pose, s. latency_told: whether the tracker is told it.
        extra_dead_time: of the steering, unknown to the tracker, s.
    """

    vehicle: Vehicle
    response: Response | None = None
    envelope: Envelope | None = None
    period: float = 0.02
    compensate_dead_time: bool = True
    latency: float = 0.0
    latency_told: bool = False
    extra_dead_time: float = 0.0

    def __post_init__(self) -> None:
        _within("period", self.period, 0.005, 0.1, "s", "run the tracker at 10 to 200 Hz")
        _within("latency", self.latency, 0.0, 1.0, "s", "give the age of a pose in seconds")
        _within("extra_dead_time", self.extra_dead_time, 0.0, 1.0, "s", "give it in seconds")

    def believed(self, law: Law) -> Response:
        """Give the vehicle that the tracker believes in."""
        return self.response or law.response or response_of(self.vehicle)

    def options(self, response: Response) -> Options:
        """Give the tracker's settings."""
        return Options(
            period=float(self.period),
            speed_factor=1.0,
            compensate_dead_time=float(self.compensate_dead_time),
            lost_beyond=WHEELBASES_LOST * response.wheelbase,
            jump_beyond=WHEELBASES_JUMPED * response.wheelbase,
            blind_for=max(BLIND_FOR, 2.0 * self.latency),
        )


def _within(name: str, value: float, low: float, high: float, unit: str, remedy: str) -> None:
    if not low <= value <= high:
        raise InputError(f"{name} is {value:g} {unit}", f"{low:g} to {high:g} {unit}", remedy)


def loop_at(
    laws: Law | Sequence[Law],
    setting: Setting,
    speed: float,
    curvature: float = 0.0,
    *,
    among: Sequence[Law] = (),
) -> Loop:
    """Linearise the loop of one or more laws of a kind about a steady drive.

    Several laws share the drive and what the tracker sees of it, so they must leave the same steady lateral error, as all
    do on a straight.

    Args:
        laws: with their gains.
        setting: what is around them.
        speed: m/s, above 0.
        curvature: of the path, 1/m, + left.
        among: more laws of the kind, with other gains, that loops are wanted of later: traced once, a formula serves all.

    Raises:
        InputError: speed or curvature cannot be driven, or a law finds no steady drive.
    """
    every = [laws] if isinstance(laws, Law) else list(laws)
    if not (math.isfinite(speed) and 0.1 <= speed <= 150.0):
        raise InputError(f"speed is {speed:g} m/s", "0.1 to 150 m/s", "give the speed of the drive in m/s")
    if not math.isfinite(curvature):
        raise InputError(f"curvature is {curvature:g} 1/m", "a finite number", "correct it")
    speed, curvature = float(speed), float(curvature)
    response = setting.believed(every[0])
    seeing = _Seeing(setting, response, road_of(speed, curvature))
    model = _model(every, among, setting, response, seeing)
    drive, seen, state = _steady(model, seeing, every[0].name)
    _allowed(every[0], setting, response, seen)
    dead_time = float(setting.vehicle.steering.dead_time) + setting.extra_dead_time
    plant = plant_beside(setting.vehicle, drive, setting.period, dead_time, setting.latency)
    linear = tuple(model.linear(row, seen, state) for row in range(len(every)))
    return Loop(drive, plant, seen, linear)


def margins(
    law: Law,
    vehicle: Vehicle,
    speed: float,
    *,
    curvature: float = 0.0,
    response: Response | None = None,
    envelope: Envelope | None = None,
    period: float = 0.02,
    compensate_dead_time: bool = True,
    latency: float = 0.0,
    latency_told: bool = False,
    extra_dead_time: float = 0.0,
) -> Margins:
    """Give the stability margins of a law on a vehicle at a speed.

    Args:
        law: a law with its gains.
        vehicle: the vehicle that drives.
        speed: m/s.
        curvature: of the path, 1/m, + left: a straight by default, else a steady curve.
        response, envelope, period, compensate_dead_time: as for `tuning.simulate`.
        latency: age of a measured pose, s. latency_told: whether the tracker is told it.
        extra_dead_time: of the steering, unknown to the tracker, s.

    Raises:
        InputError: a setting is out of range, or there is no steady drive.
    """
    setting = Setting(
        vehicle, response, envelope, period, compensate_dead_time, latency, latency_told, extra_dead_time
    )
    return margins_of_rows(loop_at(law, setting, speed, curvature))[0]


@dataclass(frozen=True)
class _Seeing:
    """What the tracker sees beside the path at a lateral error."""

    setting: Setting
    response: Response
    road: Road
    _kept: dict[float, tuple[SteadyDrive, Perception]] = field(default_factory=dict)

    def __call__(self, lateral_error: float) -> tuple[SteadyDrive, Perception]:
        if lateral_error not in self._kept:
            self._kept[lateral_error] = self._seen(lateral_error)
        return self._kept[lateral_error]

    def _seen(self, lateral_error: float) -> tuple[SteadyDrive, Perception]:
        setting, road = self.setting, self.road
        drive = steady_drive(setting.vehicle, road.speed, road.curvature, lateral_error)
        options = setting.options(self.response)
        seen = perception_at(
            self.response.values, options, road, drive, setting.latency, setting.latency_told
        )
        return drive, seen


@dataclass(frozen=True)
class _Model:
    """A law as the search for the steady drive needs it: answers to a view where 1/m was asked for last, and slopes."""

    answer: Callable[[Perception, Array, float], tuple[float, Array]]
    linear: Callable[[int, Perception, Array], LinearLaw]
    matters: Callable[[Perception, Array], NDArray[np.bool_]]  # which of its states
    states: int


def _model(
    laws: Sequence[Law], among: Sequence[Law], setting: Setting, response: Response, seeing: _Seeing
) -> _Model:
    law, period = laws[0], setting.period
    limits = (setting.envelope or law.envelope or Envelope()).values(response)
    if law.kernel == IN_PYTHON:
        road = seeing.road

        def started(which: Law) -> Callable[[], Any]:
            return lambda: which.start(response, limits, road.track, period, 1.0)

        def answered(seen: Perception, state: Array, asked: float) -> tuple[float, Array]:
            return settled_answer(started(law), seen.steady, road, period, seen.wanted), state

        def from_answers(row: int, seen: Perception, state: Array) -> LinearLaw:
            return linear_from_answers(started(laws[row]), seen.steady, road, period, seen.wanted)

        return _Model(answered, from_answers, lambda seen, state: np.zeros(0, dtype=bool), 0)
    tables = np.array([one.gain_table(response, limits, period) for one in (*laws, *among)])
    seen_first: View = seeing(0.0)[1].steady
    formula = ClosedForm(law.kernel, response.values, tables, seeing.road.curvature, seen_first)

    def answer(seen: Perception, state: Array, asked: float) -> tuple[float, Array]:
        return formula.answer(seen.steady._replace(asked=asked), state)

    def linear(row: int, seen: Perception, state: Array) -> LinearLaw:
        return formula.linear(seen.steady, state, row)

    def matters(seen: Perception, state: Array) -> NDArray[np.bool_]:
        return formula.whole(seen.steady, state).seen

    return _Model(answer, linear, matters, LAW_SLOTS)


def _steady(model: _Model, seeing: _Seeing, name: str) -> tuple[SteadyDrive, Perception, Array]:
    """Find the lateral error and the law's state at which the law wants what is driven, by Newton's method."""
    state = np.zeros(model.states)
    drive, seen = seeing(0.0)
    for _ in range(_SETTLING):
        _, state = model.answer(seen, state, seen.wanted)
    # An integral that no gain brings into the answer may grow for ever.
    which = np.flatnonzero(model.matters(seen, state))
    error = 0.0
    off = _off(model, seen, state, which)
    for _ in range(_ROUNDS):
        if np.abs(off).max() < _AT_REST:
            return drive, seen, model.answer(seen, state, seen.wanted)[1]
        _, aside = seeing(error + _STEP)
        columns = [(_off(model, aside, state, which) - off) / _STEP]
        for i in which:
            moved = state.copy()
            moved[i] += _STEP
            columns.append((_off(model, seen, moved, which) - off) / _STEP)
        change = np.linalg.lstsq(np.column_stack(columns), -off, rcond=1e-10)[0]
        change *= min(1.0, _FAR / max(abs(change[0]), 1e-12))
        error, state = error + float(change[0]), state.copy()
        state[which] += change[1:]
        drive, seen = seeing(error)
        off = _off(model, seen, state, which)
    if np.abs(off).max() < _SOLVED:
        return drive, seen, state
    raise InputError(
        f"{name} finds no steady drive at {seeing.road.speed:g} m/s on a curvature of {seeing.road.curvature:g} 1/m",
        "a speed and curvature at which the law can keep the vehicle beside the path",
        "lower the speed or the curvature",
    )


def _allowed(law: Law, setting: Setting, response: Response, seen: Perception) -> None:
    """Refuse a steady drive at a limit of the envelope: there the loop is cut."""
    limits = (setting.envelope or law.envelope or Envelope()).values(response)
    speed, wanted = seen.steady.speed, abs(seen.wanted)
    most = min(limits.curvature, limits.lateral_acceleration / speed**2)
    if not wanted < most:
        raise InputError(
            f"a curvature of {seen.wanted:.4g} 1/m at {speed:g} m/s is to be driven",
            f"less than the envelope allows, {most:.4g} 1/m",
            "lower the speed or the curvature, or widen the envelope",
        )


def _off(model: _Model, seen: Perception, state: Array, which: NDArray[np.int64]) -> Array:
    """Give what is wanted beyond what is driven, 1/m, and how the law's states that matter move on.

    Of a second answer, to a view in which the first was asked for: a law that integrates only while the envelope lets it
    have its way is then one that integrates.
    """
    if state.size == 0:
        return np.array([model.answer(seen, state, seen.wanted)[0] - seen.wanted])
    first, before = model.answer(seen, state, seen.wanted)
    wanted, following = model.answer(seen, before, first)
    return np.concatenate(([wanted - seen.wanted], (following - before)[which]))
