"""Inner loops for vehicles that take raw positions: from curvature, speed and acceleration to steering, throttle, brake.

Speed: demand a = feed-forward + gain × error + integral, along the direction of travel, m/s². Throttle p and brake b
in 0..1 give −a_0 + p (a_t + a_0) and −a_0 − b (a_b − a_0) with the deceleration a_0 at closed throttle (coasting),
a_t at full throttle and a_b at full brake. The integral is conditional: it stands still while a pedal is at its end and
the error pushes on (K. J. Åström, T. Hägglund, PID Controllers, ch. on windup: from memory). Drive and brake change over
with a hysteresis about −a_0, in which the vehicle coasts.
"""

from __future__ import annotations

from typing import NamedTuple, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from tracker.response import ResponseValues
from tracks.errors import InputError
from tracks.one_source import clip, equation, select

__all__ = ["InnerLoops", "InnerLoopsMemory", "InnerLoopsValues", "new_inner_loops_memory", "positions"]

# Slots of `InnerLoopsMemory.numbers`.
INTEGRAL = 0  # m/s²
TRIM = 1  # rad
BRAKING = 2  # 1.0 while the brake is the pedal in use, else 0.0
HOLDING = 3  # 1.0 while the brake holds the vehicle at standstill
GEAR = 4  # 1.0 forward, -1.0 reverse
ANGLE = 5  # asked last, rad
AGAINST = 6  # 1.0 while the vehicle is brought to rest since it rolls against the gear
SLOTS = 7

_STANDING = 0.05  # m/s
_ROLLING = 0.5  # m/s: more than noise about standstill
_NO_SPEED = 0.01  # m/s: a speed command below it asks for standstill
_STEEPEST = 1.5  # rad, as in `asked_curvature`
_LONGEST_PERIOD = 0.1  # s: a later step integrates no more than this


class InnerLoopsValues(NamedTuple):
    """The settings as floats for compiled code; units as in `InnerLoops`."""

    full_throttle: float
    full_brake: float
    speed_gain: float
    speed_integral: float
    integral_limit: float
    coasting: float
    hand_over: float
    holding: float
    steering_trim: float
    trim_limit: float


