"""By-wire drive and brake: gears, the speed loop's demands, hand-over, lags with jerk limits, and standing.

The speed loop asks along the vehicle's x axis for a = a_cmd + k (v_cmd − v) + I. The drive pushes in the direction of
the gear and the brake against the motion, so each takes the part of a that it can give.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from tracks.one_source import clip, equation, select
from tuning.vehicle.resistance import resistance

__all__ = [
    "STANDSTILL_SPEED",
    "acceleration_demand",
    "brake_position_demand",
    "demands",
    "drive_derivative",
    "gear",
    "integral_derivative",
    "pedal_after",
    "speed_derivative",
    "throttle_demand",
    "thrust",
]

# m/s. Below it a braked vehicle comes to rest exponentially: the brake holds, it does not push backwards. With
# 8 m/s² this is a rate of 80 1/s, which RK4 at 5 ms follows without a change of sign.
STANDSTILL_SPEED = 0.1

# m/s². No road tyre holds more. The rate at which a vehicle comes to rest under the brake, whatever else pushes, stays
# below 2 × 26/0.1 = 520 1/s, and 540 with the strongest rolling resistance: RK4 at 5 ms is stable up to 557.
_STRONGEST_BRAKE: Final = 26.0

_TOLD_TO_STAND: Final = 1e-3  # m/s, a speed command no larger is one to stand

# How much harder than the road pulls the holding brake may act; more than 1, so that it also brings to rest.
_HOLDING: Final = 2.0
_HOLDING_BELOW: Final = 2.0  # m/s, from which on the holding brake fades out, to nothing at twice that

_BLEEDING_TIME: Final = 0.1  # s, in which the integral part goes when the vehicle stands by command


@equation
def _least(one, other):
    # Half the instructions of numba's `np.minimum`, which looks for NaN in both.
    return select(one < other, one, other)


@equation
def _most(one, other):
    return select(one > other, one, other)


@equation
def throttle_demand(p, position):
    """Give what a throttle position asks of the drive (m/s², ≥ 0): what it gives at standstill.

    Nothing up to `throttle_free`, the acceleration limit at 1, in between a straight line or a parabola:
    a = limit · s (1 + bend (1 − s)) with s the share of the way; increasing for a bend of −1 to 1. Below 0 nothing.
    """
    share = clip((position - p.throttle_free) / (1.0 - p.throttle_free), 0.0, 1.0)
    return share * (1.0 + p.throttle_bend * (1.0 - share)) * p.acceleration_limit


@equation
def brake_position_demand(p, position):
    """Give what a brake position asks of the brake (m/s², ≤ 0): nothing up to `brake_free`, then in proportion."""
    return -clip((position - p.brake_free) / (1.0 - p.brake_free), 0.0, 1.0) * p.deceleration_limit


@equation
def _left_at(p, demand, speed):
    """Give what is left of a demand (m/s²) at a speed along the gear: a (1 − v/v_0) − d v, not below 0.

    A motor's back-voltage takes a share of its force in proportion to speed where its supply is switched by the
    position, and a force regardless of it where the voltage follows it (DC motor, F = c (u U − k v), from memory).
    """
    fast = _most(speed, 0.0)
    return _most(demand * _most(1.0 - p.drive_fade * fast, 0.0) - p.motor_drag * fast, 0.0)


@equation
def _asked(p, speed_command, acceleration_command, speed, integral):
    return acceleration_command + p.speed_gain * (speed_command - speed) + integral


@equation
def acceleration_demand(p, speed_command, acceleration_command, speed):
    """Give the acceleration (m/s²) that the speed loop asks for: feed-forward + gain × speed error, limited.

    Driving forwards and without an integral part. Its positive part goes to the drive and its negative part to the
    brake, each after its own dead time.
    """
    return clip(
        _asked(p, speed_command, acceleration_command, speed, 0.0),
        -p.deceleration_limit,
        p.acceleration_limit,
    )


@equation
def drive_derivative(p, demand_drive, demand_brake, drive_acceleration, brake_acceleration):
    """Give the derivatives (m/s³) of drive (≥ 0) and brake (≤ 0) acceleration.

    Each is a first-order lag of gain × demand, whose derivative is held within the jerk limit.
    """
    drive_dot = (p.drive_gain * demand_drive - drive_acceleration) / p.drive_lag
    brake_dot = (p.brake_gain * demand_brake - brake_acceleration) / p.brake_lag
    return (
        clip(drive_dot, -p.drive_jerk_limit, p.drive_jerk_limit),
        clip(brake_dot, -p.brake_jerk_limit, p.brake_jerk_limit),
    )


@equation
def speed_derivative(speed, drive_acceleration, brake_acceleration):
    """Give the derivative of the speed (m/s²); a deceleration fades out at standstill, so nothing rolls backwards.

    On a level road and driving forwards: for fits of recorded speeds. Cornering resistance and grade are not here.
    """
    total = drive_acceleration + brake_acceleration
    return select(total < 0.0, total * clip(speed / STANDSTILL_SPEED, 0.0, 1.0), total)


@equation
def gear(speed_command, speed):
    """Give the direction in which the drive pushes, 1 or −1: the command's, and at zero command that of the motion."""
    kept = select(speed < 0.0, -1.0, 1.0)
    return select(speed_command > 0.0, 1.0, select(speed_command < 0.0, -1.0, kept))


@equation
def _push(speed_command, speed):
    """Give the share of the drive along the vehicle's x axis, −1 to 1: the gear, at zero command without a jump.

    A switch where a vehicle rests would let the last digit of its speed decide which way the drive pushes.
    """
    kept = clip(1.0 + speed / (0.5 * STANDSTILL_SPEED), -1.0, 1.0)
    return select(speed_command > 0.0, 1.0, select(speed_command < 0.0, -1.0, kept))


