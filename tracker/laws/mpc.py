"""Model-predictive control: the inputs that keep the vehicle on the path ahead, within its limits, at least cost.

Linear and time-varying in path coordinates: `mpc_model` is the model, `mpc_preview` what lies ahead, `mpc_terminal`
the cost beyond the horizon and `mpc_qp` the quadratic programme, which DAQP solves (D. Arnström, A. Bemporad,
D. Axehill, IEEE Trans. Automatic Control 67(8), 2022). The first step of the horizon is the tracker's period, so
what the plan does first is what really happens until the next one.
"""

from __future__ import annotations

import math
from typing import ClassVar

import daqp  # pyright: ignore[reportMissingImports]  # a compiled module without stubs
import numpy as np
from pydantic import Field

from tracker.envelope import EnvelopeValues
from tracker.laws.base import IN_PYTHON, Gain, Law, View
from tracker.laws.mpc_qp import condense
from tracker.laws.mpc_terminal import SPEEDS, terminal_table
from tracker.laws.mpc_values import MpcValues
from tracker.laws.mpc_work import new_work
from tracker.response import Response
from tracks import Track

__all__ = ["MPC", "PATIENCE", "MPCRunner"]

PATIENCE = 10  # fallbacks in a row, 0.2 s at 50 Hz: time to pass a bad measurement, not to drive blind
_CREEP = 0.2  # 1/s, times the wheelbase: the lowest speed predicted with; at rest no input moves the model
_FASTEST = 1.5  # of the plan's top speed: the end of the table of terminal costs
_OPTIMAL = (1, 2)  # DAQP: optimal, optimal with a soft constraint violated
_SOLVER = {
    "primal_tol": 1e-8,  # of a bound, in 1/m or less: the cost is scaled so that a row's norm is at most about 1
    "zero_tol": 1e-14,  # square of the norm below which a row counts as empty
    "eps_prox": 0.0,  # the Hessian is positive definite
    "iter_limit": 500,  # some ten times what a hard programme takes; bounds the time of a step
}  # fmt: skip


class MPCRunner:
    """An `MPC` on one track, with its last command and plan; see `Law.start` for the arguments."""

    def __init__(
        self,
        law: MPC,
        response: Response,
        envelope: EnvelopeValues,
        track: Track,
        period: float,
        speed_factor: float,
    ) -> None:
        arrays = track.arrays
        creep = _CREEP * response.wheelbase
        fastest = max(_FASTEST * speed_factor * float(np.max(arrays.speed)), 10.0 * creep)
        self._values = law.values(
            response, envelope, period, speed_factor, creep, (SPEEDS - 1) / math.log(fastest / creep)
        )
        self._corridor = bool(np.any(np.isfinite(arrays.corridor_left) | np.isfinite(arrays.corridor_right)))
        table = terminal_table(self._values, creep, fastest)
        self._work = new_work(self._values, law.horizon, self._corridor, table)
        self._track = arrays
        self._middles = np.cumsum(self._work.spans) - 0.5 * self._work.spans
        self._solver: daqp.Model | None = None
        self._plan: np.ndarray | None = None
        self._age = 0.0  # of the plan, s
        self._failures = 0  # in a row
        self._previous = math.nan
        self.counts = {"fallback": 0}

    def curvature(self, view: View) -> float:
        """Give the first input of the optimal plan, 1/m, + left; the last plan's where there is none; else NaN."""
        work, limit = self._work, self._values.curvature
        total = view.s + view.lateral_error + view.heading_error + view.curvature + view.speed
        if not math.isfinite(total):
            return self._fall_back()
        if math.isnan(self._previous):
            self._previous = min(max(float(view.curvature), -limit), limit)
        condense(
            self._values, self._track, work, self._corridor, float(view.s), float(view.lateral_error),
            float(view.heading_error), float(view.curvature), float(view.speed), self._previous,
        )  # fmt: skip
        plan = self._solve()
        if plan is None:
            return self._fall_back()
        self._plan, self._age, self._failures = plan, 0.0, 0
        self._previous = min(max(float(plan[0]), work.lower.item(0)), work.upper.item(0))
        return self._previous

    def restart(self, curvature: float) -> None:
        """Forget the last plan and go on from a path curvature that is driven now, 1/m, + left."""
        limit = self._values.curvature
        self._solver, self._plan, self._age, self._failures = None, None, 0.0, 0
        self._previous = min(max(curvature, -limit), limit)

    def _solve(self) -> np.ndarray | None:
        """Give the optimal inputs of the programme in `work`, shape (n,), 1/m, or None."""
        work = self._work
        problem = (work.hessian, work.gradient, work.rows, work.upper, work.lower, work.kinds)
        solver = self._solver
        if solver is None:
            solver = daqp.Model()
            solver.settings = _SOLVER
            flag, _ = solver.setup(*problem)
            if self._corridor:
                ones = np.ones_like(work.upper)
                solver.soft_weights(ones, ones)
        else:
            flag = solver.update(*problem)
        # Whatever spoils a solver's state, the next programme starts afresh: it is kept only after success.
        self._solver = None
        if flag < 0:
            return None
        plan, cost, flag, _ = solver.solve()
        if flag not in _OPTIMAL or not math.isfinite(cost):
            return None
        self._solver = solver
        return plan.copy()

    def _fall_back(self) -> float:
        """Give the last plan's input at the present time, or NaN without a plan or after PATIENCE in a row."""
        self.counts["fallback"] += 1
        self._failures += 1
        if self._plan is None or self._failures > PATIENCE:
            return math.nan
        values = self._values
        self._age += values.period
        # Between the middles of two steps the plan keeps the limit on rate.
        wanted = float(np.interp(self._age + 0.5 * values.period, self._middles, self._plan))
        step = values.curvature_rate * values.period
        self._previous = min(max(wanted, self._previous - step), self._previous + step)
        return self._previous


