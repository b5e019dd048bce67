"""The closed-form laws in one place, chosen by an integer so that numba can keep compiled kernels on disk."""

from __future__ import annotations

import numpy as np

from tracker.laws.base import View
from tracker.laws.preview_lqr import preview_lqr
from tracker.laws.pure_pursuit import pure_pursuit
from tracker.laws.stanley import stanley
from tracker.response import ResponseValues
from tracks.geometry import PathArrays
from tracks.one_source import equation

__all__ = ["FORMULAS", "wanted_curvature"]

# By kernel: what a law's terms are worked out with, for an explanation.
FORMULAS = {1: pure_pursuit, 2: stanley, 3: preview_lqr}


@equation
def wanted_curvature(
    kernel: int,
    gains: np.ndarray,
    response: ResponseValues,
    path: PathArrays,
    view: View,
    state: np.ndarray,
) -> float:
    """Give the path curvature that a closed-form law wants, 1/m, + left; NaN for an unknown kernel.

    Args:
        kernel: of the law.
        gains: its `gain_table`.
        response: of the vehicle.
        path: to follow.
        view: of the vehicle against it.
        state: what the law remembers, shape (LAW_SLOTS,), which it brings up to date.
    """
    if kernel == 1:
        return pure_pursuit(gains, response, path, view, state).curvature
    elif kernel == 2:
        return stanley(gains, response, path, view, state).curvature
    elif kernel == 3:
        return preview_lqr(gains, response, path, view, state).curvature
    else:
        return np.nan
