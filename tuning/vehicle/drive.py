"""By-wire drive and brake: the speed loop's demand, two first-order lags, and coming to rest."""

from __future__ import annotations

from tracks.one_source import clip, equation, select

__all__ = ["STANDSTILL_SPEED", "acceleration_demand", "drive_derivative", "speed_derivative"]

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
