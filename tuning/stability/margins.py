"""Margins of a loop: how much gain, phase, delay, or of all at once, it stands.

Notation: L loop, S = 1/(1 + L), T = L/(1 + L), ω frequency [rad/s].

- gain margin: factors g above and below 1 at which L(jω) = −1/g; phase margin: the smallest turn of L that makes it −1.
- delay margin: the dead time on top, unknown to the tracker, at which the loop loses stability. To first order (phase
  lag)/ω at a crossover; here the sampled loop with that dead time exactly is solved for, 1 + L_δ(ω) = 0.
- modulus margin: min |1 + L| = 1/max |S|, the distance from −1.
- disk margin α = 2 min |(1 + L)/(1 − L)| = 1/max |S − ½|: any gain between (2 − α)/(2 + α) and its inverse together with any
  phase up to what keeps within the disk (P. Seiler, A. Packard, P. Gahinet, "An Introduction to Disk Margins", IEEE
  Control Systems Magazine 40(5), 2020: from memory; skew 0, as `control.disk_margins` has it).

For a stable loop the first crossing in either direction is where it ends to be stable, since poles move continuously.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from tuning.stability.loop import Loop

__all__ = ["FREQUENCIES", "Margins", "margins_of_rows"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FREQUENCIES = 500  # of the grid on which crossings are looked for, in even steps of the logarithm
_LOWEST = (
    2e-4  # of half the rate of commands: 0.03 rad/s at 50 Hz, where a loop with two integrators is large
)
_NO_GAIN = 1e-5  # a factor below it is rounding where L is immense, towards standstill of the frequency
_NEWTON = 12
_SLOPE_STEP = 1e-6  # relative, of the delay margin's Newton steps
_FOUND = 1e-9  # |1 + L| there
_CHECKED = 2e-3  # either side of a delay margin the poles must be on either side of the unit circle
_SQUARINGS = 22  # four million periods
_SCAN = 1.15  # factor between dead times that are looked at where Newton's method did not find the first


@dataclass(frozen=True)
class Margins:
    """What a loop stands until it is unstable; all 0 (factors 1) for one that is unstable already.

    Attributes:
        stable: whether every closed-loop pole lies inside the unit circle.
        radius: largest distance of a pole from 0, z-plane.
        gain_up, gain_down: factors of gain, above 1 (inf: any) and below 1 (0: any).
        phase: rad; inf where no frequency crosses.
        delay: s of dead time on top; inf where no dead time matters.
        modulus: min |1 + L|. disk: α of the disk margin, at most 2.
        crossover: lowest frequency at which |L| = 1, rad/s; nan without.
        lateral_error: that remains in the steady drive, m, + left.
    """

    stable: bool
    radius: float
    gain_up: float
    gain_down: float
    phase: float
    delay: float
    modulus: float
    disk: float
    crossover: float
    lateral_error: float

    @property
    def gain_decibel(self) -> float:
        """The gain margin upward, dB."""
        return 20.0 * math.log10(self.gain_up)

    @property
    def gain_reduction_decibel(self) -> float:
        """The gain margin downward, dB, a number below 0."""
        return 20.0 * math.log10(self.gain_down) if self.gain_down > 0.0 else -math.inf

    @property
    def phase_degrees(self) -> float:
        """The phase margin, deg."""
        return math.degrees(self.phase)

    @property
    def disk_phase_degrees(self) -> float:
        """Phase that the disk margin stands either way, deg."""
        return math.degrees(2.0 * math.atan(0.5 * self.disk))

    def as_dict(self) -> dict[str, float]:
        """Give the margins by the names of `StabilityLimits`, in its units, then what else is known of the loop."""
        return {
            "gain_margin": self.gain_decibel,
            "gain_reduction": -self.gain_reduction_decibel,
            "phase_margin": self.phase_degrees,
            "delay_margin": self.delay,
            "disk_margin": self.disk,
            "modulus_margin": self.modulus,
            "crossover": self.crossover,
            "radius": self.radius,
            "lateral_error": self.lateral_error,
            "stable": float(self.stable),
        }


def margins_of_rows(loop: Loop) -> list[Margins]:
    """Give the margins of every row of a loop."""
    rows = len(loop.laws)
    frequency = np.geomspace(_LOWEST * loop.highest, loop.highest, FREQUENCIES)
    grid = loop.grid(frequency)
    radii = np.array([loop.radius(row) for row in range(rows)])
    stable = np.flatnonzero(radii < 1.0)
    up, down = _gains(loop, frequency, grid, stable)
    cross, crossed = _crossings(
        lambda w, r: np.log(np.abs(loop.responses(w, r))), frequency, np.log(np.abs(grid)), stable
    )
    turned = np.angle(-loop.responses(cross, crossed)) if cross.size else np.zeros(0)
    modulus = _smallest(loop, frequency, grid, stable, lambda values: np.abs(1.0 + values))
    disk = 2.0 * _smallest(
        loop, frequency, grid, stable, lambda values: np.abs((1.0 + values) / (1.0 - values))
    )
    delay = _delays(loop, cross, crossed, turned, stable)
    found = []
    for row in range(rows):
        own = crossed == row
        is_stable = bool(radii[row] < 1.0)
        found.append(
            Margins(
                stable=is_stable,
                radius=float(radii[row]),
                gain_up=float(up[row]),
                gain_down=float(down[row]),
                phase=float(np.abs(turned[own]).min(initial=math.inf)) if is_stable else 0.0,
                delay=float(delay[row]),
                modulus=float(modulus[row]),
                disk=float(min(disk[row], 2.0)),
                crossover=float(cross[own].min(initial=math.inf)) if np.any(own) else math.nan,
                lateral_error=loop.drive.lateral_error,
            )
        )
    return found


def _crossings(
    function: Callable[[Array, NDArray[np.int64]], Array], frequency: Array, values: Array, rows: NDArray[np.int64]
) -> tuple[Array, NDArray[np.int64]]:  # fmt: skip
    """Give where a function of frequency and row changes its sign, refined to rounding, and the rows."""
    from scipy.optimize import elementwise

    changes = (values[rows, :-1] < 0.0) != (values[rows, 1:] < 0.0)
    place, column = np.nonzero(changes)
    which = rows[place]
    if which.size == 0:
        return np.zeros(0), which
    bracket = frequency[column], frequency[column + 1]
    found = elementwise.find_root(
        lambda w, r: function(w, r.astype(np.int64)), bracket, args=(which,), tolerances={"xrtol": 1e-12}
    )
    return np.asarray(found.x), which


def _gains(loop: Loop, frequency: Array, grid: Complex, rows: NDArray[np.int64]) -> tuple[Array, Array]:
    """Give the factors of gain, up and down, at which each row is at the edge."""
    cross, crossed = _crossings(lambda w, r: loop.responses(w, r).imag, frequency, grid.imag, rows)
    real = loop.responses(cross, crossed).real if cross.size else np.zeros(0)
    # At half the rate L is real, whether or not its imaginary part changes sign there.
    real, crossed = np.concatenate((real, grid[rows, -1].real)), np.concatenate((crossed, rows))
    up, down = np.ones(len(loop.laws)), np.ones(len(loop.laws))
    for row in rows:
        facing = real[(crossed == row) & (real < 0.0)]
        factors = -1.0 / facing
        up[row] = factors[factors > 1.0].min(initial=math.inf)
        lower = factors[(factors < 1.0) & (factors > _NO_GAIN)]
        down[row] = lower.max(initial=0.0)
    return up, down


def _smallest(
    loop: Loop, frequency: Array, grid: Complex, rows: NDArray[np.int64], size: Callable[[Complex], Array]
) -> Array:  # fmt: skip
    """Give the smallest value over frequency of a size of L, by row; 0 for rows that are left out."""
    from scipy.optimize import elementwise

    best = np.zeros(len(loop.laws))
    if rows.size == 0:
        return best
    values = size(grid[rows])
    place = values.argmin(axis=1)
    best[rows] = values.min(axis=1)
    inside = np.flatnonzero((place > 0) & (place < frequency.size - 1))
    if inside.size:
        column, which = place[inside], rows[inside]
        found = elementwise.find_minimum(
            lambda w, r: size(loop.responses(w, r.astype(np.int64))),
            (frequency[column - 1], frequency[column], frequency[column + 1]),
            args=(which,),
            tolerances={"xrtol": 1e-5},
        )
        best[which] = np.minimum(best[which], found.f_x)
    return best


def _delays(
    loop: Loop, cross: Array, crossed: NDArray[np.int64], turned: Array, rows: NDArray[np.int64]
) -> Array:  # fmt: skip
    """Give the dead time on top at which each row loses stability, s."""
    delay = np.zeros(len(loop.laws))
    first = np.mod(turned, 2.0 * math.pi) / np.maximum(cross, 1e-12)
    solved = _edges(loop, cross, crossed, first)
    crossing = np.array([row for row in rows if np.any(crossed == row)], dtype=np.int64)
    delay[np.setdiff1d(rows, crossing)] = math.inf
    delay[crossing] = [solved[crossed == row].min() for row in crossing]
    finite = crossing[np.isfinite(delay[crossing])]
    sure = set(finite[_leave(loop, finite, delay[finite])].tolist())
    for row in crossing:
        if row not in sure:
            delay[row] = _by_poles(loop, int(row), float(first[crossed == row].min()))
    return delay


def _edges(loop: Loop, frequency: Array, rows: NDArray[np.int64], delay: Array) -> Array:
    """Solve 1 + L_δ(ω) = 0 for ω and δ by Newton's method from first guesses; inf where it does not converge."""
    w, d = frequency.copy(), np.maximum(delay, 1e-6)
    if w.size == 0:
        return d

    def off(at: Array, extra: Array) -> Complex:
        return 1.0 + loop.responses(at, rows, loop.plant.dead_time + extra)

    value = off(w, d)
    for _ in range(_NEWTON):
        if np.all(np.abs(value) < _FOUND):
            break
        step_w, step_d = _SLOPE_STEP * w, _SLOPE_STEP * d
        by_w, by_d = (off(w + step_w, d) - value) / step_w, (off(w, d + step_d) - value) / step_d
        # Real and imaginary part of value + by_w Δω + by_d Δδ = 0, by Cramer's rule.
        determinant = (np.conj(by_w) * by_d).imag
        safe = np.where(np.abs(determinant) > 1e-300, determinant, 1.0)
        change_w = -(np.conj(value) * by_d).imag / safe
        change_d = (np.conj(value) * by_w).imag / safe
        w = np.clip(w + np.clip(change_w, -0.2 * w, 0.2 * w), 1e-9, loop.highest)
        d = np.maximum(d + np.clip(change_d, -0.3 * d, 0.3 * d), 1e-9)
        value = off(w, d)
    return np.where(np.abs(value) < 1e3 * _FOUND, d, math.inf)