class InnerLoops(BaseModel):
    """Settings of the loops around a vehicle's raw positions.

    The default gains suit a drive with some half a second of dead time and lag (gain × delay about ½; common practice, no
    source). The hand-over should be eight times gain × the noise of the speed: a pedal that only ever answers one
    half of the noise drifts towards the other's side, and then stays some ten seconds even at the worst demand.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    full_throttle: float = Field(
        gt=0.0, le=50.0, description="m/s²: acceleration that throttle position 1 gives"
    )
    full_brake: float = Field(gt=0.0, le=50.0, description="m/s²: deceleration that brake position 1 gives")
    speed_gain: float = Field(default=1.0, gt=0.0, le=20.0, description="1/s: demand per speed error")
    speed_integral: float = Field(
        default=0.2, ge=0.0, le=20.0, description="1/s²: growth of the demand per speed error"
    )
    integral_limit: float = Field(
        default=2.0,
        ge=0.0,
        le=20.0,
        description="m/s²: most that the integral adds either way; 2 m/s² is a grade of 20 %",
    )
    coasting: float = Field(
        default=0.0, ge=0.0, le=5.0, description="m/s²: deceleration with both pedals released"
    )
    hand_over: float = Field(
        default=0.4, ge=0.0, le=5.0, description="m/s²: width of the hysteresis between drive and brake"
    )
    holding: float = Field(
        default=2.0, ge=0.0, le=20.0, description="m/s²: deceleration that the brake is set to at standstill"
    )
    steering_trim: float = Field(
        default=0.0, ge=0.0, le=10.0, description="1/s: integral action on the measured steering angle"
    )
    trim_limit: float = Field(
        default=0.05, ge=0.0, le=0.5, description="rad: most that the trim adds either way"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.coasting >= self.full_brake:
            raise InputError(
                f"coasting is {self.coasting:g} m/s²",
                f"less than the full_brake of {self.full_brake:g} m/s²",
                "correct whichever is wrong; both are decelerations",
            )
        return self

    @property
    def values(self) -> InnerLoopsValues:
        """The settings for compiled equations."""
        return InnerLoopsValues(**{name: float(getattr(self, name)) for name in InnerLoopsValues._fields})


class InnerLoopsMemory(NamedTuple):
    """Run-time state of the loops: `numbers`, the slots named above, shape (SLOTS,)."""

    numbers: np.ndarray


def new_inner_loops_memory() -> InnerLoopsMemory:
    """Give the memory of loops that start in forward gear, without trim or integral."""
    memory = InnerLoopsMemory(np.zeros(SLOTS))
    memory.numbers[GEAR] = 1.0
    return memory


@equation
def _steering(
    values: InnerLoopsValues, response: ResponseValues, numbers, curvature, speed, steering_angle, period
):
    """Give the road-wheel angle to ask for, rad, + left, and keep the trim.

    The trim closes in on the angle that the steering is identified to answer with, gain × asked + offset; it
    stands still where the wheels cannot follow: at the stop, and while the vehicle stands.
    """
    told = np.abs(curvature) < np.inf
    asked = np.arctan(response.wheelbase * select(told, curvature, 0.0))
    expected = response.gain * asked + response.offset
    error = expected - steering_angle
    free = told and np.abs(expected) < response.angle_limit and np.abs(error) < np.inf
    free = free and np.abs(speed) > _STANDING
    grown = numbers[TRIM] + values.steering_trim * select(free, error, 0.0) * period
    numbers[TRIM] = clip(grown, -values.trim_limit, values.trim_limit)
    if told:
        numbers[ANGLE] = clip(asked + numbers[TRIM], -_STEEPEST, _STEEPEST)
    return numbers[ANGLE]


@equation
def _pedals(values: InnerLoopsValues, numbers, demand):
    """Give (throttle, brake), never both above 0, for a demand in m/s² along the direction of travel."""
    beyond = demand + values.coasting
    half = 0.5 * values.hand_over
    braking = select(beyond < -half, 1.0, select(beyond > half, 0.0, numbers[BRAKING]))
    numbers[BRAKING] = braking
    throttle = clip(beyond / (values.full_throttle + values.coasting), 0.0, 1.0)
    brake = clip(-beyond / (values.full_brake - values.coasting), 0.0, 1.0)
    return select(braking > 0.0, 0.0, throttle), select(braking > 0.0, brake, 0.0)


@equation
def _travel(numbers, speed_command, acceleration_command, speed):
    """Give (speed asked, acceleration asked, speed) along the direction of travel, and keep the gear.

    The sign of the speed command is the gear, that of the last one holds at 0. A vehicle that still rolls the
    other way is first asked to stand.
    """
    gear = select(speed_command > 0.0, 1.0, select(speed_command < 0.0, -1.0, numbers[GEAR]))
    changed = gear != numbers[GEAR]
    if changed:
        # What the integral had learnt, a grade above all, has the other sign this way.
        numbers[INTEGRAL] = 0.0
        numbers[GEAR] = gear
    # Once it is to stand it is brought to rest; before, noise about standstill must not count.
    against = gear * speed < -select(changed or numbers[AGAINST] > 0.0, _STANDING, _ROLLING)
    numbers[AGAINST] = select(against, 1.0, 0.0)
    travel = select(against, -gear, gear)
    asked = select(against, 0.0, np.abs(speed_command))
    acceleration = travel * acceleration_command
    # A feed-forward that slows down the drive in gear must not speed up one that rolls the other way.
    acceleration = select(against, np.minimum(acceleration, 0.0), acceleration)
    return select(asked > _NO_SPEED, asked, 0.0), acceleration, travel * speed


@equation
def positions(
    values: InnerLoopsValues, response: ResponseValues, memory: InnerLoopsMemory,
    curvature, speed_command, acceleration_command, speed, steering_angle, period,
):  # fmt: skip
    """Give (road-wheel angle to ask for rad + left, throttle 0..1, brake 0..1) for one command.

    Args:
        values: settings.
        response: what the steering is known to do: wheelbase, gain, offset, angle_limit.
        memory: changed in place.
        curvature, speed_command, acceleration_command: the command, 1/m + left, m/s, m/s² along x. A negative speed
            is reverse gear.
        speed: measured, m/s, along x. steering_angle: measured road-wheel angle, rad, + left.
        period: since the last call, s.

    A speed that is not finite leaves feed-forward and integral, without throttle; a speed or acceleration command
    that is not finite brakes as at standstill; a curvature that is not finite holds the last angle.
    """
    numbers = memory.numbers
    period = select(period > 0.0, np.minimum(period, _LONGEST_PERIOD), 0.0)
    angle = _steering(values, response, numbers, curvature, speed, steering_angle, period)
    told = np.abs(speed_command) + np.abs(acceleration_command) < np.inf
    seen = np.abs(speed) < np.inf
    asked, acceleration, travelled = _travel(
        numbers,
        select(told, speed_command, 0.0),
        select(told, acceleration_command, 0.0),
        select(seen, speed, 0.0),
    )
    acceleration = select(told, acceleration, -values.holding)
    error = select(seen, asked - travelled, 0.0)
    against = numbers[AGAINST] > 0.0
    # The integral knows the way in gear; the other way a grade pulls where it held back.
    demand = acceleration + values.speed_gain * error + select(against, -1.0, 1.0) * numbers[INTEGRAL]
    rests = travelled < _STANDING and acceleration <= 0.0
    rolls_back = against and not np.abs(speed_command) > _NO_SPEED
    stands = asked == 0.0 and (numbers[HOLDING] > 0.0 or rests or rolls_back)
    numbers[HOLDING] = select(stands and seen and told, 1.0, 0.0)
    if stands or not (seen and told):
        # Without a measured speed the vehicle may be slowed down, not driven.
        demand = np.minimum(demand, select(asked == 0.0, -values.holding, -values.coasting))
    throttle, brake = _pedals(values, numbers, demand)
    pushing = (throttle >= 1.0 and error > 0.0) or (brake >= 1.0 and error < 0.0)
    if not (pushing or stands or against) and seen and told:
        grown = numbers[INTEGRAL] + values.speed_integral * error * period
        numbers[INTEGRAL] = clip(grown, -values.integral_limit, values.integral_limit)
    return angle, throttle, brake
