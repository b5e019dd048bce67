"""The tables of a vehicle file: body, tyres, steering, drive, command link and where the values come from.

Angles are road-wheel angles of the equivalent single front wheel, positive to the left (ISO 8855). A default is a
middling value of common practice without a source; a file that leaves such a value out has it listed in
`provenance.assumed`. A refinement (backlash, drag, jitter, ...) left out is an effect left out.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tracks.errors import InputError

__all__ = ["Body", "Drive", "Link", "Provenance", "Steering", "Tyres", "is_refinement"]

_FROZEN = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _number(value: Any) -> Any:
    """Refuse text and truth values, which pydantic would otherwise turn into numbers."""
    if isinstance(value, (str, bool)):
        raise InputError(f"received {value!r}", "a number", "write the number without quotes")
    return value


Number = Annotated[float, BeforeValidator(_number)]


def _quantity(default: Any, unit: str, description: str, **bounds: Any) -> Any:
    """A field with its unit, which the vehicle file repeats as a comment."""
    return Field(default, description=description, json_schema_extra={"unit": unit}, **bounds)


def _refinement(default: Any, unit: str, description: str, **bounds: Any) -> Any:
    """A field that makes the vehicle richer; its default leaves the effect out, so nobody need know it."""
    extra = {"unit": unit, "refinement": True}
    return Field(default, description=description, json_schema_extra=extra, **bounds)


def is_refinement(table: type[BaseModel], field: str) -> bool:
    """Tell whether a field's default leaves an effect out, instead of assuming a middling value."""
    extra = table.model_fields[field].json_schema_extra
    return isinstance(extra, dict) and bool(extra.get("refinement", False))


class Body(BaseModel):
    """Size and mass; `model` chooses the equations, or nothing, and they follow from what is known."""

    model_config = _FROZEN

    wheelbase: Number = _quantity(..., "m", "front to rear axle", gt=0.0, le=30.0)
    mass: Number | None = _quantity(None, "kg", "as driven", gt=0.0, le=1e5)
    yaw_inertia: Number | None = _quantity(
        None,
        "kg m²",
        "about the centre of gravity; mass times both axle distances if unknown",
        gt=0.0,
        le=1e7,
    )
    front_axle_distance: Number | None = _quantity(
        None, "m", "centre of gravity to front axle; half the wheelbase if unknown", gt=0.0
    )
    width: Number | None = _quantity(None, "m", "over the body", gt=0.0, le=10.0)
    centre_height: Number = _refinement(
        0.0, "m", "centre of gravity above the road; 0 leaves load transfer out", ge=0.0, le=5.0
    )
    drag_area: Number = _refinement(0.0, "m²", "air drag coefficient times frontal area", ge=0.0, le=30.0)
    viscous_drag: Number = _refinement(
        0.0, "1/s", "deceleration per speed by bearings, gears and oil", ge=0.0, le=5.0
    )
    side_area: Number = _refinement(0.0, "m²", "side force coefficient times side area", ge=0.0, le=100.0)
    pressure_centre: Number = _refinement(
        0.0, "m", "where a side wind acts, ahead of the centre of gravity", ge=-20.0, le=20.0
    )
    model: Literal["kinematic", "single-track", "single-track-brush"] | None = _quantity(
        None,
        "",
        "kinematic, single-track (linear tyres) or single-track-brush (tyres with a limit); "
        "if left out, single-track where mass, centre and axles are known",
    )

    @model_validator(mode="after")
    def _centre_between_axles(self) -> Self:
        if self.front_axle_distance is not None and self.front_axle_distance >= self.wheelbase:
            raise InputError(
                f"front_axle_distance is {self.front_axle_distance:g} m",
                f"less than the wheelbase of {self.wheelbase:g} m",
                "measure it from the centre of gravity to the front axle",
            )
        return self


class Tyres(BaseModel):
    """Cornering stiffness of an axle (both tyres), or the understeer gradient alone where it is not known."""

    model_config = _FROZEN

    understeer_gradient: Number = _quantity(
        0.0, "rad/(m/s²)", "of the kinematic model, + understeers", ge=-0.1, le=0.1
    )
    cornering_stiffness_front: Number | None = _quantity(
        None, "N/rad", "front axle, both tyres", gt=0.0, le=1e7
    )
    cornering_stiffness_rear: Number | None = _quantity(
        None, "N/rad", "rear axle, both tyres", gt=0.0, le=1e7
    )
    friction: Number = _refinement(
        1.0, "", "coefficient on a dry road: bounds drive and brake, and brush tyres", gt=0.0, le=3.0
    )
    relaxation_length: Number = _refinement(
        0.3, "m", "of brush tyres: path over which their side force builds up", gt=0.0, le=5.0
    )
    rolling_resistance: Number = _refinement(0.0, "", "rolling resistance over weight", ge=0.0, le=0.2)