def _leave(loop: Loop, rows: NDArray[np.int64], edges: Array) -> NDArray[np.bool_]:
    """Tell which rows have all poles inside the unit circle just before a dead time on top [s], and one outside after."""
    told = []
    for way in (-1.0, 1.0):
        matrices = [
            loop.transition(int(row), extra=(1.0 + way * _CHECKED) * edge)
            for row, edge in zip(rows, edges, strict=True)
        ]
        # A whole number of periods more makes larger matrices: alike ones go together.
        grown = np.empty(len(matrices))
        for size in {len(matrix) for matrix in matrices}:
            alike = [i for i, matrix in enumerate(matrices) if len(matrix) == size]
            grown[alike] = _growth(np.array([matrices[i] for i in alike]))
        told.append(grown)
    return (told[0] < 0.0) & (told[1] > 0.0) if len(rows) else np.zeros(0, dtype=bool)


def _growth(matrices: Array) -> Array:
    """Give log10 of the size of A to the power 2^_SQUARINGS, by squaring, shape (k, n, n) -> (k,).

    Cheaper than eigenvalues, which LAPACK hands to threads; it tells inside from outside to some 1e-6 of the radius.
    """
    power, size = matrices, np.zeros(len(matrices))
    for _ in range(_SQUARINGS):
        norm = np.abs(power).max(axis=(1, 2))
        norm = np.maximum(norm, 1e-300)
        power = power / norm[:, None, None]
        size = 2.0 * (size + np.log10(norm))
        power = power @ power
    return size + np.log10(np.maximum(np.abs(power).max(axis=(1, 2)), 1e-300))


def _by_poles(loop: Loop, row: int, guess: float) -> float:
    """Look for the first dead time on top at which a pole is on the unit circle, s, and bisect for it."""
    low, high = 0.0, max(0.2 * guess, 0.05 * loop.plant.period)
    for _ in range(60):
        if loop.radius(row, extra=high) >= 1.0:
            break
        low, high = high, _SCAN * high
    else:
        return math.inf
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if loop.radius(row, extra=middle) >= 1.0 else (middle, high)
    return 0.5 * (low + high)
