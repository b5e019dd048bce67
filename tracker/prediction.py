"""Dead-time compensation: where the vehicle will be when the command that is about to be given takes effect.

The commands still in flight are known, so the vehicle is carried through them: on the rear axle ẋ = v cos ψ,
ẏ = v sin ψ, ψ̇ = v κ, and T κ̇ = κ_c − κ with the curvature κ_c that the commands in flight ask for
(the predictor of O. J. M. Smith, 1957, in the time domain; common practice).
"""

from __future__ import annotations

import numpy as np

from tracker.memory import COUNT, NEWEST, Memory
from tracker.response import ResponseValues
from tracks.one_source import equation, sine_cosine

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
    sine, cosine = sine_cosine(heading + 0.5 * turn)
    return (
        x + speed * span * cosine,
        y + speed * span * sine,
        heading + turn,
        asked + gap * left,
    )


@equation
def predict(response: ResponseValues, memory: Memory, time, x, y, heading, speed, curvature):
    """Give (x, y, heading, curvature) at `time` + dead time, through the commands in flight."""
    dead_time = response.dead_time
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
            x, y, heading, curvature = advance(
                x, y, heading, speed, curvature, asked, response.lag, until - done
            )
            done = until
    return x, y, heading, curvature