@equation
def _motion(direction, speed):
    """Give the direction of motion, 1 or −1, at standstill that of the gear."""
    return select(np.abs(speed) > STANDSTILL_SPEED, select(speed < 0.0, -1.0, 1.0), direction)


@equation
def demands(p, state, inputs):
    """Give what is asked of drive (m/s², ≥ 0, along the gear) and brake (m/s², ≤ 0, against the motion).

    With the loop closed each follows from the command as it has it. A vehicle that moves against its gear is braked
    to rest before the drive acts. What the drive can give falls with speed, if the file says so. The pedal that is not in charge acts only beyond the hand-over band; the pedal in
    charge gives nothing while the demand is of the other's sign. With the loop open the feed-forwards are the demands
    at standstill, neither limited nor handed over.
    """
    closed = inputs.loop > 0.5
    speed, integral = state.speed, state.speed_integral
    engaged = gear(inputs.drive_speed, speed)
    pushed = engaged * _asked(p, inputs.drive_speed, inputs.drive_feed_forward, speed, integral)
    pushed = select(
        engaged * speed < -STANDSTILL_SPEED,
        0.0,
        _least(pushed, _left_at(p, p.acceleration_limit, engaged * speed)),
    )
    ahead = _motion(gear(inputs.brake_speed, speed), speed)
    braked = ahead * _asked(p, inputs.brake_speed, inputs.brake_feed_forward, speed, integral)
    braked = _most(braked, -p.deceleration_limit)
    band = select(closed, p.hand_over, 0.0)
    pushed = select(closed, pushed, _left_at(p, inputs.drive_feed_forward, engaged * speed))
    braked = select(closed, braked, inputs.brake_feed_forward)
    return (
        select(pushed > select(state.pedal < 0.0, band, 0.0), pushed, 0.0),
        select(braked < select(state.pedal > 0.0, -band, 0.0), braked, 0.0),
    )


@equation
def _capacities(p, inputs, speed, braking, pull):
    """Give what the brakes can hold (m/s²) against a motion forwards and against one backwards.

    A closed speed loop holds the vehicle on a grade by itself: both ways when told to stand, and otherwise against
    rolling back against its gear. It does so at low speed, within the brake's capacity, with at most twice the pull
    of the road, and on a level road not at all. Without it a loop of a gain k alone would not stop but roll on
    downhill, at pull/k.
    """
    most = select(inputs.loop > 0.5, _least(p.brake_gain * p.deceleration_limit, _STRONGEST_BRAKE), 0.0)
    forwards = select(inputs.brake_speed <= _TOLD_TO_STAND, most, 0.0)
    backwards = select(inputs.brake_speed >= -_TOLD_TO_STAND, most, 0.0)
    holding = _HOLDING * pull * clip(2.0 - np.abs(speed) / _HOLDING_BELOW, 0.0, 1.0)
    return (
        _most(_least(braking + holding, forwards), braking),
        _most(_least(braking - holding, backwards), braking),
    )


@equation
def thrust(p, state, inputs, around):
    """Give what drive and brake give along the vehicle's x axis, m/s².

    The brake is dry friction made smooth: with σ = clip(v/STANDSTILL_SPEED, −1, 1), capacity C and the sum F of what
    else pushes at standstill (drive and grade), it gives −(C σ + (1 − |σ|) clip(F, −C, C)). At rest it just balances
    F up to C, so nothing creeps; from there on v̇ = −(C ∓ F) |v|/STANDSTILL_SPEED leads back to rest.
    """
    speed = state.speed
    drive = _push(inputs.drive_speed, speed) * state.drive_acceleration
    pull = resistance(p, around, 0.0)
    braking = _least(-state.brake_acceleration, _STRONGEST_BRAKE)
    forwards, backwards = _capacities(p, inputs, speed, braking, pull)
    share = clip(speed / STANDSTILL_SPEED, -1.0, 1.0)
    held = clip(drive + pull, -backwards, forwards)
    return drive, -(select(share > 0.0, forwards, backwards) * share + (1.0 - np.abs(share)) * held)


@equation
def integral_derivative(p, state, inputs):
    """Give the derivative of the speed loop's integral part (m/s³), along the vehicle's x axis.

    It follows the error from the drive's command. While the demand is at a limit it may only come off it, so that
    nothing winds up; told to stand it is let go at rest, and so it is while the vehicle moves against its gear; with
    the loop open it stays.
    """
    speed, integral = state.speed, state.speed_integral
    engaged = gear(inputs.drive_speed, speed)
    error = inputs.drive_speed - speed
    demand = engaged * _asked(p, inputs.drive_speed, inputs.drive_feed_forward, speed, integral)
    # Above 0 while the demand is at a limit and the error leads beyond it.
    most = _left_at(p, p.acceleration_limit, engaged * speed)
    beyond = engaged * error * (demand - clip(demand, -p.deceleration_limit, most))
    rising = select(beyond > 0.0, 0.0, p.speed_integral_gain * error)
    # At rest the command decides, in motion whether it is against the gear.
    astray = select(engaged * speed < 0.0, 0.0, 1.0)
    loose = select(np.abs(speed) < STANDSTILL_SPEED, np.abs(inputs.drive_speed), astray) <= _TOLD_TO_STAND
    change = select(loose, -integral / _BLEEDING_TIME, rising)
    return select(inputs.loop > 0.5, change, 0.0)


@equation
def pedal_after(p, state, inputs):
    """Give which of drive (1) and brake (−1) is in charge after a step; it stays in charge while neither is asked."""
    demand_drive, demand_brake = demands(p, state, inputs)
    return select(demand_drive > 0.0, 1.0, select(demand_brake < 0.0, -1.0, state.pedal))
