"""One predictive law on one track: a step of it, what happens when something fails, and what the last step says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tracker.envelope import EnvelopeValues
from tracker.laws.base import View
from tracker.laws.mpc_fallback import Fallback
from tracker.laws.mpc_model import tyres_known
from tracker.laws.mpc_qp import condense
from tracker.laws.mpc_solver import Solver
from tracker.laws.mpc_speed import new_speed_work
from tracker.laws.mpc_speed_plan import holdable_speed
from tracker.laws.mpc_terminal import SPEEDS, table_of
from tracker.laws.mpc_terms import plan_terms
from tracker.laws.mpc_work import HELD_BACK, PLANNED, WIDENED, new_work
from tracker.prediction import rear_slip
from tracker.response import Response
from tracker.speed_command import reference_speed
from tracks import Track
from tracks.geometry import evaluate
from tracks.track import planned_speed

if TYPE_CHECKING:
    from tracker.laws.mpc import MPC

__all__ = ["CREEP", "FASTEST", "SLOWED", "MPCRunner"]

CREEP = 0.2  # 1/s, times the wheelbase: the lowest speed predicted with; at rest no input moves the model
FASTEST = 1.5  # of the plan's top speed: the end of the table of terminal costs
SLOWED = 0.05  # m/s below the plan from which the speed counts as slowed
# m/s: below it what can be held is asked for as it is, so that starts and stops are the tracker's to the centimetre.
_WALKING = 1.0
_WIDENED = 1e-9  # 1/m


class MPCRunner:
    """An `MPC` on one track, with its last command and plan; see `Law.start` for the arguments.

    Attributes:
        counts: of what happened, by name: steps in which the view was not finite (`view_not_finite`) or the solver
            failed (`solver_failed`, `speed_solver_failed`); of these, those answered by the last plan (`last_plan`) and
            by a controlled stop (`stop`); and steps whose plan leaves the corridor (`corridor_left`), turns back as fast
            as it may from beyond a limit (`beyond_limit`), or asks for less than the plan's speed (`slowed`).
        speed: speed [m/s] and acceleration [m/s²] asked for; None where the plan's hold.
    """

    def __init__(
        self, law: MPC, response: Response, envelope: EnvelopeValues, track: Track, period: float,
        speed_factor: float,
    ) -> None:  # fmt: skip
        arrays = track.arrays
        creep = CREEP * response.wheelbase
        fastest = max(FASTEST * speed_factor * float(np.max(arrays.speed)), 10.0 * creep)
        self._values = values = law.values(response, envelope, period, speed_factor, creep, fastest)
        self._corridor = bool(np.any(np.isfinite(arrays.corridor_left) | np.isfinite(arrays.corridor_right)))
        speeds = np.geomspace(creep, fastest, SPEEDS)
        table = table_of(values, speeds, np.array([law.weights_at(v) for v in speeds.tolist()]))
        self._work = new_work(values, law.horizon, law.moves, self._corridor, table)
        self._plan_arrays = arrays
        self._planning, self._cut = law.plans_speed, False
        if self._planning:
            able = holdable_speed(track, envelope, response.wheelbase, creep, speed_factor)
            self._cut = bool(np.any(able < speed_factor * arrays.speed))
            arrays = arrays._replace(speed=able)
        self._track = arrays
        self._speed_work = new_speed_work(values)
        self._tyres = bool(tyres_known(values.response))
        self._solver = Solver(self._work)
        self._speed_solver = Solver(self._speed_work, fixed=True)
        self._plan: NDArray[np.float64] | None = None
        self._previous = math.nan  # command
        self._before = math.nan  # the command before the last plan
        self._started = False  # the speed's plan
        self.speed: tuple[float, float] | None = None
        self.counts: dict[str, int] = dict.fromkeys(
            ("view_not_finite", "solver_failed", "speed_solver_failed", "last_plan", "stop", "corridor_left",
             "beyond_limit", "slowed"), 0,
        )  # fmt: skip
        self._fallback = Fallback(period, envelope.curvature_rate, self.counts)

    def curvature(self, view: View) -> float:
        """Give the first input of the optimal plan, 1/m, + left; the last plan's where there is none; else NaN."""
        total = view.s + view.lateral_error + view.heading_error + view.curvature + view.speed
        total += view.yaw_rate + view.rear_velocity + view.slip + view.steered + view.asked
        if not math.isfinite(total):
            return self._fall_back("view_not_finite")
        self.prepare(view)
        plan = self._solver.solve()
        if self._planning:
            self._plan_speed(view)
        if plan is None:
            return self._fall_back("solver_failed")
        work, counts = self._work, self.counts
        work.plan[:] = plan
        work.told[PLANNED] = 1.0
        self._plan = plan
        self._fallback.renew()
        counts["corridor_left"] += int(self._solver.violated)
        counts["beyond_limit"] += int(work.told.item(WIDENED) > _WIDENED)
        self._previous = min(max(plan.item(0), work.lower.item(0)), work.upper.item(0))
        return self._previous

    def restart(self, curvature: float) -> None:
        """Forget the last plan and go on from a path curvature that is driven now, 1/m, + left."""
        limit = self._values.envelope.curvature
        self._solver.forget()
        self._speed_solver.forget()
        self._work.told[PLANNED] = 0.0
        self._fallback.forget()
        self._plan, self._started = None, False
        self._previous = min(max(curvature, -limit), limit)

    def terms(self) -> dict[str, float]:
        """Give what the last plan says; empty without one.

        `predicted_error` [m] the largest, `predicted_error_in` [s] when; `predicted_curvature` [1/m] the largest asked
        for; how many bounds are active (`bounds_on_curvature`, `bounds_on_rate`, `bounds_of_corridor`); the solver's
        `iterations`; the parts of the cost, without unit (`cost_lateral`, `cost_course`, `cost_effort`, `cost_rate`,
        `cost_end`, `cost_corridor`); `speed_asked` [m/s], `acceleration_asked` [m/s²] and `speed_held` [m/s], the
        highest that can be held, where the law plans its speed; `failures` in a row.
        """
        if self._plan is None or not self._solver.info:
            return {}
        found = plan_terms(self._values, self._work, self._before, self._plan, self._solver.info)
        if self.speed is not None:
            found |= {
                "speed_asked": self.speed[0],
                "acceleration_asked": self.speed[1],
                "speed_held": float(self._speed_work.bounds[0]),
            }
        return found | {"failures": float(self._fallback.failures)}

    def steady_view(self, s: float, speed: float) -> View:
        """Give the view of a vehicle that keeps to the path at s [m] in the steady turn of its curvature there."""
        p = evaluate(self._track.path, s)
        bend, response = float(p.curvature), self._values.response
        slip = float(rear_slip(response, speed, bend)) if self._tyres else 0.0
        return View(
            time=0.0, x=float(p.x), y=float(p.y), heading=float(p.heading), speed=speed, curvature=bend, s=s,
            lateral_error=0.0, heading_error=0.0, path_curvature=bend, ahead_curvature=bend, yaw_rate=speed * bend,
            rear_velocity=-speed * slip, slip=slip, steering_angle=0.0, steered=bend, asked=bend, turning=bend,
            since=self._values.period,
        )  # fmt: skip

    def prepare(self, view: View) -> None:
        """Condense both programmes for a finite view."""
        limit = self._values.envelope.curvature
        self._before = self._previous = min(max(float(view.asked), -limit), limit)
        work = self._speed_work
        if self._planning:
            if not self._started:
                self._started = True
                # A vehicle that is too fast is brought down to the plan by the tracker.
                values, s, v = self._values, float(view.s), max(float(view.speed), 0.0)
                held, _ = reference_speed(values.response, self._track, values.envelope, values.options, s, v)
                work.asked[:] = min(v, held), 0.0
                work.profile[:] = work.asked[0]
            # What was asked for and never driven, as during a stop, must not wait to be driven later.
            response, most = self._values.response, self._values.envelope.acceleration
            behind = most * (1.0 + response.drive_dead_time + response.drive_lag)
            if work.asked[0] > view.speed + behind:
                work.asked[:] = view.speed + behind, min(work.asked[1], 0.0)
        heading = view.heading_error + view.slip if self._tyres else view.heading_error
        condense(
            self._values, self._track, self._work, work, self._planning, self._corridor, float(view.s),
            float(view.lateral_error), float(heading), float(view.rear_velocity), float(view.yaw_rate),
            float(view.steered), float(view.speed), self._previous,
        )  # fmt: skip

    def _plan_speed(self, view: View) -> None:
        """Solve for the speed and set what is asked for; the profile of the last plan goes on where that fails."""
        work = self._speed_work
        found = self._speed_solver.solve()
        if found is None:
            self.counts["speed_solver_failed"] += 1
            self.speed = None
            self._started = False
            return
        profile, asked = work.profile, work.asked
        begin = asked.item(0) + 0.5 * self._values.period * asked.item(1)
        profile[0] = asked[0]
        np.dot(work.gain, found, out=profile[1:])
        profile[1:] += begin
        np.maximum(profile, 0.0, out=profile)
        asked[0], asked[1] = profile[1], found[0] if profile[1] > 0.0 else 0.0
        held = work.bounds.item(0)
        if asked[0] < held < _WALKING:
            asked[0], asked[1] = held, work.lead[0]
        self.speed = asked.item(0), asked.item(1)
        slow = bool(self._work.told[HELD_BACK] > 0.0)
        if self._cut and not slow:
            s = float(view.s)
            held, plan = planned_speed(self._track, s)[0], planned_speed(self._plan_arrays, s)[0]
            slow = bool(held < self._values.speed_factor * plan - SLOWED)
        self.counts["slowed"] += int(slow)

    def _fall_back(self, why: str) -> float:
        """Give the last plan's input at the present time; NaN where that is no answer."""
        work = self._work
        work.told[PLANNED] = 0.0
        wanted = self._fallback.answer(why, work.middles[work.knots], self._plan, self._previous)
        self._previous = wanted if math.isfinite(wanted) else self._previous
        return wanted
