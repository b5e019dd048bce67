"""One source for every equation: compiled by numba, traced by CasADi, plain in tests and in a debugger.

An equation is a small module-level function over floats (and NamedTuples of floats or arrays), written with
`np.sin`, arithmetic and `select`, and decorated with `equation`. Called as it is, it runs compiled, from
numba's disk cache. `plain` gives the same source as ordinary Python, and `traced` the same source over CasADi
symbols; both rebind the names that the source looks up, so that equations may call each other.
Module-level functions were chosen over a factory of closures since numba caches only the former on disk.
"""

from __future__ import annotations

import contextlib
import types
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path as FilePath
from typing import Any, TypeVar

import numba
import numpy as np
from numba.core.caching import IndexDataCacheFile
from numba.core.dispatcher import Dispatcher

try:
    import fcntl
except ImportError:  # not a POSIX system: writers there are not kept apart
    fcntl = None

__all__ = [
    "array_loop",
    "clip",
    "close",
    "equation",
    "plain",
    "select",
    "sine_cosine",
    "traced",
    "wrap_angle",
]

_Function = TypeVar("_Function", bound=Callable[..., Any])

# No "nnan" and no "ninf": a NaN or an infinity must stay visible, since safety checks look for them.
_FASTMATH = {"contract", "arcp", "nsz", "reassoc", "afn"}


def _drop_stale_kernels() -> None:
    """Delete cached kernels older than any source: numba checks only the file of the outermost function."""
    root = FilePath(__file__).resolve().parent.parent
    rooms = [root / name for name in ("tracks", "tracker", "tuning")]
    newest = max((_modified(f) for room in rooms for f in room.rglob("*.py")), default=0.0)
    indices = [f for room in rooms for f in room.rglob("*.nbi")]
    if any(0.0 < _modified(f) < newest for f in indices):
        for room in rooms:
            for kernel in (*room.rglob("*.nbi"), *room.rglob("*.nbc")):
                kernel.unlink(missing_ok=True)


def _modified(file: FilePath) -> float:
    """Give when a file was last written, s; 0 where another process, starting too, has just deleted it."""
    try:
        return file.stat().st_mtime
    except FileNotFoundError:
        return 0.0


_drop_stale_kernels()


class _OneWriter(IndexDataCacheFile):
    """numba's cache of a function, written by one process at a time.

    numba reads the index, chooses the next free number for the machine code, and writes both, with no lock between: two
    processes that start on a fresh installation may give one number to the code for different argument types.
    """

    def save(self, key: Any, data: Any) -> None:
        with _alone(FilePath(self._cache_path)):
            super().save(key, data)