class MPC(Law):
    """Linear time-varying model-predictive control in path coordinates, a condensed quadratic programme per step.

    The tolerances say how large a deviation costs as much as another (Bryson's rule: weight 1/tolerance²); only
    their ratios matter. On a straight the loop's bandwidth is about (v² u̇ / e)^(1/3) rad/s with the tolerances u̇
    of the curvature rate and e of the lateral error, or (jerk/e)^(1/3) where the lateral jerk v² u̇ is the
    stricter of the two, as it is above walking pace.
    """

    kernel: ClassVar[int] = IN_PYTHON

    lateral_tolerance: float = Field(
        default=0.1, gt=0, allow_inf_nan=False, description="m: of the lateral error"
    )
    heading_tolerance: float = Field(
        default=0.1, gt=0, allow_inf_nan=False, description="rad: of the heading error; damps at low speed"
    )
    lateral_velocity_tolerance: float = Field(
        default=0.2, gt=0, allow_inf_nan=False, description="m/s: v times the heading error; damps at speed"
    )
    curvature_rate_tolerance: float = Field(
        default=0.05,
        gt=0,
        allow_inf_nan=False,
        description="1/(m s): of the commanded curvature's rate; decides at low speed",
    )
    lateral_jerk_tolerance: float = Field(
        default=1.0,
        gt=0,
        allow_inf_nan=False,
        description="m/s³: v² times the commanded curvature's rate; decides at speed",
    )
    lateral_acceleration_tolerance: float = Field(
        default=3.0,
        gt=0,
        allow_inf_nan=False,
        description="m/s²: v² times the departure from the path's own curvature",
    )
    corridor_tolerance: float = Field(
        default=0.05,
        gt=0,
        allow_inf_nan=False,
        description="m: of an excursion beyond the corridor less margin and half width",
    )
    corridor_margin: float = Field(
        default=0.1,
        ge=0,
        allow_inf_nan=False,
        description="m: kept between the vehicle's side and the corridor's edge",
    )
    horizon: int = Field(default=30, ge=2, le=100, description="steps")
    step: float = Field(
        default=0.1, ge=0.01, le=1.0, allow_inf_nan=False, description="s: length of a step of the horizon"
    )

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give three tolerances; that of the lateral jerk is the yardstick that they are measured against."""
        length = response.wheelbase
        quickest = response.rate_limit / length
        # With the jerk given, times go with the cube root of the lateral tolerance, so velocities with its 2/3.
        sideways = length ** (2.0 / 3.0)
        return {
            "lateral_tolerance": Gain(
                0.005 * length, 0.3 * length, True, "m", "smaller tracks tighter and steers harder"
            ),
            "lateral_velocity_tolerance": Gain(0.015 * sideways, sideways, True, "m/s", "smaller damps more"),
            "curvature_rate_tolerance": Gain(
                0.01 * quickest, quickest, True, "1/(m s)", "smaller calms the steering at low speed"
            ),
        }

    def start(
        self, response: Response, envelope: EnvelopeValues, track: Track, period: float, speed_factor: float
    ) -> MPCRunner:
        """Make the runner; solves for the terminal cost at each speed of its table (about a millisecond)."""
        return MPCRunner(self, response, envelope, track, float(period), float(speed_factor))

    def values(
        self,
        response: Response,
        envelope: EnvelopeValues,
        period: float,
        speed_factor: float,
        creep: float,
        per_log_speed: float,
    ) -> MpcValues:
        """Give the settings for compiled code; arguments as in `Law.start` and `MpcValues`."""
        return MpcValues(
            period=period,
            step=self.step,
            lateral_weight=self.lateral_tolerance**-2,
            heading_weight=self.heading_tolerance**-2,
            velocity_weight=self.lateral_velocity_tolerance**-2,
            rate_weight=self.curvature_rate_tolerance**-2,
            jerk_weight=self.lateral_jerk_tolerance**-2,
            acceleration_weight=self.lateral_acceleration_tolerance**-2,
            corridor_weight=self.corridor_tolerance**-2,
            half_width=0.5 * (response.width or 0.0) + self.corridor_margin,
            response=response.values,
            creep=creep,
            per_log_speed=per_log_speed,
            speed_factor=speed_factor,
            curvature=envelope.curvature,
            curvature_rate=envelope.curvature_rate,
            lateral_acceleration=envelope.lateral_acceleration,
        )
