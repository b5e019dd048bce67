"""What a set of logs can and cannot tell, said before anything is fitted.

Steady cornering, r = v tan δ/(L + K v²) with δ = gain · command + offset, shows only the ratio of gain (or of the
scale of a static map) to wheelbase: a yaw rate alone cannot part them, a measured steering angle can.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from tracks.errors import InputError

__all__ = ["check_can_tell", "check_sign", "understeer_shows"]

Array = NDArray[np.float64]

_MOTION = ("yaw_rate", "lateral_acceleration")
_LEAST_SPREAD = 1.3  # of the 90th to the 10th percentile of speed, for K v² to be told from L or from a gain
_OPPOSED = -0.3  # correlation of command and yaw rate over speed that no offset, lag or noise explains


def check_can_tell(interface: str, outputs: Collection[str], known: Collection[str]) -> None:
    """Refuse what no fit could tell apart.

    Args:
        interface: of the steering.
        outputs: names of the measured answers.
        known: dotted names of what the user knows.

    Raises:
        InputError: says what cannot be told from what, and what to give.
    """
    moves = any(name in outputs for name in _MOTION)
    if not moves and "steering_angle" not in outputs:
        raise InputError(
            "the logs measure no answer of the vehicle to its steering",
            "yaw_rate, heading, steering_angle or lateral_acceleration that varies while the vehicle moves",
            "add one of these to the channel file",
        )
    if "body.wheelbase" in known:
        return
    if not moves:
        raise InputError(
            "the wheelbase cannot be found from a steering angle alone",
            "a yaw rate, a heading or a known wheelbase",
            "add yaw_rate to the channel file, or give known={'wheelbase': ...} in m",
        )
    if "steering_angle" in outputs:
        return
    if interface == "curvature":
        raise InputError(
            "a curvature command and the yaw rate cannot give the wheelbase: the vehicle has already used it",
            "a known wheelbase, or a measured steering_angle",
            "give known={'wheelbase': ...} in m, as the data sheet or a tape measure says",
        )
    if interface == "angle" and "steering.gain" not in known:
        raise InputError(
            "the yaw rate shows only the ratio of steering gain to wheelbase, not both",
            "one of the two known, or a measured steering_angle",
            "give known={'wheelbase': ...} in m, or known={'gain': 1.0} where the angle is the road wheels' own",
        )
    if interface == "number" and "steering.map_angle" not in known:
        raise InputError(
            "the yaw rate shows only the ratio of the steering map's scale to the wheelbase, not both",
            "one of the two known, or a measured steering_angle",
            "give known={'wheelbase': ...} in m, or known={'map_command': [...], 'map_angle': [...]} in rad",
        )


def check_sign(command: Array, curvature: Array) -> None:
    """Refuse a command whose sign is opposed to the motion; both of shape (n,), curvature 1/m and positive to the left."""
    if np.ptp(command) == 0.0:
        raise InputError(
            "the steering command never changes while the vehicle moves",
            "a drive with steering in it",
            "record slow weaving and steps to both sides",
        )
    if np.ptp(curvature) > 0.0 and np.corrcoef(command, curvature)[0, 1] < _OPPOSED:
        raise InputError(
            "the vehicle turns against its steering command",
            "a positive command and a positive answer both to the left",
            "set scale = -1.0 for whichever channel has its sign turned",
        )


def understeer_shows(speed: Array, interface: str, outputs: Collection[str], known: Collection[str]) -> bool:
    """Say whether the understeer gradient can be told from what else is unknown, by the spread of the speed, shape (n,)."""
    scale = "steering.map_angle" if interface == "number" else "steering.gain"
    if "body.wheelbase" in known and ("steering_angle" in outputs or scale in known):
        return True
    slow, fast = np.percentile(speed, (10.0, 90.0))
    return bool(fast >= _LEAST_SPREAD * slow)
