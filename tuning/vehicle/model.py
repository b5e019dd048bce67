"""The list of vehicle models, and what is common to them: derivative of the state and its integration.

A model is one equation, `…_body`, with an integer code. To add one, list it in `MODELS` and give it a branch in `body`.
"""

from __future__ import annotations

from typing import Final

from tracker.motion.kinematic import kinematic_lateral, kinematic_motion
from tracker.motion.single_track import single_track_lateral, single_track_motion
from tracks.one_source import equation, select, sine_cosine
from tuning.vehicle.drive import demands, drive_derivative, integral_derivative, pedal_after, thrust
from tuning.vehicle.kinematic import kinematic_body
from tuning.vehicle.parameters import KINEMATIC, SINGLE_TRACK, SINGLE_TRACK_BRUSH
from tuning.vehicle.single_track import single_track_body
from tuning.vehicle.single_track_brush import single_track_brush_body
from tuning.vehicle.state import Inputs, State
from tuning.vehicle.steering import steering_derivative, unpowered_rate, wheel_angle

__all__ = [
    "KINEMATIC",
    "MODELS",
    "SINGLE_TRACK",
    "SINGLE_TRACK_BRUSH",
    "body",
    "derivative",
    "lateral",
    "motion",
    "moving",
    "rk4",
    "settle",
]

MODELS: Final[dict[str, int]] = {
    "kinematic": KINEMATIC,
    "single-track": SINGLE_TRACK,
    "single-track-brush": SINGLE_TRACK_BRUSH,
}


@equation
def body(model, p, state, angle, drive, brake, around):
    """Give what the body does in a state.

    Args:
        model: code of the model, a value of `MODELS`.
        p: PlantParameters.
        state: State.
        angle: of the road wheels before the compliance of the steering, rad, + left.
        drive: what the drive gives along the vehicle's x axis, m/s².
        brake: what the brake gives along the vehicle's x axis, m/s².
        around: Surroundings.

    Returns:
        Motion.
    """
    if model == SINGLE_TRACK_BRUSH:
        return single_track_brush_body(p, state, angle, drive, brake, around)
    elif model == SINGLE_TRACK:
        return single_track_body(p, state, angle, drive, brake, around)
    else:
        return kinematic_body(p, state, angle, drive, brake, around)


@equation
def moving(model, p, state, around):
    """Give the `Motion` of a state under what drive and brake give now, told neither to stand nor to speed up."""
    kept = Inputs(0.0, state.speed, 0.0, state.speed, 0.0, 1.0, 1.0)
    drive, brake = thrust(p, state, kept, around)
    return body(model, p, state, wheel_angle(p, state.steering_angle, state.play_angle), drive, brake, around)


@equation
def lateral(model, p, speed, lateral_velocity, yaw_rate, angle, pull):
    """Give the derivatives of lateral velocity (m/s²) and yaw rate (rad/s²) under a side pull (m/s², + left).

    Of the models whose tyres have no state, kinematic and linear single-track: what identification fits.
    """
    if model == SINGLE_TRACK:
        return single_track_lateral(p, speed, lateral_velocity, yaw_rate, angle, pull, 0.0)
    return kinematic_lateral(p, speed, lateral_velocity, yaw_rate, angle, pull)


@equation
def motion(model, p, speed, lateral_velocity, yaw_rate, angle, pull):
    """Give yaw rate (rad/s, + left) and lateral velocity of the rear-axle middle (m/s, + left), as `lateral` does."""
    if model == SINGLE_TRACK:
        return single_track_motion(p, speed, lateral_velocity, yaw_rate, angle, pull)
    return kinematic_motion(p, speed, lateral_velocity, yaw_rate, angle, pull)


@equation
def derivative(model, p, state, inputs, around):
    """Give the time derivative of the state.

    Args:
        model: code of the model, a value of `MODELS`.
        p: PlantParameters.
        state: State.
        inputs: Inputs.
        around: Surroundings.

    Returns:
        State whose fields are the derivatives, each per second; 0 for those that `settle` sets.
    """
    drive, brake = thrust(p, state, inputs, around)
    angle = wheel_angle(p, state.steering_angle, state.play_angle)
    moves = body(model, p, state, angle, drive, brake, around)
    angle_dot, rate_dot = steering_derivative(p, inputs.target, state.steering_angle, state.steering_rate)
    # Without power the rate is lost within some milliseconds, as at a stop.
    loose_dot, loose_rate_dot = unpowered_rate(p, state.speed, state.steering_angle, state.steering_rate)
    powered = inputs.power > 0.0
    demand_drive, demand_brake = demands(p, state, inputs)
    drive_dot, brake_dot = drive_derivative(
        p, demand_drive, demand_brake, state.drive_acceleration, state.brake_acceleration
    )
    sine, cosine = sine_cosine(state.heading)
    return State(
        state.speed * cosine - moves.rear_velocity * sine,
        state.speed * sine + moves.rear_velocity * cosine,
        moves.yaw_rate,
        moves.speed_dot,
        moves.lateral_dot,
        moves.yaw_dot,
        select(powered, angle_dot, loose_dot),
        select(powered, rate_dot, loose_rate_dot),
        drive_dot,
        brake_dot,
        moves.slip_front_dot,
        moves.slip_rear_dot,
        integral_derivative(p, state, inputs),
        0.0,
        0.0,
    )


@equation
def settle(p, state, inputs):
    """Give the state after a step of integration with what is no integral set anew: play and pedal."""
    return State(
        state.x,
        state.y,
        state.heading,
        state.speed,
        state.lateral_velocity,
        state.yaw_rate,
        state.steering_angle,
        state.steering_rate,
        state.drive_acceleration,
        state.brake_acceleration,
        state.slip_front,
        state.slip_rear,
        state.speed_integral,
        wheel_angle(p, state.steering_angle, state.play_angle),
        pedal_after(p, state, inputs),
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
        state.slip_front + h * slope.slip_front,
        state.slip_rear + h * slope.slip_rear,
        state.speed_integral + h * slope.speed_integral,
        state.play_angle,
        state.pedal,
    )


@equation
def rk4(model, p, state, inputs, around, h):
    """Give the state after a step of h (s) by the classical Runge-Kutta method, inputs held over the step."""
    total, point = state, state
    # A loop, not four calls written out: a quarter of the code to compile, and no slower.
    for stage in range(4):
        slope = derivative(model, p, point, inputs, around)
        total = _advance(total, slope, h / 6.0 if stage == 0 or stage == 3 else h / 3.0)
        point = _advance(state, slope, h if stage == 2 else 0.5 * h)
    return settle(p, total, inputs)
