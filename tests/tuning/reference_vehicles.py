"""The cars of `commonroad-vehicle-models` (module `vehiclemodels`, BSD-3) as vehicles of this bench.

Source: M. Althoff, G. Würsching, "CommonRoad: Vehicle Models" (2020), as the package has it: its models KS
(kinematic single-track, rear axle), ST (single-track, small angles, centre of gravity) and MB (29 states,
Pacejka tyres, after a simulation of the US Department of Transportation), parameter sets of cars 1, 2 and 3.

Signs. KS and ST are in the axes of ISO 8855. MB has z down and its left wheels outside in a turn of positive
yaw rate, so its y points right (ISO 8855's mirror image, SAE J670): positive steering, yaw rate and slip are
to its right. It is a mirror image but for a small side force of longitudinal slip (r_vy1), so its lateral
motion is read here as if it were to the left, and drives go both ways. Its tyre force is −|K| α at small slip α = atan(v/u) − δ: same sign as here.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from vehiclemodels.vehicle_parameters import setup_vehicle_parameters

import tuning

__all__ = [
    "CARS",
    "GRAVITY",
    "axle_loads",
    "axle_stiffnesses",
    "camber_by_roll",
    "parameters",
    "vehicle",
    "vehicle_of_single_track",
]

CARS = (1, 2, 3)
GRAVITY = 9.81  # m/s², of its equations
# m. Its tyres answer at once; ours then do after the path of 5 ms, their shortest.
NO_RELAXATION = 0.001


@cache
def parameters(car: int) -> Any:
    """Give the package's own parameter object of a car; never changed here."""
    return setup_vehicle_parameters(vehicle_id=car)


def axle_loads(p: Any) -> tuple[float, float]:
    """Give the static loads (N) of front and rear axle in MB, both tyres, as its `init_mb` has them.

    Sprung mass by the lever rule, and each axle's own unsprung mass: F_zf = (m_s b/L + m_uf) g.
    """
    length = p.a + p.b
    return (
        (p.m_s * p.b / length + p.m_uf) * GRAVITY,
        (p.m_s * p.a / length + p.m_ur) * GRAVITY,
    )


def camber_by_roll(p: Any) -> tuple[float, float, float]:
    """Give roll of the body and camber of front and rear wheels in a steady turn, rad/(m/s²), all positive.

    Springs and stabiliser (its K_ts is negative) give an axle the roll stiffness k = K_s T²/2 − K_ts, and its
    tyres t = K_zt T²/2. The sprung mass leans about the road, where MB has its roll axis:

        φ = m_s h_s a_y/(Σ k t/(k + t) − m_s g h_s)

    the axle with it by φ_u = φ k/(k + t), and the suspension takes a part of the lean off the wheel, D < 0:
    γ = φ + D T/2 (φ − φ_u).
    """
    springs = [0.5 * p.K_sf * p.T_f**2 - p.K_tsf, 0.5 * p.K_sr * p.T_r**2 - p.K_tsr]
    tyres = [0.5 * p.K_zt * p.T_f**2, 0.5 * p.K_zt * p.T_r**2]
    stiffness = sum(k * t / (k + t) for k, t in zip(springs, tyres, strict=True))
    roll = p.m_s * p.h_s / (stiffness - p.m_s * GRAVITY * p.h_s)
    front, rear = (
        roll + 0.5 * d * width * roll * (1.0 - k / (k + t))
        for d, width, k, t in zip((p.D_f, p.D_r), (p.T_f, p.T_r), springs, tyres, strict=True)
    )
    return roll, front, rear


def axle_stiffnesses(p: Any, roll_camber: bool = True) -> tuple[float, float]:
    """Give the effective cornering stiffnesses (N/rad) of front and rear axle of MB.

    Tyres: the magic formula D sin(C atan(B x − E (B x − atan B x))) + S_v with x = α + S_h has the slope B C
    D, and its coefficients say B = K/(C D) with K = p_ky1 F_z: proportional to the load, so load transfer
    does not change an axle's C = −p_ky1 F_z,axle.

    Roll camber: with S_h = p_hy3 γ and S_v = p_vy3 γ F_z, camber does what a slip of ε γ does, ε = p_hy3 +
    p_vy3/p_ky1. The wheels lean out of the turn with the body. That pulls a real wheel outward (from memory);
    in MB the sign of the term pulls inward. So a front axle of MB needs the slip F/C − ε γ, where γ = Γ a_y
    and a_y = F L/(m b), and
    1/C_eff = 1/C − ε Γ L/(m b), with a for b at the rear.
    That such effects make an effective axle: H. B. Pacejka, Tyre and Vehicle Dynamics, ch. 1 (from memory).
    Left out: p_hy1 and p_vy1, which make its force jump by 0.001 rad of slip as a wheel crosses the upright.
    """
    length = p.a + p.b
    stiffnesses = [-p.tire.p_ky1 * load for load in axle_loads(p)]
    if roll_camber:
        _, *cambers = camber_by_roll(p)
        slip = p.tire.p_hy3 + p.tire.p_vy3 / p.tire.p_ky1
        borne = (p.m * p.b / length, p.m * p.a / length)
        stiffnesses = [
            1.0 / (1.0 / stiffness - slip * camber / mass)
            for stiffness, camber, mass in zip(stiffnesses, cambers, borne, strict=True)
        ]
    return stiffnesses[0], stiffnesses[1]


def vehicle(car: int, model: str = "single-track", roll_camber: bool = True, **values: Any) -> tuning.Vehicle:
    """Give a car of MB as a vehicle of this bench: every value from its file, none fitted to its motion.

    Its µ is p_dy1, the lateral friction of its tyres upright. Its file has no compliance of the steering.
    """
    return _vehicle(car, model, *axle_stiffnesses(parameters(car), roll_camber), values)


def vehicle_of_single_track(car: int, acceleration: float = 0.0, **values: Any) -> tuning.Vehicle:
    """Give a car of ST as a vehicle of this bench, at a longitudinal acceleration (m/s²).

    ST has C = µ C_S F_z with µ C_S = −p_ky1 and loads that an acceleration shifts by the height h_s:
    F_zf = m (g b − a_x h)/L, F_zr = m (g a + a_x h)/L.
    """
    p = parameters(car)
    stiffness = -p.tire.p_ky1 * p.m / (p.a + p.b)
    front = stiffness * (GRAVITY * p.b - acceleration * p.h_s)
    rear = stiffness * (GRAVITY * p.a + acceleration * p.h_s)
    return _vehicle(car, "single-track", front, rear, values)


def _vehicle(car: int, model: str, front: float, rear: float, values: dict[str, Any]) -> tuning.Vehicle:
    p = parameters(car)
    found = tuning.Vehicle.model_validate(
        {
            "body": {
                "wheelbase": p.a + p.b,
                "mass": p.m,
                "yaw_inertia": p.I_z,
                "front_axle_distance": p.a,
                "width": p.w,
                "centre_height": p.h_cg,
                "model": model,
            },
            "tyres": {
                "cornering_stiffness_front": front,
                "cornering_stiffness_rear": rear,
                "friction": p.tire.p_dy1,
                "relaxation_length": NO_RELAXATION,
            },
            "steering": {"rate_limit": p.steering.v_max, "angle_limit": p.steering.max},
            "drive": {"front_share": p.T_se, "brake_front_share": p.T_sb},
        }
    )
    return found.replace(**values)
