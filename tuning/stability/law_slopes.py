"""A closed-form law, linearised by CasADi from the very formula that is compiled for driving.

wanted = a + J view + H state,  state⁺ = b + G view + F state, deviations from the steady view. The formula is traced once a
speed; the gains that a map varies are symbols in it, so that a row of the map costs one call of a function.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker.laws.base import View
from tracker.laws.closed_form import wanted_curvature
from tracker.memory import LAW_SLOTS
from tracks.one_source import close, traced
from tuning.stability.local_path import LocalPath, on_local_path

if TYPE_CHECKING:
    from tracker.response import ResponseValues

__all__ = ["ClosedForm", "LinearLaw"]

Array = NDArray[np.float64]

# Fields that a small deviation leaves alone: they belong to the path, the clock or the speed.
_CONSTANT = ("time", "speed", "s", "path_curvature", "ahead_curvature", "slip", "since")


@dataclass(frozen=True)
class LinearLaw:
    """wanted = J view + H ξ, ξ⁺ = G view + F ξ in deviations; `exact` unless found by differences.

    Shapes: `view` J (fields,), `state` H (n,), `onto` G (n, fields), `own` F (n, n).
    """

    view: Array
    state: Array
    onto: Array
    own: Array
    exact: bool = True

    def at(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Give the response from view to wanted curvature at z, shape (k,) -> (k, fields) or (1, fields)."""
        if self.state.size == 0:
            return self.view[None, :].astype(complex)
        resolvent = np.linalg.solve(
            z[:, None, None] * np.eye(self.state.size) - self.own, self.onto.astype(complex)[None]
        )
        return self.view + np.einsum("n,knf->kf", self.state, resolvent)

    def pruned(self) -> LinearLaw:
        """Leave out states that no view reaches or that reach no answer: unused slots stand still for ever."""
        reached = _closure(np.any(self.onto != 0.0, axis=1), self.own != 0.0)
        seen = _closure(self.state != 0.0, (self.own != 0.0).T)
        kept = np.flatnonzero(reached & seen)
        return LinearLaw(
            self.view, self.state[kept], self.onto[kept], self.own[np.ix_(kept, kept)], self.exact
        )


def _closure(begun: NDArray[np.bool_], follows: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Give the states that are reached: `follows[i, j]` says that state i follows from state j."""
    reached = begun.copy()
    for _ in range(begun.size):
        reached |= np.any(follows & reached[None, :], axis=1)
    return reached


class ClosedForm:
    """The formula of one closed-form law at one speed and path curvature, with its slopes.

    Args:
        kernel: of the law.
        response: the vehicle that it believes in.
        tables: gain tables of the variants, shape (rows, ...); entries that differ become symbols.
        curvature: of the path, 1/m.
        steady: a view of the steady drive, for the fields that stay as they are.
    """

    def __init__(
        self, kernel: int, response: ResponseValues, tables: Array, curvature: float, steady: View
    ) -> None:
        import casadi

        self.tables = tables
        self._varied = np.argwhere(np.any(tables != tables[:1], axis=0))
        moving = [i for i, name in enumerate(View._fields) if name not in _CONSTANT]
        view, state, gains = (
            casadi.SX.sym("view", len(moving)),
            casadi.SX.sym("state", LAW_SLOTS),
            casadi.SX.sym("gains", len(self._varied)),
        )
        fields: list[Any] = [float(value) for value in steady]
        for k, i in enumerate(moving):
            fields[i] = view[k]
        table = tables[0].astype(object)
        for k, index in enumerate(self._varied):
            table[tuple(index)] = gains[k]
        slots: Any = [state[i] for i in range(LAW_SLOTS)]
        asked = fields[View._fields.index("asked")]
        formula = traced(wanted_curvature, {**on_local_path(), close: _closes(asked)})
        wanted = casadi.SX(formula(kernel, table, response, LocalPath(curvature), View(*fields), slots))
        following = casadi.vertcat(*(casadi.SX(slot) for slot in slots))
        answer = casadi.vertcat(wanted, following)
        both = casadi.vertcat(view, state)
        self._moving = np.array(moving)
        self._answer = casadi.Function("answer", [view, state, gains], [answer])
        self._slopes = casadi.Function("slopes", [view, state, gains], [casadi.jacobian(answer, both)])

    def answer(self, view: View, state: Array, row: int = 0) -> tuple[float, Array]:
        """Give the curvature wanted [1/m] and the state after it."""
        found = self._answer(np.array(view)[self._moving], state, self._gains(row)).full().ravel()
        return float(found[0]), found[1:]

    def linear(self, view: View, state: Array, row: int = 0) -> LinearLaw:
        """Linearise about a view and a state."""
        slopes = self._slopes(np.array(view)[self._moving], state, self._gains(row)).full()
        count = self._moving.size
        onto_view = np.zeros((1 + LAW_SLOTS, len(View._fields)))
        onto_view[:, self._moving] = slopes[:, :count]
        return LinearLaw(onto_view[0], slopes[0, count:], onto_view[1:], slopes[1:, count:]).pruned()

    def _gains(self, row: int) -> Array:
        return self.tables[row][tuple(self._varied.T)] if len(self._varied) else np.zeros(0)


def _closes(asked: Any) -> Any:
    """Stand in for `close`: what was asked is what was wanted as long as the envelope does not act; iterations go on."""
    import casadi

    def closes(difference: Any, tolerance: float) -> bool:
        return isinstance(difference, casadi.SX) and bool(casadi.depends_on(difference, asked))

    return closes