@contextlib.contextmanager
def _alone(folder: FilePath) -> Iterator[None]:
    """Hold a folder of kernels against every other process that writes there."""
    if fcntl is None:
        yield
        return
    with (folder / "kernels.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)  # let go of as the file is closed
        yield


def _cached(function: Any) -> Any:
    """Let a compiled function write its cache alone; without numba's compiler it has none."""
    if isinstance(function, Dispatcher):
        function._cache._cache_file.__class__ = _OneWriter  # pyright: ignore[reportAttributeAccessIssue]  # no stub
    return function


def equation(function: _Function) -> _Function:
    """Compile a module-level scalar function with numba, cached on disk, without the interpreter lock."""
    # Inlined, a step's arithmetic overlaps: 1.6 times as fast, and compiled in the same time. Equations allocate
    # nothing, so arrays need no counting of references (`_nrt`, not in numba's type stubs), which took a third of the
    # time of a simulation.
    flags: dict[str, Any] = {"forceinline": True, "_nrt": False}
    compiler = numba.njit(cache=True, error_model="numpy", fastmath=_FASTMATH, nogil=True, **flags)
    return _cached(compiler(function))  # a Dispatcher is called like its function


def array_loop(function: _Function) -> _Function:
    """Compile a module-level loop over arrays that allocates its result; as `equation` otherwise."""
    compiler = numba.njit(cache=True, error_model="numpy", fastmath=_FASTMATH, nogil=True)
    return _cached(compiler(function))  # as above


@equation
def select(condition, when_true, when_false):
    """Give `when_true` where the condition holds, else `when_false`; both sides are evaluated."""
    return when_true if condition else when_false


@equation
def clip(value, low, high):
    """Limit a value to [low, high]; a NaN stays a NaN."""
    return select(value < low, low, select(value > high, high, value))


@equation
def close(difference, tolerance):
    """Tell whether an iteration may end: |difference| < tolerance. Never in a trace by CasADi."""
    return np.abs(difference) < tolerance


@equation
def wrap_angle(angle):
    """Give the same angle in (−π, π], rad."""
    return angle - 2.0 * np.pi * np.ceil((angle - np.pi) / (2.0 * np.pi))


@equation
def sine_cosine(angle):
    """Give (sin, cos) of an angle, rad, as exact as the angle itself is.

    Taylor series after reduction by multiples of π/2: the call into the mathematical library, twice in each
    derivative, cost half the time of a simulation, and cannot be vectorised.
    """
    quarter = np.floor(angle * (2.0 / np.pi) + 0.5)
    # π/2 in two parts, so that quarter × the first part is exact.
    x = (angle - quarter * 1.5707963267341256) - quarter * 6.077100506506192e-11
    y = x * x
    sine = 1.0 - y / 210.0 * (1.0 - y / 272.0)
    sine = 1.0 - y / 110.0 * (1.0 - y / 156.0 * sine)
    sine = x * (1.0 - y / 6.0 * (1.0 - y / 20.0 * (1.0 - y / 42.0 * (1.0 - y / 72.0 * sine))))
    cosine = 1.0 - y / 182.0 * (1.0 - y / 240.0 * (1.0 - y / 306.0))
    cosine = 1.0 - y / 56.0 * (1.0 - y / 90.0 * (1.0 - y / 132.0 * cosine))
    cosine = 1.0 - y / 2.0 * (1.0 - y / 12.0 * (1.0 - y / 30.0 * cosine))
    quadrant = quarter - 4.0 * np.floor(0.25 * quarter)
    odd = (quadrant == 1.0) | (quadrant == 3.0)
    sine, cosine = select(odd, cosine, sine), select(odd, sine, cosine)
    return (
        select(quadrant >= 2.0, -sine, sine),
        select((quadrant == 1.0) | (quadrant == 2.0), -cosine, cosine),
    )


def plain(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give an equation, and every equation it calls, as ordinary Python functions over floats."""
    return _rebound(function, {}, {})


def traced(
    function: Callable[..., Any], instead: Mapping[Callable[..., Any], Callable[..., Any]] | None = None
) -> Callable[..., Any]:
    """Give an equation, and every equation it calls, over CasADi symbols (`SX` or `MX`).

    Args:
        function: the equation.
        instead: what stands in for equations that symbols cannot pass (a search in an array, say).
    """
    import casadi  # kept out of the start-up of everything that does not trace

    symbols = types.SimpleNamespace(
        sin=casadi.sin, cos=casadi.cos, tan=casadi.tan, arctan=casadi.atan, arctan2=casadi.atan2,
        arcsin=casadi.asin, arccos=casadi.acos, tanh=casadi.tanh, exp=casadi.exp, log=casadi.log,
        sqrt=casadi.sqrt, abs=casadi.fabs, ceil=casadi.ceil, floor=casadi.floor, sign=casadi.sign,
        minimum=casadi.fmin, maximum=casadi.fmax, pi=np.pi, inf=np.inf,
    )  # fmt: skip

    def choose(condition: Any, when_true: Any, when_false: Any) -> Any:
        if isinstance(condition, (bool, np.bool_)):
            return when_true if condition else when_false
        return casadi.if_else(condition, when_true, when_false)

    def sine_and_cosine(angle: Any) -> tuple[Any, Any]:
        return casadi.sin(angle), casadi.cos(angle)

    replaced = {id(np): symbols, id(select): choose, id(sine_cosine): sine_and_cosine, id(close): _never}
    replaced |= {id(original): other for original, other in (instead or {}).items()}
    return _rebound(function, replaced, {})


def _never(*_: Any) -> bool:
    """Stands for `close` in a trace: no symbol is known to be small, so every iteration is taken."""
    return False


def _rebound(
    function: Callable[..., Any], instead: dict[int, Any], done: dict[int, Callable[..., Any]]
) -> Callable[..., Any]:
    source = getattr(function, "py_func", function)
    if id(source) in done:
        return done[id(source)]
    names = dict(source.__globals__)
    copy = types.FunctionType(
        source.__code__, names, source.__name__, source.__defaults__, source.__closure__
    )
    done[id(source)] = copy
    for name in source.__code__.co_names:
        value = names.get(name)
        if id(value) in instead:
            names[name] = instead[id(value)]
        elif isinstance(value, Dispatcher):
            names[name] = _rebound(value, instead, done)
    return copy
