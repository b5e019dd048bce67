"""The closed-form laws in one place, chosen by an integer so that numba can keep compiled kernels on disk."""

from __future__ import annotations

import numpy as np

from tracker.laws.base import View
from tracker.laws.pure_pursuit import PurePursuitGains, pure_pursuit
from tracker.laws.stanley import StanleyGains, stanley
from tracker.response import ResponseValues
from tracks.geometry import PathArrays
from tracks.one_source import equation

__all__ = ["wanted_curvature"]


@equation
def wanted_curvature(
    kernel: int, gains: np.ndarray, response: ResponseValues, path: PathArrays, view: View
) -> float:
    """Give the path curvature that a closed-form law wants, 1/m, + left; NaN for an unknown kernel."""
    if kernel == 1:
        return pure_pursuit(PurePursuitGains(gains[0], gains[1], gains[2]), path, view)
    elif kernel == 2:
        return stanley(StanleyGains(gains[0], gains[1], gains[2]), response, path, view)
    else:
        return np.nan
