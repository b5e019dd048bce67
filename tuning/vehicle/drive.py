"""By-wire drive and brake: the speed loop's demand, two first-order lags, and coming to rest."""

from __future__ import annotations

from tracks.one_source import clip, equation, select

__all__ = [
    "STANDSTILL_SPEED",
    "acceleration_demand",
    "demands",
    "drive_derivative",
    "integral_derivative",
    "pedal_after",
    "speed_derivative",
    "thrust",
]

# m/s. Below it a braked vehicle comes to rest exponentially: the brake holds, it does not push backwards. With
# 8 m/s² this is a rate of 80 1/s, which RK4 at 5 ms follows without a change of sign.
STANDSTILL_SPEED = 0.1


@equation
def acceleration_demand(p, speed_command, acceleration_command, speed):
    """Give the acceleration (m/s²) that the speed loop asks for: feed-forward + gain × speed error, limited.

    Its positive part goes to the drive and its negative part to the brake, each after its own dead time.
    """
    return clip(
        acceleration_command + p.speed_gain * (speed_command - speed),
        -p.deceleration_limit,
        p.acceleration_limit,
    )


@equation
def drive_derivative(p, demand_drive, demand_brake, drive_acceleration, brake_acceleration):
    """Give the derivatives (m/s³) of drive (≥ 0) and brake (≤ 0) acceleration, each a first-order lag of its demand."""
    return (
        (demand_drive - drive_acceleration) / p.drive_lag,
        (demand_brake - brake_acceleration) / p.brake_lag,
    )


@equation
def speed_derivative(speed, drive_acceleration, brake_acceleration):
    """Give the derivative of the speed (m/s²); a deceleration fades out at standstill, so nothing rolls backwards.

    Cornering resistance and grade are not here: a vehicle with a speed loop works against them.
    """
    total = drive_acceleration + brake_acceleration
    return select(total < 0.0, total * clip(speed / STANDSTILL_SPEED, 0.0, 1.0), total)


@equation
def demands(p, state, inputs):
    """Give what is asked of drive (m/s², ≥ 0) and brake (m/s², ≤ 0), each from the command as it has it."""
    demand_drive = acceleration_demand(p, inputs.drive_speed, inputs.drive_feed_forward, state.speed)
    demand_brake = acceleration_demand(p, inputs.brake_speed, inputs.brake_feed_forward, state.speed)
    return select(demand_drive > 0.0, demand_drive, 0.0), select(demand_brake < 0.0, demand_brake, 0.0)


@equation
def thrust(p, state, inputs, around):
    """Give what drive and brake give along the vehicle's x axis, m/s²; the brake fades out at standstill."""
    return (
        state.drive_acceleration,
        state.brake_acceleration * clip(state.speed / STANDSTILL_SPEED, -1.0, 1.0),
    )


@equation
def integral_derivative(p, state, inputs):
    """Give the derivative of the speed loop's integral part (m/s³), 0 while its demand is at a limit."""
    demand = acceleration_demand(p, inputs.drive_speed, inputs.drive_feed_forward, state.speed)
    rising = p.speed_integral_gain * (inputs.drive_speed - state.speed)
    below = select(demand < p.acceleration_limit, rising, 0.0)
    return select(demand > -p.deceleration_limit, below, 0.0)


@equation
def pedal_after(p, state, inputs):
    """Give which of drive (1) and brake (−1) is in charge after a step."""
    demand_drive, demand_brake = demands(p, state, inputs)
    return select(demand_drive > 0.0, 1.0, select(demand_brake < 0.0, -1.0, state.pedal))
