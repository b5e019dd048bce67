"""The nonlinear predictive law on one track: a step of it, and what happens when something fails."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tracker.envelope import EnvelopeValues
from tracker.laws.base import View
from tracker.laws.mpc_fallback import Fallback
from tracker.laws.mpc_runner import CREEP, FASTEST, SLOWED
from tracker.laws.mpc_solver import Solver
from tracker.laws.nonlinear_mpc_integrator import Integrator, new_stages
from tracker.laws.nonlinear_mpc_preview import carry_forward, look_ahead, start_plan
from tracker.laws.nonlinear_mpc_qp import condense, unfold
from tracker.laws.nonlinear_mpc_terminal import speed_cost, terminal_table
from tracker.laws.nonlinear_mpc_values import ACCELERATION, OFFSET, SPEED, STATES, values_of
from tracker.laws.nonlinear_mpc_work import new_plan, new_work
from tracker.response import Response
from tracks import Track
from tracks.track import planned_speed

if TYPE_CHECKING:
    from tracker.laws.nonlinear_mpc import NonlinearMPC

__all__ = ["NonlinearMPCRunner"]

FIRST_STEPS = 4  # of the first answer, which has no last plan to start from
# Largest lateral error planned with, over the distance of the horizon: from further out the plan leads in at about
# this slope instead of across the path. A rule of thumb.
_STEEPEST = 0.5
_ACTIVE = 1e-9  # multiplier above which a bound counts as active


class NonlinearMPCRunner:
    """A `NonlinearMPC` on one track, with its last plan; see `Law.start` for the arguments.

    Attributes:
        counts: of what happened, by name: steps in which the view was not finite (`view_not_finite`) or the solver
            failed (`solver_failed`); of these, those answered by the last plan (`last_plan`) and by a controlled stop
            (`stop`); and steps whose plan leaves the corridor (`corridor_left`) or asks for less than the plan's speed
            (`slowed`).
        speed: speed [m/s] and acceleration [m/s²] asked for; None where the plan's hold.
        substeps: of each step of the last integration.
    """

    def __init__(
        self, law: NonlinearMPC, response: Response, envelope: EnvelopeValues, track: Track, period: float,
        speed_factor: float,
    ) -> None:  # fmt: skip
        self._track = arrays = track.arrays
        creep = CREEP * response.wheelbase
        fastest = max(FASTEST * speed_factor * float(np.max(arrays.speed)), 10.0 * creep)
        self._values = values = values_of(law, response, envelope, period, speed_factor, creep, fastest)
        tyres = int(values.body.stiffness_front > 0.0)
        self._corridor = bool(np.any(np.isfinite(arrays.corridor_left) | np.isfinite(arrays.corridor_right)))
        table = terminal_table(values, tyres, creep, fastest)
        self._work = new_work(values, law.horizon, law.moves, self._corridor, table, speed_cost(values))
        self._stages = new_stages(law.horizon)
        self._integrate = Integrator(values, tyres, self._stages)
        self._scratch = np.zeros((STATES, max(self._work.gradient.size, 2 * STATES)))
        self._adjoint = np.zeros(2 * STATES)
        self._plan, self._next = new_plan(law.horizon), new_plan(law.horizon)
        self._middles = np.cumsum(self._work.spans) - 0.5 * self._work.spans
        self._late = _lateness(response)
        self._solver = Solver(self._work, warm=False)
        self._previous = math.nan
        self.substeps = 1
        self.speed: tuple[float, float] | None = None
        self._asked_speed = math.inf  # where the plan's hold
        names = ("view_not_finite", "solver_failed", "last_plan", "stop", "corridor_left", "slowed")
        self.counts: dict[str, int] = dict.fromkeys(names, 0)
        self._fallback = Fallback(period, values.curvature_rate, self.counts)

    def curvature(self, view: View) -> float:
        """Give the first input of the plan, 1/m, + left; the last plan's where there is none; else NaN."""
        total = view.s + view.lateral_error + view.heading_error + view.speed + view.since
        total += view.yaw_rate + view.rear_velocity + view.slip + view.steered + view.asked
        if not math.isfinite(total):
            return self._fall_back("view_not_finite")
        first = not self._fallback.planned
        self.prepare(view)
        for _ in range(FIRST_STEPS if first else 1):
            if not self.iterate():
                return self._fall_back("solver_failed")
        self._plan, self._next = self._next, self._plan
        self._fallback.renew()
        limit = self._values.curvature
        self._previous = min(max(float(self._plan.asked[0]), -limit), limit)
        self._ask_speed(view)
        return self._previous

    def restart(self, curvature: float) -> None:
        """Forget the last plan and go on from a path curvature that is driven now, 1/m, + left."""
        limit = self._values.curvature
        self._solver.forget()
        self._fallback.forget()
        self._previous = min(max(curvature, -limit), limit)
        self.speed, self._asked_speed = None, math.inf

    def prepare(self, view: View) -> None:
        """Write the point to linearise about and the parameters of the problem, for a finite view."""
        values, work = self._values, self._work
        now, limit = np.zeros(STATES), values.curvature
        furthest = _STEEPEST * max(view.speed, values.creep) * float(work.times[-1])
        now[1] = min(max(view.lateral_error, -furthest), furthest)
        now[2] = view.heading_error + view.slip
        if values.body.stiffness_front > 0.0:
            now[3] = view.rear_velocity + values.body.rear_axle_distance * view.yaw_rate
            now[4] = view.yaw_rate
        now[5], now[6] = view.steered, min(max(view.asked, -limit), limit)
        now[7] = max(view.speed, values.creep)
        if self._fallback.planned:
            elapsed = self._fallback.age + min(max(view.since, 0.0), 10.0 * values.period)
            ahead = np.interp(elapsed, work.times, self._plan.nodes[:, ACCELERATION])
            now[8] = min(max(float(ahead), -values.deceleration), values.acceleration)
            carry_forward(values, work, self._plan, self._next, elapsed, now)
        else:
            start_plan(values, self._track, work, self._next, float(view.s), now)
        look_ahead(values, self._track, work, self._next, float(view.s))

    def iterate(self) -> bool:
        """Take one step of sequential quadratic programming from the prepared point; whether it was solved."""
        work, plan = self._work, self._next
        self.substeps = self._integrate(
            work.crossing, plan.nodes, plan.asked, plan.jerks, work.bends, work.spans
        )
        condense(self._values, work, self._stages, plan, self._corridor, self._scratch, self._adjoint)
        solution = self._solve()
        if solution is None:
            return False
        unfold(work, solution, plan)
        return True

    def terms(self) -> dict[str, float]:
        """Give what the last plan says; empty without one.

        `predicted_error` [m] the largest, `predicted_curvature` [1/m] the largest asked for, `predicted_speed` [m/s] and
        `planned_speed` [m/s] at the horizon's end, `bounds_on_inputs`, `bounds_on_rows` how many are active, the solver's
        `iterations`, `failures` in a row; where less than the plan's speed is asked for, `speed_asked` [m/s] and
        `acceleration_asked` [m/s²].
        """
        if not self._fallback.planned or not self._solver.info:
            return {}
        plan, work = self._plan, self._work
        error = plan.nodes[np.argmax(np.abs(plan.nodes[:, OFFSET])), OFFSET]
        active = np.abs(self._solver.info["lam"]) > _ACTIVE
        found = {
            "predicted_error": float(error),
            "predicted_curvature": float(plan.asked[np.argmax(np.abs(plan.asked))]),
            "predicted_speed": float(plan.nodes[-1, SPEED]),
            "planned_speed": float(work.planned[-1, 0]),
            "bounds_on_inputs": float(np.count_nonzero(active[: work.gradient.size])),
            "bounds_on_rows": float(np.count_nonzero(active[work.gradient.size :])),
            "iterations": float(self._solver.info["iterations"]),
            "failures": float(self._fallback.failures),
        }
        if self.speed is not None:
            found |= {"speed_asked": self.speed[0], "acceleration_asked": self.speed[1]}
        return found

    def _solve(self) -> NDArray[np.float64] | None:
        """Give the optimal inputs of the programme in `work`, shape (m,), or None."""
        # Of a view beyond all reason the products may overflow.
        if not math.isfinite(float(self._work.gradient.sum() + self._work.hessian.sum())):
            return None
        found = self._solver.solve()
        self.counts["corridor_left"] += int(found is not None and self._solver.violated)
        return found

    def _ask_speed(self, view: View) -> None:
        """Ask for the speeds of this law's plan where limits on the curvature hold the vehicle back, else for none.

        What is asked for moves at the envelope's acceleration and deceleration, from the track's plan and back to it.
        """
        work, nodes, values, response = self._work, self._plan.nodes, self._values, self._late
        m, n = work.gradient.size, work.spans.size
        slower = nodes[1:, SPEED] < work.planned[1:, 0] - SLOWED
        active = np.abs(self._solver.info["lam"][m : m + n]) > _ACTIVE
        braking = float(np.interp(response[0], work.times, nodes[:, ACCELERATION]))
        late = response[0] if braking < 0.0 else response[1]
        ahead = float(view.s) + float(view.speed) * late
        highest = values.speed_factor * float(planned_speed(self._track, ahead)[0])
        wanted = math.inf
        if slower.any() and active.any():
            wanted = float(np.interp(late, work.times, nodes[:, SPEED]))
        last = self._asked_speed
        low, high = last - values.deceleration * values.period, last + values.acceleration * values.period
        # A last value that is infinite stands for the plan's.
        asked = min(max(wanted, min(low, highest - values.deceleration * values.period)), high)
        self._asked_speed, self.speed = math.inf, None
        if asked < highest:
            self._asked_speed = asked
            self.speed = (asked, float(np.interp(late, work.times, nodes[:, ACCELERATION])))
            self.counts["slowed"] += 1

    def _fall_back(self, why: str) -> float:
        """Give the last plan's input at the present time; NaN where that is no answer."""
        wanted = self._fallback.answer(why, self._middles, self._plan.asked, self._previous)
        self._previous = wanted if math.isfinite(wanted) else self._previous
        return wanted


def _lateness(response: Response) -> tuple[float, float]:
    """Give how far ahead brake and drive read, s, beyond the dead time of the steering that the horizon begins with."""
    return (
        max(response.brake_dead_time + response.brake_lag - response.dead_time, 0.0),
        max(response.drive_dead_time + response.drive_lag - response.dead_time, 0.0),
    )
