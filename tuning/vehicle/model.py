"""The list of vehicle models, and what is common to them: derivative of the state and its integration.

A model is two equations, `…_lateral` and `…_motion`, with an integer code. To add one, list it in `MODELS` and
give it a branch in `lateral` and in `motion`.
"""

from __future__ import annotations

from typing import Final

from tracks.one_source import equation, select, sine_cosine
from tuning.vehicle.drive import acceleration_demand, drive_derivative, speed_derivative
from tuning.vehicle.kinematic import kinematic_lateral, kinematic_motion
from tuning.vehicle.parameters import KINEMATIC, SINGLE_TRACK
from tuning.vehicle.single_track import single_track_lateral, single_track_motion
from tuning.vehicle.state import State
from tuning.vehicle.steering import steering_derivative

__all__ = ["KINEMATIC", "MODELS", "SINGLE_TRACK", "derivative", "lateral", "motion", "rk4"]

MODELS: Final[dict[str, int]] = {"kinematic": KINEMATIC, "single-track": SINGLE_TRACK}


@equation
def lateral(model, p, speed, lateral_velocity, yaw_rate, angle):
    """Give the derivatives of lateral velocity (m/s²) and yaw rate (rad/s²) at the centre of gravity."""
    if model == SINGLE_TRACK:
        return single_track_lateral(p, speed, lateral_velocity, yaw_rate, angle)
    return kinematic_lateral(p, speed, lateral_velocity, yaw_rate, angle)


@equation
def motion(model, p, speed, lateral_velocity, yaw_rate, angle):
    """Give yaw rate (rad/s, + left) and lateral velocity of the rear-axle middle (m/s, + left)."""
    if model == SINGLE_TRACK:
        return single_track_motion(p, speed, lateral_velocity, yaw_rate, angle)
    return kinematic_motion(p, speed, lateral_velocity, yaw_rate, angle)


@equation
def derivative(model, p, state, inputs):
    """Give the time derivative of the state.

    Args:
        model: code of the model, a value of `MODELS`.
        p: PlantParameters.
        state: State.
        inputs: Inputs.

    Returns:
        State whose fields are the derivatives, each per second.
    """
    rate, rear_velocity = motion(
        model, p, state.speed, state.lateral_velocity, state.yaw_rate, state.steering_angle
    )
    velocity_dot, yaw_dot = lateral(
        model, p, state.speed, state.lateral_velocity, state.yaw_rate, state.steering_angle
    )
    angle_dot, rate_dot = steering_derivative(p, inputs.target, state.steering_angle, state.steering_rate)
    demand_drive = acceleration_demand(p, inputs.drive_speed, inputs.drive_feed_forward, state.speed)
    demand_brake = acceleration_demand(p, inputs.brake_speed, inputs.brake_feed_forward, state.speed)
    demand_drive = select(demand_drive > 0.0, demand_drive, 0.0)
    demand_brake = select(demand_brake < 0.0, demand_brake, 0.0)
    drive_dot, brake_dot = drive_derivative(
        p, demand_drive, demand_brake, state.drive_acceleration, state.brake_acceleration
    )
    sine, cosine = sine_cosine(state.heading)
    return State(
        state.speed * cosine - rear_velocity * sine,
        state.speed * sine + rear_velocity * cosine,
        rate,
        speed_derivative(state.speed, state.drive_acceleration, state.brake_acceleration),
        velocity_dot,
        yaw_dot,
        angle_dot,
        rate_dot,
        drive_dot,
        brake_dot,
    )


@equation
def _advance(state, slope, h):
    return State(
        state.x + h * slope.x,
        state.y + h * slope.y,
        state.heading + h * slope.heading,
        state.speed + h * slope.speed,
        state.lateral_velocity + h * slope.lateral_velocity,
        state.yaw_rate + h * slope.yaw_rate,
        state.steering_angle + h * slope.steering_angle,
        state.steering_rate + h * slope.steering_rate,
        state.drive_acceleration + h * slope.drive_acceleration,
        state.brake_acceleration + h * slope.brake_acceleration,
    )


@equation
def rk4(model, p, state, inputs, h):
    """Give the state after a step of h (s) by the classical Runge-Kutta method, inputs held over the step."""
    k1 = derivative(model, p, state, inputs)
    k2 = derivative(model, p, _advance(state, k1, 0.5 * h), inputs)
    k3 = derivative(model, p, _advance(state, k2, 0.5 * h), inputs)
    k4 = derivative(model, p, _advance(state, k3, h), inputs)
    state = _advance(state, k1, h / 6.0)
    state = _advance(state, k2, h / 3.0)
    state = _advance(state, k3, h / 3.0)
    return _advance(state, k4, h / 6.0)
