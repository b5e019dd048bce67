"""DAQP around preallocated arrays: a programme that changes every step, started from the last one's active bounds.

DAQP is a dual active-set method (D. Arnström, A. Bemporad, D. Axehill, IEEE Trans. Automatic Control 67(8), 2022).
"""

from __future__ import annotations

import math
from typing import Any

import daqp  # pyright: ignore[reportMissingImports]  # a compiled module without stubs
import numpy as np
from numpy.typing import NDArray

__all__ = ["Solver"]

_OPTIMAL, _SOFT_VIOLATED = 1, 2  # DAQP's flags of success
_SETTINGS = {
    "primal_tol": 1e-8,  # of a bound, in 1/m or less: the cost is scaled so that a row's norm is at most about 1
    "zero_tol": 1e-14,  # square of the norm below which a row counts as empty
    "eps_prox": 0.0,  # the Hessian is positive definite
    "iter_limit": 500,  # some ten times what a hard programme takes; bounds the time of a step
}  # fmt: skip


class Solver:
    """One programme: min ½ zᵀ H z + fᵀ z with bounds on z, then on rows z; soft ones cost half their square.

    Args:
        work: has `hessian`, `gradient`, `rows`, `upper`, `lower`, `kinds`, whose contents may change between two
            solutions but for `kinds`.
        fixed: whether Hessian and rows never change, which saves factorising them anew.
        warm: whether to start from the bounds that were active last.
    """

    def __init__(self, work: Any, fixed: bool = False, warm: bool = True) -> None:
        self._work, self._fixed, self._warm = work, fixed, warm
        self._model: Any = None
        self.violated = False
        """Whether a soft bound was violated in the last solution."""
        self.found: NDArray[np.float64] | None = None
        """The last solution, shape (f,), or None after a failure."""
        self.info: dict[str, Any] = {}
        """DAQP's own report on the last success: iterations, multipliers."""

    def forget(self) -> None:
        """Start the next programme afresh."""
        self._model = None

    def solve(self) -> NDArray[np.float64] | None:
        """Give the optimum, shape (f,), or None."""
        work, model = self._work, self._model
        if model is None:
            model = daqp.Model()
            model.settings = _SETTINGS
            flag, _ = model.setup(work.hessian, work.gradient, work.rows, work.upper, work.lower, work.kinds)
            ones = np.ones_like(work.upper)
            model.soft_weights(ones, ones)
        elif self._fixed:
            flag = model.update(None, work.gradient, None, work.upper, work.lower)
        elif self._warm:
            flag = model.update(work.hessian, work.gradient, work.rows, work.upper, work.lower)
        else:
            flag = model.update(work.hessian, work.gradient, work.rows, work.upper, work.lower, work.kinds)
        # Whatever spoils a solver's state, the next programme starts afresh: it is kept only after success.
        self._model = self.found = None
        if flag < 0:
            return None
        found, cost, flag, info = model.solve()
        if flag not in (_OPTIMAL, _SOFT_VIOLATED) or not math.isfinite(cost):
            return None
        self._model, self.found, self.violated, self.info = model, found, flag == _SOFT_VIOLATED, info
        return found
