"""Dynamic single-track body with brush tyres, load transfer and friction, handed over to the kinematic form.

Notation: as in `single_track.py` and `brush.py`, and h height of the centre of gravity, L wheelbase, c compliance of
the steering, p, q and w side pull, turn and resistance from outside.

    m (v̇ + u r) = F_xf sin δ + F_f cos δ + F_r + m p    I ṙ = a (F_xf sin δ + F_f cos δ) − b F_r + I q
    m (u̇ − v r) = F_xf cos δ − F_f sin δ + F_xr + m w    δ = actuator angle − c F_f
    F_zf = (m g b − m a_x h)/L, F_zr = m g − F_zf, with a_x of drive and brake, bounded by the grip

The stiffness of an axle goes with its load, C = C_0 F_z/F_z0: load transfer alone then changes neither slip nor the
slip at which an axle slides (true for small changes of load; real tyres lose some stiffness: common practice, no
source). Resistance by air acts at the height of the centre of gravity, so grade and air shift no more load than what
drive and brake hold against them. Wheels do not spin or lock as such: what an axle asks for above μ F_z is lost.

The kinematic form is alone below 1 m/s and the dynamic one above 3 m/s, as in `single_track.py`; meanwhile the slip is
drawn to 0 with the kinematic share. Just above, the tyres are springs with little damping, some 4 Hz for a car: so it
is in a real one (from memory), where its own damping adds to it.
"""

from __future__ import annotations

import numpy as np

from tracker.motion.kinematic import FOLLOWING_TIME, kinematic_lateral
from tracker.motion.single_track import dynamic_share, single_track_motion
from tracks.one_source import clip, equation, sine_cosine
from tuning.vehicle.brush import brush_force, relaxation, side_capacity
from tuning.vehicle.resistance import GRAVITY, along, resistance, side_pull
from tuning.vehicle.state import Motion

__all__ = ["axle_loads", "brush_forces", "single_track_brush_body"]

_LEAST_COSINE = 0.1  # below that of any steering angle that a vehicle file may hold


@equation
def axle_loads(p, around, thrust):
    """Give the loads (N) of front and rear axle under what drive and brake give together (m/s²)."""
    cosine = sine_cosine(around.grade)[1] * sine_cosine(around.bank)[1]
    weight = p.mass * GRAVITY * cosine
    grip = p.friction * around.friction * GRAVITY * cosine
    moved = p.mass * clip(thrust, -grip, grip) * p.centre_height
    front = clip((weight * p.rear_axle_distance - moved) / p.wheelbase, 0.0, weight)
    return front, weight - front


@equation
def brush_forces(p, around, drive, brake, slip_front, slip_rear):
    """Give the forces (N) of front and rear axle: along front and rear, side front and rear (+ left), in wheel axes."""
    load_front, load_rear = axle_loads(p, around, drive + brake)
    grip_front = p.friction * around.friction * load_front
    grip_rear = p.friction * around.friction * load_rear
    asked_front = p.mass * (p.drive_front_share * drive + p.brake_front_share * brake)
    asked_rear = p.mass * (drive + brake) - asked_front
    along_front = clip(asked_front, -grip_front, grip_front)
    along_rear = clip(asked_rear, -grip_rear, grip_rear)
    per_load = p.wheelbase / (p.mass * GRAVITY)
    stiffness_front = p.tyre_stiffness_front * load_front * per_load / p.rear_axle_distance
    stiffness_rear = p.stiffness_rear * load_rear * per_load / p.front_axle_distance
    return (
        along_front,
        along_rear,
        brush_force(stiffness_front, side_capacity(grip_front, along_front), slip_front),
        brush_force(stiffness_rear, side_capacity(grip_rear, along_rear), slip_rear),
    )


@equation
def single_track_brush_body(p, state, angle, drive, brake, around):
    """Give the `Motion` in a state; arguments as for every body (`tuning.vehicle.model.body`)."""
    speed, velocity, rate = state.speed, state.lateral_velocity, state.yaw_rate
    along_front, along_rear, side_front, side_rear = brush_forces(
        p, around, drive, brake, state.slip_front, state.slip_rear
    )
    wheel = angle - p.compliance * side_front
    sine, cosine = sine_cosine(wheel)
    pull, turn = side_pull(p, around, speed, velocity)
    across = along_front * sine + side_front * cosine
    velocity_dynamic = (across + side_rear) / p.mass - speed * rate + pull
    yaw_dynamic = (p.front_axle_distance * across - p.rear_axle_distance * side_rear) / p.yaw_inertia + turn
    front = velocity + p.front_axle_distance * rate
    slip_front_dynamic = relaxation(
        p.relaxation_length,
        speed * cosine + front * sine,
        front * cosine - speed * sine,
        state.slip_front,
        1.0 + p.compliance * p.tyre_stiffness_front,
    )
    slip_rear_dynamic = relaxation(
        p.relaxation_length, speed, velocity - p.rear_axle_distance * rate, state.slip_rear, 1.0
    )
    velocity_kinematic, yaw_kinematic = kinematic_lateral(p, speed, velocity, rate, angle, pull)
    slip_front_kinematic = -state.slip_front / FOLLOWING_TIME
    slip_rear_kinematic = -state.slip_rear / FOLLOWING_TIME
    # What holds a kinematic vehicle in its turn is a side force too, the tyres' being drawn to 0. Left out here, it
    # would not work against the turn's v r, and a vehicle would gain speed in the hand-over by steering.
    held = (1.0 - dynamic_share(speed)) * (
        p.mass * p.rear_axle_distance * (velocity_kinematic - velocity_dynamic)
        + p.yaw_inertia * (yaw_kinematic - yaw_dynamic)
    )
    pushing = side_front + held / (p.wheelbase * np.maximum(cosine, _LEAST_COSINE))
    speed_kinematic = along(p, around, speed, drive, brake)
    speed_dynamic = (
        velocity * rate
        + (along_front * cosine - pushing * sine + along_rear) / p.mass
        + resistance(p, around, speed)
    )
    share = dynamic_share(speed)
    yaw_rate, rear_velocity = single_track_motion(p, speed, velocity, rate, angle, pull)
    return Motion(
        yaw_rate,
        rear_velocity,
        speed_kinematic + share * (speed_dynamic - speed_kinematic),
        velocity_kinematic + share * (velocity_dynamic - velocity_kinematic),
        yaw_kinematic + share * (yaw_dynamic - yaw_kinematic),
        slip_front_kinematic + share * (slip_front_dynamic - slip_front_kinematic),
        slip_rear_kinematic + share * (slip_rear_dynamic - slip_rear_kinematic),
        wheel,
    )
