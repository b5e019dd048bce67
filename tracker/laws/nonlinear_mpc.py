"""Nonlinear model-predictive control: the plan that keeps the vehicle on the path ahead at least cost, by its own equations.

Direct multiple shooting and the real-time iteration (M. Diehl, H. G. Bock, J. P. Schlöder, SIAM J. Control Optim.
43(5), 2005; from memory): in each period one step of sequential quadratic programming (Gauss-Newton) about the last
plan, carried forward, with the newest view as its first state. `nonlinear_mpc_model` is the model,
`nonlinear_mpc_integrator` its discretisation, `nonlinear_mpc_preview` what lies ahead, `nonlinear_mpc_qp` the quadratic
programme, which DAQP solves (D. Arnström, A. Bemporad, D. Axehill, IEEE Trans. Automatic Control 67(8), 2022).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from tracker.envelope import EnvelopeValues
from tracker.laws.base import IN_PYTHON, Gain, Law
from tracker.laws.mpc import MPC
from tracker.response import Response
from tracks import Track

if TYPE_CHECKING:
    from tracker.laws.nonlinear_mpc_runner import NonlinearMPCRunner

__all__ = ["NonlinearMPC"]


def _tolerance(default: float, description: str) -> float:
    return Field(default=default, gt=0, allow_inf_nan=False, description=description)


class NonlinearMPC(Law):
    """Nonlinear model-predictive control in path coordinates, one condensed quadratic programme per step.

    The tolerances say how large a deviation costs as much as another (Bryson's rule: weight 1/tolerance²); only
    their ratios matter. Those of the linear `MPC` mean the same here.
    """

    kernel: ClassVar[int] = IN_PYTHON
    term_units: ClassVar[dict[str, str]] = {
        "predicted_error": "m", "predicted_curvature": "1/m", "predicted_speed": "m/s", "planned_speed": "m/s",
        "speed_asked": "m/s", "acceleration_asked": "m/s²",
    }  # fmt: skip

    lateral_tolerance: float = _tolerance(0.1, "m: of the lateral error")
    heading_tolerance: float = _tolerance(
        0.1, "rad: of the course of the rear axle against the path; damps at low speed"
    )
    lateral_velocity_tolerance: float = _tolerance(
        0.2, "m/s: of the rear axle's velocity across the path; damps at speed"
    )
    curvature_rate_tolerance: float = _tolerance(
        0.05, "1/(m s): of the commanded curvature's rate; decides at low speed"
    )
    lateral_jerk_tolerance: float = _tolerance(
        1.0, "m/s³: v² times the commanded curvature's rate; decides at speed"
    )
    lateral_acceleration_tolerance: float = _tolerance(
        3.0, "m/s²: v² times the departure from the curvature of the path's own steady turn"
    )
    corridor_tolerance: float = _tolerance(
        0.05, "m: of an excursion beyond the corridor less margin and half width; soft, costs its square"
    )
    corridor_margin: float = Field(
        default=0.1,
        ge=0,
        allow_inf_nan=False,
        description="m: kept between the vehicle's side and the corridor's edge",
    )
    speed_tolerance: float = _tolerance(0.5, "m/s: of the speed against the track's plan")
    acceleration_tolerance: float = _tolerance(1.0, "m/s²: of the acceleration against the track's plan")
    jerk_tolerance: float = _tolerance(1.0, "m/s³: of the longitudinal jerk")
    horizon: int = Field(default=30, ge=2, le=100, description="steps")
    step: float = Field(
        default=0.1, ge=0.01, le=0.5, allow_inf_nan=False, description="s: length of a step of the horizon"
    )
    moves: int = Field(
        default=12,
        ge=2,
        le=100,
        description="free rates of the curvature over the horizon, each held for ever longer; half as many jerks",
    )
    jerk: float = _tolerance(
        2.5, "m/s³: limit on the rate of the acceleration asked for (ISO 15622 at speed: from memory)"
    )

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        """Give the three tolerances that the linear law has too; that of the lateral jerk is the yardstick."""
        return MPC.search_space(response)

    def start(
        self, response: Response, envelope: EnvelopeValues, track: Track, period: float, speed_factor: float
    ) -> NonlinearMPCRunner:
        """Make the runner; traces the model (some 50 ms, once for a vehicle) and solves for the terminal costs."""
        # Not needed before a drive, and with CasADi behind it.
        from tracker.laws.nonlinear_mpc_runner import NonlinearMPCRunner

        return NonlinearMPCRunner(self, response, envelope, track, float(period), float(speed_factor))
