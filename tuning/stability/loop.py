"""The loop of vehicle, tracker and law, cut at the command: exact response at any frequency, exact closed-loop poles.

With P(z) from command to what is measured, V and Q of the tracker's view (`Perception`) and K(z) from view to curvature
wanted, c the slope of the command over the curvature wanted, r(z) = (z⁻¹, z⁻², …) and
R(z) = (z I − Q_q)⁻¹:

    M = V_m + V_q R Q_m,   N = (V_w + V_q R Q_w) r,   L(z) = −c K M P/(1 − K N),   z = exp(jωT)

The closed loop is stable if and only if every eigenvalue of its transition matrix, states of vehicle, hold, tracker and law
together, lies inside the unit circle: `Loop.radius` is the largest. An extra gain, or a dead time that the tracker does
not know of, acts on the command behind the cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    import control

    from tuning.stability.law_slopes import LinearLaw
    from tuning.stability.perception import Perception
    from tuning.stability.plant import Plant, SteadyDrive

__all__ = ["Loop"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Loop:
    """One or more laws (rows) around the same steady drive of a vehicle.

    Attributes:
        drive: the steady drive. plant, perception: about it.
        laws: the linear laws, one a row.
    """

    drive: SteadyDrive
    plant: Plant
    perception: Perception
    laws: tuple[LinearLaw, ...]

    @property
    def highest(self) -> float:
        """Half the rate of commands, rad/s: the end of the frequencies that a sampled loop has."""
        return float(np.pi / self.plant.period)

    def response(self, frequency: ArrayLike, row: int = 0, dead_time: float | None = None) -> Complex:
        """Give L(exp(jωT)) of a row, of the shape of `frequency` [rad/s, above 0 and up to `highest`].

        `dead_time` [s] takes the place of the vehicle's.
        """
        w = np.asarray(frequency, dtype=float)
        flat = w.ravel()
        return self.responses(flat, np.full(flat.size, row), dead_time).reshape(w.shape)

    def responses(self, frequency: Array, rows: NDArray[np.int64], dead_time: Any = None) -> Complex:
        """Give L at frequencies [rad/s], each for a row of its own, shapes (k,); `dead_time` a number or (k,)."""
        z = np.exp(1j * frequency * self.plant.period)
        seen, fed_back = self.views(z, dead_time)
        return self._closed(z, rows, seen, fed_back)

    def grid(self, frequency: Array) -> Complex:
        """Give L of every row at the same frequencies [rad/s], shape (rows, k)."""
        z = np.exp(1j * frequency * self.plant.period)
        seen, fed_back = self.views(z)
        return np.array(
            [self._closed(z, np.full(z.size, row), seen, fed_back) for row in range(len(self.laws))]
        )

    def views(self, z: Complex, dead_time: Any = None) -> tuple[Complex, Complex]:
        """Give M P and N at z, shapes (k, fields): what a view has of the command and of the curvature wanted."""
        seen_by = self.perception
        measured = self.plant.response(z, dead_time)
        delays = z[:, None] ** -np.arange(1.0, seen_by.view_asked.shape[1] + 1.0)
        seen, fed_back = measured @ seen_by.view_measured.T, delays @ seen_by.view_asked.T
        if seen_by.own.size:
            inverse = np.linalg.inv(z[:, None, None] * np.eye(seen_by.own.size) - seen_by.own_own)
            onto = seen_by.view_own @ inverse
            seen = seen + np.einsum("kfn,kn->kf", onto, measured @ seen_by.own_measured.T)
            fed_back = fed_back + np.einsum("kfn,kn->kf", onto, delays @ seen_by.own_asked.T)
        return seen, fed_back

    def _closed(self, z: Complex, rows: NDArray[np.int64], seen: Complex, fed_back: Complex) -> Complex:
        if np.all(rows == rows[:1]):
            gains = self.laws[int(rows[0])].at(z) if rows.size else np.zeros((0, seen.shape[1]))
        elif all(law.state.size == 0 for law in self.laws):
            gains = np.array([law.view for law in self.laws])[rows]
        else:
            gains = np.empty(seen.shape, dtype=complex)
            for row in np.unique(rows):
                gains[rows == row] = self.laws[int(row)].at(z[rows == row])
        forward = np.sum(gains * seen, axis=1)
        return -self.perception.sent * forward / (1.0 - np.sum(gains * fed_back, axis=1))

    def matrices(self, row: int = 0, extra: float = 0.0) -> tuple[Array, Array, Array]:
        """Give the open loop L as a state-space model over a period: A (n, n), B (n,), C (n,); D is 0.

        States: of vehicle and path errors, poses on the way, commands on the way, curvatures asked for before, the
        tracker's and the law's own. Input and output are commands, the output with the sign of negative feedback.

        Args:
            row: which law.
            extra: dead time, unknown to the tracker, s.
        """
        plant, seen_by, law = self.plant, self.perception, self.laws[row]
        whole, rest = plant.split(plant.dead_time + extra)
        d, late = int(whole), plant.late[0]
        counts = (
            plant.b.size,
            2 * (late + 1),
            d + 1,
            seen_by.view_asked.shape[1],
            seen_by.own.size,
            law.state.size,
        )
        at = np.cumsum((0, *counts))
        # Every quantity is a row over the states, and one more for the command that is given now.
        eye = np.eye(int(at[-1]) + 1)
        x, poses, held, ring, q, state = (eye[at[i] : at[i + 1]] for i in range(len(counts)))
        now = eye[-1:]
        sent = np.concatenate((now, held))  # u_k, u_{k-1}, ...
        later, earlier = sent[d], sent[d + 1]
        measured = plant.c @ x
        if late >= 0:
            measured[:2] = poses[2 * late :]
        view = seen_by.view_measured @ measured + seen_by.view_asked @ ring + seen_by.view_own @ q
        wanted = law.view @ view + law.state @ state
        from_earlier, from_later = plant.own_inputs if extra == 0.0 else plant.inputs(rest)
        following = [plant.over_period @ x + np.outer(from_earlier, earlier) + np.outer(from_later, later)]
        if late >= 0:
            rows, pose_earlier, pose_later = plant.late_pose(rest)
            following += [
                rows @ x + np.outer(pose_earlier, earlier) + np.outer(pose_later, later),
                poses[:-2],
            ]
        following += [sent[:-1], wanted[None], ring[:-1]]
        following += [seen_by.own_measured @ measured + seen_by.own_asked @ ring + seen_by.own_own @ q]
        following += [law.onto @ view + law.own @ state]
        moved: Array = np.concatenate(following).real
        return moved[:, :-1], moved[:, -1], -seen_by.sent * wanted[:-1]

    def state_space(self, row: int = 0) -> control.StateSpace:
        """Give the open loop L for python-control: discrete, with the period as its time step."""
        import control

        a, b, c = self.matrices(row)
        return control.StateSpace(a, b[:, None], c[None], [[0.0]], self.plant.period)

    def transition(self, row: int = 0, gain: float = 1.0, extra: float = 0.0) -> Array:
        """Give the closed loop's transition matrix over a period.

        Args:
            row: which law.
            gain: on the command, unknown to the tracker.
            extra: dead time, unknown to the tracker, s.
        """
        a, b, c = self.matrices(row, extra)
        return a - gain * np.outer(b, c)

    def poles(self, row: int = 0, gain: float = 1.0, extra: float = 0.0) -> Complex:
        """Give the closed loop's poles in z; arguments as for `transition`."""
        return np.linalg.eigvals(self.transition(row, gain, extra)).astype(np.complex128)

    def radius(self, row: int = 0, gain: float = 1.0, extra: float = 0.0) -> float:
        """Give the largest distance of a pole from 0: below 1 the loop is stable; arguments as for `transition`."""
        return float(np.abs(self.poles(row, gain, extra)).max())
