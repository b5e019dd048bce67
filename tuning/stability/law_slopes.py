"""A closed-form law, linearised by CasADi from the very formula that is compiled for driving.

wanted = a + J view + H state,  state⁺ = b + G view + F state, deviations from the steady view. The formula is traced once a
speed; the gains that a map varies are symbols in it, so that a row of the map costs one call of a function.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
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
_HELD = tuple(
    name
    for name in ("time", "speed", "s", "path_curvature", "ahead_curvature", "slip", "since")
    if name in View._fields
)
_MOVING = np.array([i for i, name in enumerate(View._fields) if name not in _HELD])


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

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which states reach the answer, now or later, shape (n,)."""
        return _closure(self.state != 0.0, (self.own != 0.0).T)

    def pruned(self) -> LinearLaw:
        """Leave out states that no view reaches or that reach no answer: unused slots stand still for ever."""
        reached = _closure(np.any(self.onto != 0.0, axis=1), self.own != 0.0)
        kept = np.flatnonzero(reached & self.seen)
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
        self.tables = tables
        self._varied = np.argwhere(np.any(tables != tables[:1], axis=0))
        held = tuple(float(getattr(steady, name)) for name in _HELD)
        base = tables[0].copy()
        base[tuple(self._varied.T)] = 0.0
        self._answer, self._slopes = _functions(
            kernel, response, base.tobytes(), base.shape, tuple(map(tuple, self._varied.tolist())), curvature, held
        )  # fmt: skip

    def answer(self, view: View, state: Array, row: int = 0) -> tuple[float, Array]:
        """Give the curvature wanted [1/m] and the state after it."""
        found = self._answer(np.array(view)[_MOVING], state, self._gains(row)).full().ravel()
        return float(found[0]), found[1:]

    def linear(self, view: View, state: Array, row: int = 0) -> LinearLaw:
        """Linearise about a view and a state, without the states that make no difference."""
        return self.whole(view, state, row).pruned()

    def whole(self, view: View, state: Array, row: int = 0) -> LinearLaw:
        """Linearise about a view and a state, every slot of the state a state."""
        slopes = self._slopes(np.array(view)[_MOVING], state, self._gains(row)).full()
        count = _MOVING.size
        onto_view = np.zeros((1 + LAW_SLOTS, len(View._fields)))
        onto_view[:, _MOVING] = slopes[:, :count]
        return LinearLaw(onto_view[0], slopes[0, count:], onto_view[1:], slopes[1:, count:])

    def _gains(self, row: int) -> Array:
        return self.tables[row][tuple(self._varied.T)] if len(self._varied) else np.zeros(0)


@lru_cache(maxsize=512)
def _functions(
    kernel: int, response: ResponseValues, base: bytes, shape: tuple[int, ...], varied: tuple[tuple[int, ...], ...],
    curvature: float, held: tuple[float, ...],
) -> tuple[Any, Any]:  # fmt: skip
    """Trace a formula: give the functions (view, state, gains) -> answer and -> slopes; kept, since drives repeat."""
    import casadi

    view, state, gains = (
        casadi.SX.sym("view", _MOVING.size),
        casadi.SX.sym("state", LAW_SLOTS),
        casadi.SX.sym("gains", len(varied)),
    )
    fields: dict[str, Any] = dict(zip(_HELD, held, strict=True))
    fields |= {View._fields[i]: view[k] for k, i in enumerate(_MOVING)}
    table = np.frombuffer(base).reshape(shape).astype(object)
    for k, index in enumerate(varied):
        table[index] = gains[k]
    slots: Any = [state[i] for i in range(LAW_SLOTS)]
    formula = traced(wanted_curvature, {**on_local_path(), close: _closes(fields["asked"])})
    wanted = casadi.SX(formula(kernel, table, response, LocalPath(curvature), View(**fields), slots))
    answer = casadi.vertcat(wanted, *(casadi.SX(slot) for slot in slots))
    both = casadi.vertcat(view, state)
    inputs = [view, state, gains]
    return (
        casadi.Function("answer", inputs, [answer]),
        casadi.Function("slopes", inputs, [casadi.jacobian(answer, both)]),
    )


def _closes(asked: Any) -> Any:
    """Stand in for `close`: what was asked is what was wanted as long as the envelope does not act; iterations go on."""
    import casadi

    def closes(difference: Any, tolerance: float) -> bool:
        return isinstance(difference, casadi.SX) and bool(casadi.depends_on(difference, asked))

    return closes
