"""Dead-time compensation: where the vehicle will be when the command that is about to be given takes effect.

The commands still in flight are known, so the vehicle is carried through them: on the rear axle ẋ = v cos ψ,
ẏ = v sin ψ, ψ̇ = v κ, and T κ̇ = κ_c − κ with the curvature κ_c that the commands in flight ask for
(the predictor of O. J. M. Smith, 1957, in the time domain; common practice). The road wheels, T_δ κ̇_δ = κ_c − κ_δ with
the lag of the steering alone, and the lateral velocity of the rear axle are carried along for laws that know tyres.
"""

from __future__ import annotations

import numpy as np

from tracker.memory import COUNT, NEWEST, Memory
from tracker.response import ResponseValues
from tracks.one_source import clip, equation, select, sine_cosine

__all__ = [
    "advance",
    "driven_curvature",
    "lag_at",
    "predict",
    "rear_slip",
    "rear_velocity",
    "steered_curvature",
]


@equation
def driven_curvature(response: ResponseValues, speed: float, yaw_rate: float, steering_angle: float) -> float:
    """Give the curvature of the rear axle's path, 1/m, + left.

    That of a steady turn, tan δ/(L + K v²); where the tyres are known and so the delay of the body, r/v from
    3 m/s on and a mixture from 1 m/s, since the yaw rate says nothing at standstill.
    """
    steady = np.tan(steering_angle) / (response.wheelbase + response.understeer_gradient * speed * speed)
    share = select(response.cornering_stiffness_rear > 0.0, clip(0.5 * (speed - 1.0), 0.0, 1.0), 0.0)
    return steady + share * (yaw_rate / np.maximum(speed, 1.0) - steady)


@equation
def lag_at(response: ResponseValues, speed: float) -> float:
    """Give the lag from steering command to curvature, s: that of the steering and, where known, that of the body.

    The lateral acceleration of a linear single-track body at its rear axle answers the steering angle with
    1/(1 + A₁/A₀ s + s²/A₀) but for a small term (none if I = m a b), so its delay is A₁/A₀, with
    A₁ = (C_f + C_r)/(m v) + (a² C_f + b² C_r)/(I v), A₀ = C_f C_r L²/(m I v²) + (b C_r − a C_f)/I.
    """
    m, a = response.mass, response.front_axle_distance
    front, rear = response.cornering_stiffness_front, response.cornering_stiffness_rear
    known = front * rear * m * a > 0.0
    m, a = select(known, m, 1.0), select(known, a, 0.5 * response.wheelbase)
    b = response.wheelbase - a
    inertia = select(response.yaw_inertia > 0.0, response.yaw_inertia, m * a * b)
    stiff = front * rear * response.wheelbase * response.wheelbase / (m * inertia)
    # The bound keeps an oversteering vehicle near its critical speed finite.
    restoring = np.maximum(stiff + speed * speed * (b * rear - a * front) / inertia, 0.2 * stiff)
    damping = speed * ((front + rear) / m + (a * a * front + b * b * rear) / inertia)
    return response.lag + select(known, damping / select(known, restoring, 1.0), 0.0)


@equation
def rear_slip(response: ResponseValues, speed: float, curvature: float) -> float:
    """Give by how much the heading of a steady turn points into the curve of the rear axle's path, rad, + left.

    The rear axle's force m a v² κ/L (a: centre of gravity to front axle) over its cornering stiffness; 0 where
    the vehicle's tyres are not known (Rajamani, Vehicle Dynamics and Control, ch. 3: from memory).
    """
    stiffness = response.cornering_stiffness_rear
    force = response.mass * response.front_axle_distance * speed * speed * curvature / response.wheelbase
    return select(stiffness > 0.0, force / select(stiffness > 0.0, stiffness, 1.0), 0.0)


@equation
def steered_curvature(
    response: ResponseValues, speed: float, curvature: float, steering_angle: float
) -> float:
    """Give the curvature of the steady turn that belongs to the road-wheel angle, tan δ/(L + K v²), 1/m, + left.

    Where the tyres are not known, or the angle is 0.0 as it is where nobody measures it, that driven now stands for it.
    """
    known = response.cornering_stiffness_rear > 0.0 and steering_angle != 0.0
    length = response.wheelbase + response.understeer_gradient * speed * speed
    return select(known, np.tan(steering_angle) / length, curvature)


@equation
def rear_velocity(
    response: ResponseValues, last: float, speed: float, turn_rate: float, span: float
) -> float:
    """Carry the lateral velocity of the rear-axle middle [m/s, + left] over `span` [s] at a turn rate [rad/s].

    With I = m a b the front axle's force does not move the rear axle, so v̇_r = −v r − C_r L/(m a v) v_r, which needs no
    steering angle (derived; the same simplification as in `lag_at`). 0 where the tyres are not known.
    """
    length, stiffness = response.wheelbase, response.cornering_stiffness_rear
    load = response.mass * response.front_axle_distance
    known = stiffness * load > 0.0
    time = select(known, load / (select(known, stiffness, 1.0) * length), 0.0) * np.maximum(speed, 0.1)
    steady = -time * speed * turn_rate
    return steady + (last - steady) * np.exp(-span / np.maximum(time, 1e-6)) * select(known, 1.0, 0.0)


@equation
def advance(x, y, heading, speed, curvature, asked, lag, span):
    """Carry a pose and a lagging curvature over `span` [s] with a constant curvature asked for.

    The lag is exact; the pose takes the mean curvature of the span at its middle heading.
    """
    lag = np.maximum(lag, 1e-6)
    left = np.exp(-span / lag)
    gap = curvature - asked
    mean = asked + gap * lag * (1.0 - left) / np.maximum(span, 1e-9)
    turn = speed * mean * span
    sine, cosine = sine_cosine(heading + 0.5 * turn)
    return (
        x + speed * span * cosine,
        y + speed * span * sine,
        heading + turn,
        asked + gap * left,
    )


@equation
def predict(
    response: ResponseValues, memory: Memory, time, x, y, heading, speed, curvature, steered, sideways
):  # fmt: skip
    """Carry a vehicle through the commands in flight to `time` + dead time.

    Takes and gives pose (m, rad), curvature driven and curvature steered (1/m), and the lateral velocity of the rear
    axle (m/s, `sideways`): (x, y, heading, curvature, steered, sideways).
    """
    dead_time = response.dead_time
    lag = lag_at(response, speed)
    mask = memory.times.shape[0] - 1
    newest = int(memory.numbers[NEWEST])
    # Back to the command that acts now: the first one, going back, that was given a dead time ago or earlier.
    back = 0
    last = int(memory.numbers[COUNT]) - 1
    while back < last and memory.times[(newest - back) & mask] + dead_time > time:
        back += 1
    done = 0.0  # of the dead time, s
    for i in range(back, -1, -1):
        until = dead_time
        if i > 0:
            until = np.minimum(memory.times[(newest - i + 1) & mask] + dead_time - time, dead_time)
        if until > done:
            asked = memory.curvatures[(newest - i) & mask]
            span, before = until - done, curvature
            x, y, heading, curvature = advance(x, y, heading, speed, curvature, asked, lag, span)
            steered = asked + (steered - asked) * np.exp(-span / np.maximum(response.lag, 1e-6))
            sideways = rear_velocity(response, sideways, speed, 0.5 * speed * (before + curvature), span)
            done = until
    return x, y, heading, curvature, steered, sideways
