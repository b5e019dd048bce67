"""The cars of the package `commonroad-vehicle-models` (module `vehiclemodels`, BSD-3) as vehicles of this bench.

Source: M. Althoff, G. Würsching, "CommonRoad: Vehicle Models" (2020), as the package has it: its models KS (kinematic
single-track, rear axle), ST (single-track, small angles, centre of gravity) and MB (29 states, Pacejka tyres, after
the vehicle dynamics of R. W. Allen et al. for the US DOT), parameter sets of the cars 1, 2 and 3.

Signs. KS and ST are in the axes of ISO 8855. MB has z down and its left wheels outside in a turn of positive yaw
rate, so its y points right (ISO 8855's mirror image, SAE J670): positive steering, yaw rate and slip are to its right.
As it is a mirror image throughout, its lateral motion is read here as if it were to the left, and drives go both ways.
Its tyre force is −|K| α at small slip α = atan(v/u) − δ: same sign as here.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from vehiclemodels.vehicle_parameters import setup_vehicle_parameters

import tuning

__all__ = ["CARS", "GRAVITY", "axle_loads", "parameters", "vehicle", "vehicle_of_single_track"]

CARS = (1, 2, 3)
GRAVITY = 9.81  # m/s², of its equations


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


def vehicle(car: int, model: str = "single-track", **values: Any) -> tuning.Vehicle:
    """Give a car of MB as a vehicle of this bench: every value from its file, none fitted to its motion.

    Cornering stiffness of an axle: the magic formula F = D sin(C atan(B α − E (B α − atan B α))) has the slope B C D
    at α = 0. Its coefficients say B = K/(C D) with K = p_ky1 F_z, so the slope is p_ky1 F_z, negative in its axes,
    and proportional to the load: C_axle = −p_ky1 F_z,axle, to which two tyres add up however the load is shared.
    """
    p = parameters(car)
    front, rear = axle_loads(p)
    return _vehicle(car, model, -p.tire.p_ky1 * front, -p.tire.p_ky1 * rear, values)


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
                "model": model,
            },
            "tyres": {"cornering_stiffness_front": front, "cornering_stiffness_rear": rear},
            "steering": {"rate_limit": p.steering.v_max, "angle_limit": p.steering.max},
        }
    )
    return found.replace(**values)
