"""Model-predictive control: the inputs that keep the vehicle on the path ahead, within its limits, at least cost.

Linear and time-varying in path coordinates: `mpc_model` is the model, `mpc_preview` what lies ahead, `mpc_terminal`
the cost beyond the horizon, `mpc_qp` the quadratic programme, `mpc_speed` that of the speed and `mpc_runner` a step of
it all. The first step of the horizon is the tracker's period, so what the plan does first is what really happens until
the next one.
"""

from __future__ import annotations

import math
from typing import ClassVar, Self

from pydantic import Field, model_validator

from tracker.envelope import EnvelopeValues
from tracker.laws.base import IN_PYTHON
from tracker.laws.mpc_runner import MPCRunner
from tracker.laws.mpc_speed import SPEED_NODES
from tracker.laws.mpc_terminal import SPEEDS
from tracker.laws.mpc_terms import UNITS
from tracker.laws.mpc_values import MpcValues
from tracker.laws.tolerances import Tolerant
from tracker.options import Options
from tracker.response import Response
from tracker.schedule import Positive, value_at
from tracks import Track
from tracks.errors import InputError

__all__ = ["MPC", "MPCRunner"]

_SPEED_HORIZON = (
    3.0  # s, at least: longer than it takes to build up and let off any braking under a jerk limit
)
_SPEED_BREACH = 0.01  # m/s above what can be held that costs half a unit in a second, see `mpc_speed`


class MPC(Tolerant):
    """Linear time-varying model-predictive control in path coordinates, a condensed quadratic programme per step.

    What the tolerances mean and which bandwidth they make, `Tolerant` says.
    """

    kernel: ClassVar[int] = IN_PYTHON
    term_units: ClassVar[dict[str, str]] = UNITS

    lateral_acceleration_tolerance: Positive = Field(
        default=3.0, description="m/s²: v² times the departure from the path's own curvature"
    )
    corridor_tolerance: float = Field(
        default=0.05,
        gt=0,
        allow_inf_nan=False,
        description="m: of an excursion beyond the corridor less margin and half width; soft, costs its square",
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
    reach: float = Field(
        default=0.0,
        ge=0,
        allow_inf_nan=False,
        description="m: length of the horizon as a distance, a step then lasting 0.02 to 0.5 s; 0: `step` holds",
    )
    moves: int | tuple[int, ...] = Field(
        default=10,
        description="free inputs, linear in between: how many, ever further apart; or the steps from each to the next",
    )
    plans_speed: bool = Field(
        default=True, description="slow down for what the vehicle cannot hold; else the track's plan is taken"
    )
    jerk: float = Field(
        default=2.5,
        gt=0,
        allow_inf_nan=False,
        description="m/s³: limit on the rate of the acceleration asked for (ISO 15622 at speed: from memory)",
    )

    @model_validator(mode="after")
    def _moves_fit(self) -> Self:
        moves = self.moves
        if isinstance(moves, int):
            if moves < 3:
                raise InputError(f"moves is {moves}", "at least 3 free inputs", "the default is 10")
        elif min(moves, default=0) < 1 or sum(moves) != self.horizon or moves[0] != 1 or len(moves) < 2:
            raise InputError(
                f"moves is {moves} with a horizon of {self.horizon} steps",
                "two or more lengths of at least 1 step, the first 1, that add up to the horizon",
                "mend the lengths, or give a number",
            )
        return self

    def start(
        self, response: Response, envelope: EnvelopeValues, track: Track, period: float, speed_factor: float
    ) -> MPCRunner:
        """Make the runner; solves for the terminal cost at each speed of its table (some milliseconds)."""
        return MPCRunner(self, response, envelope, track, float(period), float(speed_factor))

    def weights_at(self, speed: float) -> tuple[float, ...]:
        """Give the weights of the six tolerances, in the order of `weights_of`, at a speed [m/s]."""
        tolerances = (
            self.lateral_tolerance, self.heading_tolerance, self.lateral_velocity_tolerance,
            self.curvature_rate_tolerance, self.lateral_jerk_tolerance, self.lateral_acceleration_tolerance,
        )  # fmt: skip
        return tuple(value_at(tolerance, speed) ** -2 for tolerance in tolerances)

    def values(
        self, response: Response, envelope: EnvelopeValues, period: float, speed_factor: float, creep: float,
        fastest: float,
    ) -> MpcValues:  # fmt: skip
        """Give the settings for compiled code; arguments as in `Law.start`, and the ends of the table's speeds, m/s."""
        ahead = max(self.horizon * self.step, _SPEED_HORIZON)
        return MpcValues(
            period=period,
            step=self.step,
            stride=self.reach / self.horizon,
            corridor_weight=self.corridor_tolerance**-2,
            half_width=0.5 * (response.width or 0.0) + self.corridor_margin,
            creep=creep,
            per_log_speed=(SPEEDS - 1) / math.log(fastest / creep),
            speed_step=(ahead - period) / (SPEED_NODES - 1),
            speed_weight=_SPEED_BREACH**-2,
            speed_factor=speed_factor,
            jerk=self.jerk,
            response=response.values,
            envelope=envelope,
            options=Options(
                period, 1.0 if self.plans_speed else speed_factor, 1.0, math.inf, math.inf, math.inf
            ),
        )
