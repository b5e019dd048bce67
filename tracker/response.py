"""What a law must know of the vehicle: size, delays, limits and, where known, tyres."""

from __future__ import annotations

from typing import NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tracks.errors import InputError

__all__ = ["Response", "ResponseValues"]


class ResponseValues(NamedTuple):
    """The numbers of a `Response` for compiled equations; 0.0 stands for a value that is not known."""

    wheelbase: float
    dead_time: float
    lag: float
    understeer_gradient: float
    gain: float
    offset: float
    angle_limit: float
    rate_limit: float
    width: float
    mass: float
    yaw_inertia: float
    front_axle_distance: float
    cornering_stiffness_front: float
    cornering_stiffness_rear: float
    drive_dead_time: float
    drive_lag: float
    brake_dead_time: float
    brake_lag: float


class Response(BaseModel):
    """How the vehicle answers a command, in the few values a tracking law may use.

    Angles are road-wheel angles of the equivalent single front wheel, positive to the left (ISO 8855).
    Defaults describe no vehicle in particular: an ideal one of middling size, without delay.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    wheelbase: float = Field(default=2.8, gt=0.0, le=30.0, description="wheelbase, m")
    dead_time: float = Field(default=0.0, ge=0.0, le=2.0, description="dead time of the steering, s")
    lag: float = Field(
        default=0.0,
        ge=0.0,
        le=10.0,
        description="first-order equivalent of the steering's lag, s (2 ζ/ω of second order)",
    )
    understeer_gradient: float = Field(
        default=0.0, ge=-0.1, le=0.1, description="understeer gradient, rad/(m/s²); negative oversteers"
    )
    gain: float = Field(default=1.0, gt=0.0, le=10.0, description="achieved over commanded road-wheel angle")
    offset: float = Field(
        default=0.0, ge=-0.5, le=0.5, description="road-wheel angle that results when 0 is asked, rad, + left"
    )
    angle_limit: float = Field(
        default=0.6, gt=0.0, lt=1.5, description="largest road-wheel angle either way, rad"
    )
    rate_limit: float = Field(default=0.8, gt=0.0, le=100.0, description="largest road-wheel rate, rad/s")
    width: float | None = Field(default=None, gt=0.0, le=10.0, description="width over the body, m")
    mass: float | None = Field(default=None, gt=0.0, description="mass, kg")
    yaw_inertia: float | None = Field(
        default=None, gt=0.0, description="yaw inertia about the centre of gravity, kg m²"
    )
    front_axle_distance: float | None = Field(
        default=None, gt=0.0, description="centre of gravity to front axle, m"
    )
    cornering_stiffness_front: float | None = Field(
        default=None, gt=0.0, description="cornering stiffness of the front axle, N/rad"
    )
    cornering_stiffness_rear: float | None = Field(
        default=None, gt=0.0, description="cornering stiffness of the rear axle, N/rad"
    )
    drive_dead_time: float = Field(default=0.0, ge=0.0, le=5.0, description="dead time of the drive, s")
    drive_lag: float = Field(default=0.0, ge=0.0, le=20.0, description="first-order lag of the drive, s")
    brake_dead_time: float = Field(default=0.0, ge=0.0, le=5.0, description="dead time of the brake, s")
    brake_lag: float = Field(default=0.0, ge=0.0, le=20.0, description="first-order lag of the brake, s")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.front_axle_distance is not None and self.front_axle_distance >= self.wheelbase:
            raise InputError(
                f"front_axle_distance is {self.front_axle_distance:g} m",
                f"less than the wheelbase of {self.wheelbase:g} m",
                "measure it from the centre of gravity to the front axle",
            )
        if abs(self.offset) >= self.angle_limit:
            raise InputError(
                f"offset is {self.offset:g} rad",
                f"a value within the angle_limit of {self.angle_limit:g} rad",
                "correct whichever is wrong; both are road-wheel angles in rad",
            )
        return self

    @property
    def backwards(self) -> Response:
        """The same vehicle seen along its direction of travel when it backs up.

        Slip at the axle that steers then turns the vehicle the other way, so the understeer gradient changes its sign.
        The delays of the body are left out: nobody backs up fast enough for them.
        """
        return self.model_copy(
            update={
                "understeer_gradient": -self.understeer_gradient,
                "mass": None,
                "yaw_inertia": None,
                "front_axle_distance": None,
                "cornering_stiffness_front": None,
                "cornering_stiffness_rear": None,
                "offset": -self.offset,
            }
        )

    @property
    def values(self) -> ResponseValues:
        """The same as a tuple of floats for compiled equations, 0.0 where a value is not known."""
        return ResponseValues(*(float(getattr(self, name) or 0.0) for name in ResponseValues._fields))
