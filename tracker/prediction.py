"""Dead-time compensation: where the vehicle will be when the command that is about to be given takes effect.

The commands still in flight are known, so the vehicle is carried through them: on the rear axle ẋ = v cos ψ,
ẏ = v sin ψ, ψ̇ = v κ, and T κ̇ = κ_c − κ with the curvature κ_c that the commands in flight ask for
(the predictor of O. J. M. Smith, 1957, in the time domain; common practice).
"""

from __future__ import annotations

import numpy as np

from tracker.memory import COUNT, NEWEST, Memory
from tracker.response import ResponseValues
from tracks.one_source import equation, select

__all__ = ["advance", "driven_curvature", "predict"]


@equation
def driven_curvature(response: ResponseValues, speed: float, steering_angle: float) -> float:
    """Give the curvature of the rear axle's path in a steady turn, 1/m: tan δ / (L + K v²)."""
    length = response.wheelbase + response.understeer_gradient * speed * speed
    return np.tan(steering_angle) / length


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
    middle = heading + 0.5 * turn
    return (
        x + speed * span * np.cos(middle),
        y + speed * span * np.sin(middle),
        heading + turn,
        asked + gap * left,
    )


@equation
def predict(response: ResponseValues, memory: Memory, time, x, y, heading, speed, curvature):
    """Give (x, y, heading, curvature) at `time` + dead time, through the commands in flight."""
    dead_time = response.dead_time
    count = int(memory.numbers[COUNT])
    newest = int(memory.numbers[NEWEST])
    ring = memory.times.shape[0]
    done = 0.0  # of the dead time, s
    for back in range(count - 1, -1, -1):
        slot = (newest - back + ring) % ring
        until = dead_time
        if back > 0:
            following = (newest - back + 1 + ring) % ring
            until = memory.times[following] + dead_time - time
        until = select(until > dead_time, dead_time, until)
        if until > done:
            x, y, heading, curvature = advance(
                x, y, heading, speed, curvature, memory.curvatures[slot], response.lag, until - done
            )
            done = until
    return x, y, heading, curvature
