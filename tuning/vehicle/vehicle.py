"""The vehicle: tables of measured values, and the parameters that laws and equations of motion take from them."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Any, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, model_validator

from tracker.inner_loops import InnerLoops
from tracker.response import Response
from tracks.errors import InputError
from tuning.vehicle.model import KINEMATIC, MODELS
from tuning.vehicle.parameters import DeadTimes, PlantParameters
from tuning.vehicle.resistance import GRAVITY
from tuning.vehicle.tables import Body, Drive, Link, Provenance, Steering, Tyres

__all__ = ["Vehicle", "understeer_gradient"]

# (m/s²)/rad. Axle stiffness over mass (and the like in yaw) bounds the fastest pole of the body: at 3 m/s, where
# the dynamic form stands alone, 1000 gives 333 1/s, which RK4 at 5 ms follows. Road vehicles lie near 200.
_STIFFEST_BODY = 1000.0

# rad/(m/s²), either way: the bound that `tyres.understeer_gradient` and `tracker.Response` have too. 56 deg/g, ten
# times that of a car that understeers much.
_LARGEST_GRADIENT = 0.1

_NO_LIMIT = 1e9

# 1/s. A steering column without power is turned back by the tyres' aligning moment within about a second; common
# practice, no source.
_RETURN_RATE = 2.0


def understeer_gradient(
    mass: float,
    front_axle_distance: float,
    rear_axle_distance: float,
    stiffness_front: float,
    stiffness_rear: float,
) -> float:
    """Give the understeer gradient in rad/(m/s²) from mass (kg), axle distances (m) and axle stiffnesses (N/rad).

    K = m b/(C_f L) − m a/(C_r L), with a, b from the centre of gravity to front and rear axle and L = a + b
    (Rajamani, Vehicle Dynamics and Control, ch. 3: from memory). Positive understeers.
    """
    wheelbase = front_axle_distance + rear_axle_distance
    return mass / wheelbase * (rear_axle_distance / stiffness_front - front_axle_distance / stiffness_rear)


class Vehicle(BaseModel):
    """An identified by-wire vehicle; `Vehicle.load` reads one from a file, `save` writes it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    body: Body
    tyres: Tyres = Tyres()
    steering: Steering = Steering()
    drive: Drive = Drive()
    link: Link = Link()
    provenance: Provenance = Provenance()

    @model_validator(mode="after")
    def _model_is_possible(self) -> Self:
        missing = self._missing_for_single_track()
        if self.body.model not in (None, "kinematic") and missing:
            raise InputError(
                f'body.model is "{self.body.model}" without {", ".join(missing)}',
                "mass, front_axle_distance and both axle stiffnesses",
                'add them, or set model = "kinematic"',
            )
        if self.model_code != KINEMATIC:
            self._check_stiffness()
            self._check_understeer()
        return self

    def _missing_for_single_track(self) -> list[str]:
        needed = {
            "body.mass": self.body.mass,
            "body.front_axle_distance": self.body.front_axle_distance,
            "tyres.cornering_stiffness_front": self.tyres.cornering_stiffness_front,
            "tyres.cornering_stiffness_rear": self.tyres.cornering_stiffness_rear,
        }
        return [name for name, value in needed.items() if value is None]

    def _check_stiffness(self) -> None:
        p = self.plant
        lateral = (p.stiffness_front + p.stiffness_rear) / p.mass
        yaw = (
            p.stiffness_front * p.front_axle_distance**2 + p.stiffness_rear * p.rear_axle_distance**2
        ) / p.yaw_inertia
        if max(lateral, yaw) > _STIFFEST_BODY:
            raise InputError(
                f"the cornering stiffnesses are {p.stiffness_front:g} and {p.stiffness_rear:g} N/rad "
                f"for a mass of {p.mass:g} kg and a yaw inertia of {p.yaw_inertia:g} kg m²",
                f"at most {_STIFFEST_BODY:g} (m/s²)/rad of stiffness over mass",
                "check the units (N/rad an axle, kg)",
            )

    def _check_understeer(self) -> None:
        gradient = self.plant.understeer_gradient
        if abs(gradient) > _LARGEST_GRADIENT:
            raise InputError(
                f"the axles give an understeer gradient of {gradient:.3g} rad/(m/s²)",
                f"{-_LARGEST_GRADIENT:g} to {_LARGEST_GRADIENT:g}",
                "check the cornering stiffnesses (N/rad an axle) and front_axle_distance",
            )

    @classmethod
    def load(cls, path: str | FilePath) -> Self:
        """Read a vehicle file; raises `FileError` with file, line or field, and remedy."""
        from tuning.vehicle.files import read_vehicle

        return read_vehicle(cls, path)

    def save(self, path: str | FilePath) -> None:
        """Write a vehicle file, whole or not at all, each value with its unit."""
        from tuning.vehicle.files import write_vehicle

        write_vehicle(self, path)

    def replace(self, **values: Any) -> Self:
        """Give the same vehicle with other values, by dotted name: `replace(**{"steering.dead_time": 0.2})`.

        A table goes by its own name: `replace(provenance=...)`. Every rule is checked anew.
        """
        tables: dict[str, Any] = {name: dict(getattr(self, name)) for name in type(self).model_fields}
        for name, value in values.items():
            table, _, field = name.partition(".")
            if table not in tables or (field and field not in tables[table]):
                raise InputError(
                    f"{name!r} is no value of a vehicle",
                    "a table and field such as steering.dead_time",
                    "correct the name",
                )
            if field:
                tables[table][field] = value
            else:
                tables[table] = value
        return type(self).model_validate(tables)

    @property
    def model_code(self) -> int:
        """Code of the equations that the vehicle is simulated with, a value of `MODELS`."""
        return MODELS[self.model_name]

    @property
    def model_name(self) -> str:
        """Name of the equations that the vehicle is simulated with, a key of `MODELS`."""
        if self.body.model is not None:
            return self.body.model
        return "kinematic" if self._missing_for_single_track() else "single-track"

    @property
    def dead_times(self) -> DeadTimes:
        """Dead times of steering, drive and brake, s."""
        return DeadTimes(
            float(self.steering.dead_time), float(self.drive.dead_time), float(self.drive.brake_dead_time)
        )

    @property
    def plant(self) -> PlantParameters:
        """Constants of the equations of motion.

        Where they are not known, the centre of gravity is taken in the middle of the wheelbase and the yaw
        inertia as m a b: published cars lie at 0.75 to 1.05 times that. The understeer gradient of a
        single-track vehicle follows from its axles.
        """
        body, tyres, steering, drive = self.body, self.tyres, self.steering, self.drive
        front = body.front_axle_distance or 0.5 * body.wheelbase
        rear = body.wheelbase - front
        mass = body.mass or 0.0
        tyre_front = tyres.cornering_stiffness_front or 0.0
        stiffness_front = tyre_front / (1.0 + tyre_front * steering.compliance)
        stiffness_rear = tyres.cornering_stiffness_rear or 0.0
        gradient = tyres.understeer_gradient
        if self.model_code != KINEMATIC:
            gradient = understeer_gradient(mass, front, rear, stiffness_front, stiffness_rear)
        values = PlantParameters(
            wheelbase=body.wheelbase,
            mass=mass,
            yaw_inertia=body.yaw_inertia or mass * front * rear,
            front_axle_distance=front,
            rear_axle_distance=rear,
            centre_height=body.centre_height,
            drag_area=body.drag_area,
            viscous_drag=body.viscous_drag,
            side_area=body.side_area,
            pressure_centre=body.pressure_centre,
            stiffness_front=stiffness_front,
            stiffness_rear=stiffness_rear,
            tyre_stiffness_front=tyre_front,
            understeer_gradient=gradient,
            friction=tyres.friction,
            relaxation_length=tyres.relaxation_length,
            rolling_resistance=tyres.rolling_resistance,
            natural_frequency=steering.natural_frequency,
            damping=steering.damping,
            steering_lag=steering.lag or 0.0,
            rate_limit=steering.rate_limit,
            rate_demand=1.0 if steering.rate_limited == "demand" else 0.0,
            steering_acceleration_limit=steering.angular_acceleration_limit or _NO_LIMIT,
            angle_limit=steering.angle_limit,
            gain=steering.gain,
            offset=steering.offset,
            resolution=steering.resolution,
            dead_band=steering.dead_band,
            play=0.5 * steering.backlash,
            compliance=steering.compliance,
            return_rate=_RETURN_RATE if steering.unpowered == "returns" else 0.0,
            drive_lag=drive.lag,
            brake_lag=drive.brake_lag,
            drive_gain=drive.drive_gain,
            brake_gain=drive.brake_gain,
            drive_jerk_limit=drive.jerk_limit or _NO_LIMIT,
            brake_jerk_limit=drive.brake_jerk_limit or _NO_LIMIT,
            speed_gain=drive.speed_gain,
            speed_integral_gain=drive.speed_integral,
            hand_over=drive.hand_over,
            acceleration_limit=drive.acceleration_limit,
            deceleration_limit=drive.deceleration_limit,
            throttle_free=drive.throttle_free,
            throttle_bend=drive.throttle_bend,
            brake_free=drive.brake_free,
            drive_fade=1.0 / drive.no_load_speed if drive.no_load_speed is not None else 0.0,
            motor_drag=drive.motor_drag,
            drive_front_share=drive.front_share,
            brake_front_share=drive.brake_front_share,
        )
        return PlantParameters(*(float(value) for value in values))

    @property
    def response(self) -> Response:
        """What a tracking law may know of the vehicle; the steering's lag is 2 ζ/ω, its delay to a slow ramp."""
        body, tyres, steering = self.body, self.tyres, self.steering
        single_track = self.model_code != KINEMATIC
        plant = self.plant
        return Response(
            wheelbase=body.wheelbase,
            dead_time=steering.dead_time,
            lag=steering.lag or 2.0 * steering.damping / steering.natural_frequency,
            understeer_gradient=plant.understeer_gradient,
            gain=steering.gain,
            offset=steering.offset,
            angle_limit=steering.reach,
            rate_limit=steering.rate_limit,
            width=body.width,
            mass=body.mass,
            yaw_inertia=body.yaw_inertia,
            front_axle_distance=body.front_axle_distance,
            # A kinematic vehicle has no side-slip for a law to reckon with.
            cornering_stiffness_front=plant.stiffness_front if single_track else None,
            cornering_stiffness_rear=tyres.cornering_stiffness_rear if single_track else None,
            drive_dead_time=self.drive.dead_time,
            drive_lag=self.drive.lag,
            brake_dead_time=self.drive.brake_dead_time,
            brake_lag=self.drive.brake_lag,
        )

    @property
    def inner_loops(self) -> InnerLoops:
        """Loops around the positions of throttle and brake of a vehicle that takes these, with the [drive] gains.

        Full throttle and full brake are `acceleration_limit` and `deceleration_limit` with the rolling resistance;
        without a `speed_integral` in the file the loops have their own, which grade and drag need.
        """
        drive = self.drive
        coasting = self.tyres.rolling_resistance * GRAVITY
        usual = InnerLoops.model_fields
        return InnerLoops(
            full_throttle=max(drive.acceleration_limit - coasting, 0.1 * drive.acceleration_limit),
            full_brake=min(drive.deceleration_limit + coasting, 50.0),
            speed_gain=drive.speed_gain or usual["speed_gain"].default,
            speed_integral=drive.speed_integral or usual["speed_integral"].default,
            coasting=min(coasting, 0.5 * drive.deceleration_limit),
            hand_over=max(drive.hand_over, usual["hand_over"].default),
        )

    def steering_number(self, angle: float) -> float:
        """Give the number to send for a road-wheel angle (rad, + left), by the inverse static map.

        The ends of the map hold beyond it. Raises `InputError` where the interface takes no number.
        """
        if self.steering.interface != "number":
            raise InputError(
                f'the steering takes interface "{self.steering.interface}"',
                'interface "number", which has a static map',
                "send the curvature or angle itself",
            )
        return float(np.interp(angle, self.steering.map_angle, self.steering.map_command))