class Steering(BaseModel):
    """By-wire steering: what a command means, when and how fast the road wheels answer.

    The bounds on frequency and damping keep the fastest pole below 400 1/s, which a step of 5 ms integrates.
    """

    model_config = _FROZEN

    interface: Literal["curvature", "angle", "number"] = _quantity(
        "curvature", "", "what the vehicle takes: curvature (1/m), angle (rad) or a number without a unit"
    )
    dead_time: Number = _quantity(0.1, "s", "command to first answer", ge=0.0, le=2.0)
    natural_frequency: Number = _quantity(12.0, "rad/s", "of the second-order answer", ge=0.5, le=100.0)
    damping: Number = _quantity(0.8, "", "of the second-order answer; 1 is critical", ge=0.1, le=2.0)
    lag: Number | None = _quantity(
        None, "s", "of a first-order answer, in place of natural_frequency and damping", ge=0.002, le=5.0
    )
    rate_limit: Number = _quantity(0.6, "rad/s", "largest rate of the road wheels", gt=0.0, le=100.0)
    rate_limited: Literal["motion", "demand"] = _refinement(
        "motion",
        "",
        "what the rate limit acts on: the motion of the road wheels, or the rate that the servo's position loop "
        "asks its rate loop for",
    )
    angular_acceleration_limit: Number | None = _refinement(
        None, "rad/s²", "largest angular acceleration of the road wheels", gt=0.0, le=1e4
    )
    angle_limit: Number = _quantity(0.6, "rad", "stop of the road wheels, either way", gt=0.0, le=1.4)
    gain: Number = _quantity(1.0, "", "achieved over commanded road-wheel angle", gt=0.0, le=10.0)
    offset: Number = _quantity(0.0, "rad", "road-wheel angle when 0 is asked, + left", ge=-0.5, le=0.5)
    resolution: Number = _refinement(
        0.0, "rad", "step in which a command is taken; 0 without steps", ge=0.0, le=0.1
    )
    dead_band: Number = _refinement(
        0.0, "rad", "error either way within which the steering rests", ge=0.0, le=0.1
    )
    backlash: Number = _refinement(0.0, "rad", "whole gap between actuator and road wheels", ge=0.0, le=0.2)
    compliance: Number = _refinement(
        0.0, "rad/N", "road-wheel angle lost by side force on the front axle", ge=0.0, le=1e-4
    )
    unpowered: Literal["stays", "returns"] = _refinement(
        "stays", "", "what the road wheels do without power: stay, or return to straight"
    )
    feedback_resolution: Number = _refinement(
        0.0, "rad", "step of the steering-angle sensor; 0 without steps", ge=0.0, le=0.1
    )
    map_command: tuple[Number, ...] = _quantity((), "", "static map of interface number: increasing commands")
    map_angle: tuple[Number, ...] = _quantity((), "rad", "road-wheel angles they give, increasing, + left")

    @property
    def reach(self) -> float:
        """The road-wheel angle that can be commanded either way, rad: the stop, or the nearer end of the static map."""
        if self.interface != "number":
            return self.angle_limit
        return min(self.angle_limit, -self.map_angle[0], self.map_angle[-1])

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.interface == "number":
            self._check_map()
        elif self.map_command or self.map_angle:
            raise InputError(
                f'a static map is given with interface "{self.interface}"',
                'a map only with interface "number"',
                "remove map_command and map_angle, or change the interface",
            )
        if abs(self.offset) >= self.reach:
            what = "the angle_limit" if self.reach == self.angle_limit else "the static map's nearer end"
            raise InputError(
                f"offset is {self.offset:g} rad",
                f"a value within {what} of {self.reach:g} rad",
                "correct whichever is wrong; both are road-wheel angles in rad",
            )
        return self

    def _check_map(self) -> None:
        if len(self.map_command) < 2 or len(self.map_command) != len(self.map_angle):
            raise InputError(
                f"map_command has {len(self.map_command)} values and map_angle {len(self.map_angle)}",
                "two or more of each, one angle a command",
                "complete the static map of the steering",
            )
        for name in ("map_command", "map_angle"):
            values = getattr(self, name)
            for i, (low, high) in enumerate(itertools.pairwise(values)):
                if not high > low:
                    raise InputError(
                        f"{name}[{i + 1}] is {high:g} after {low:g}",
                        "increasing values",
                        "sort the map by command; where more command turns right, change the command's sign "
                        "in the channel file",
                    )
        if not self.map_angle[0] < 0.0 < self.map_angle[-1]:
            raise InputError(
                f"map_angle runs from {self.map_angle[0]:g} to {self.map_angle[-1]:g} rad",
                "angles to both sides of straight ahead",
                "complete the static map of the steering",
            )


class Drive(BaseModel):
    """By-wire drive and brake under a speed loop: demand = commanded acceleration + speed_gain × speed error."""

    model_config = _FROZEN

    interface: Literal["speed", "positions"] = _refinement(
        "speed",
        "",
        "what the vehicle takes: speed and acceleration, or positions of throttle and brake from 0 to 1",
    )
    dead_time: Number = _quantity(0.2, "s", "command to first drive", ge=0.0, le=5.0)
    lag: Number = _quantity(0.5, "s", "first-order lag of the drive", ge=0.01, le=20.0)
    brake_dead_time: Number = _quantity(0.15, "s", "command to first braking", ge=0.0, le=5.0)
    brake_lag: Number = _quantity(0.2, "s", "first-order lag of the brake", ge=0.01, le=20.0)
    speed_gain: Number = _quantity(0.8, "1/s", "acceleration asked per speed error", ge=0.0, le=50.0)
    speed_integral: Number = _refinement(
        0.0, "1/s²", "rate of the speed loop's integral part; needed against grade and drag", ge=0.0, le=20.0
    )
    acceleration_limit: Number = _quantity(
        2.0, "m/s²", "largest acceleration; what throttle position 1 gives at standstill", gt=0.0, le=50.0
    )
    deceleration_limit: Number = _quantity(
        4.0, "m/s²", "largest deceleration, positive; what brake position 1 gives", gt=0.0, le=50.0
    )
    drive_gain: Number = _refinement(1.0, "", "achieved over demanded acceleration", gt=0.0, le=5.0)
    brake_gain: Number = _refinement(1.0, "", "achieved over demanded deceleration", gt=0.0, le=5.0)
    throttle_free: Number = _refinement(
        0.0, "", "throttle position up to which the drive gives nothing", ge=0.0, le=0.9
    )
    throttle_bend: Number = _refinement(
        0.0,
        "",
        "bend of the throttle's static map: 0 straight, above 0 more at small positions",
        ge=-1.0,
        le=1.0,
    )
    brake_free: Number = _refinement(
        0.0, "", "brake position up to which the brake gives nothing", ge=0.0, le=0.9
    )
    no_load_speed: Number | None = _refinement(
        None,
        "m/s",
        "at which the drive has nothing left, its share falling linearly with speed",
        ge=0.5,
        le=500.0,
    )
    motor_drag: Number = _refinement(
        0.0,
        "1/s",
        "acceleration lost per speed while the drive pushes, whatever its position",
        ge=0.0,
        le=10.0,
    )
    jerk_limit: Number | None = _refinement(None, "m/s³", "of the drive", gt=0.0, le=1e4)
    brake_jerk_limit: Number | None = _refinement(None, "m/s³", "of the brake", gt=0.0, le=1e4)
    hand_over: Number = _refinement(
        0.0, "m/s²", "demand that it takes to change between drive and brake", ge=0.0, le=2.0
    )
    front_share: Number = _refinement(0.0, "", "of the drive force at the front axle", ge=0.0, le=1.0)
    brake_front_share: Number = _refinement(0.6, "", "of the brake force at the front axle", ge=0.0, le=1.0)
    emergency_deceleration: Number | None = _refinement(
        None,
        "m/s²",
        "positive, of the brake that acts when power is removed; deceleration_limit if unknown",
        gt=0.0,
        le=20.0,
    )
    speed_resolution: Number = _refinement(
        0.0, "m/s", "step of the wheel-speed feedback; 0 without steps", ge=0.0, le=1.0
    )


class Link(BaseModel):
    """The network between tracker and vehicle, and what the vehicle does when it falls silent."""

    model_config = _FROZEN

    period: Number = _refinement(
        0.0, "s", "between two messages; 0 sends every command at once", ge=0.0, le=0.5
    )
    jitter: Number = _refinement(0.0, "s", "largest extra delay of a message, even odds", ge=0.0, le=0.5)
    watchdog: Number = _refinement(
        0.2, "s", "silence after which the vehicle stops by itself", gt=0.0, le=10.0
    )
    watchdog_deceleration: Number | None = _refinement(
        None, "m/s²", "positive, of that stop; deceleration_limit if unknown", gt=0.0, le=20.0
    )


class Provenance(BaseModel):
    """Where the values come from: nothing here changes how the vehicle behaves."""

    model_config = _FROZEN

    name: str = Field(default="", description="name of the vehicle")
    source: str = Field(default="", description="logs or data sheet the values come from")
    date: str = Field(default="", description="when they were found")
    notes: str = Field(default="", description="anything the reader should know")
    assumed: tuple[str, ...] = Field(default=(), description="fields that nobody measured")
    intervals: dict[str, tuple[Number, Number]] = Field(default={}, description="95 % intervals by field")
    fit: dict[str, Number] = Field(default={}, description="quality of the fit by signal")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for name, (low, high) in self.intervals.items():
            if low > high:
                raise InputError(
                    f"the interval of {name} is [{low:g}, {high:g}]", "[low, high]", "swap the bounds"
                )
        return self
