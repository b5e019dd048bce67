"""The vehicle beside its path, linearised about a steady drive and sampled exactly: hold, dead time, late poses.

Notation: e lateral error [m] and ψ heading error of the body [rad] at the rear-axle middle, v speed [m/s] along the
vehicle, w lateral velocity of the rear axle [m/s], r yaw rate [rad/s], κ curvature of the path [1/m]:

    ṡ = (v cos ψ − w sin ψ)/(1 − κ e),   ė = v sin ψ + w cos ψ,   ψ̇ = r − κ ṡ

(kinematics of a point beside a curve, common practice). With the states of steering and body that `linearise` gives,
ẋ = A x + B u, u the commanded curvature [1/m] after the dead time τ. Between two commands u is held, so with
Φ(t) = exp(A t), Γ(t) = ∫₀ᵗ exp(A σ) B dσ and τ = d T + τ', 0 ≤ τ' < T, the samples obey exactly

    x_{k+1} = Φ(T) x_k + Φ(T − τ') Γ(τ') u_{k−d−1} + Γ(T − τ') u_{k−d}

(K. J. Åström, B. Wittenmark, Computer-Controlled Systems, ch. 2: from memory). Nothing stands for the dead time but
itself: there is no Padé approximation, and τ' is any number.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker.small_matrices import exponential
from tracks.one_source import equation, sine_cosine, traced
from tuning.vehicle.linear import linearise
from tuning.vehicle.steady import steady_turn
from tuning.vehicle.steering import steering_target

if TYPE_CHECKING:
    from tuning.vehicle import PlantParameters, State, Vehicle

__all__ = ["MEASURED", "Plant", "SteadyDrive", "path_errors", "plant_beside", "steady_drive"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

MEASURED = ("lateral_error", "heading_error", "yaw_rate", "steering_angle")
"""What the tracker is given, deviations from the steady drive: m, rad, rad/s, rad."""
_POSE = 2  # of them come from the localisation

_WHOLE = 1e-9  # of a period: a dead time so near a whole number of periods is one
_INVERSIONS = 30


@equation
def path_errors(speed, lateral_error, heading_error, rear_velocity, yaw_rate, curvature):
    """Give (ė, ψ̇), m/s and rad/s: how the errors of the rear axle against a path of constant curvature change."""
    sine, cosine = sine_cosine(heading_error)
    along = (speed * cosine - rear_velocity * sine) / (1.0 - curvature * lateral_error)
    return speed * sine + rear_velocity * cosine, yaw_rate - curvature * along


@dataclass(frozen=True)
class SteadyDrive:
    """A vehicle driving at constant speed and lateral error along a path of constant curvature.

    Attributes:
        speed: m/s. curvature: of the path, 1/m, + left.
        lateral_error: m. heading_error: of the body, rad.
        state: of the vehicle, its pose aside.
        command: curvature that is commanded, 1/m.
    """

    speed: float
    curvature: float
    lateral_error: float
    heading_error: float
    state: State
    command: float

    @property
    def driven(self) -> float:
        """Curvature of the rear axle's path, 1/m."""
        return self.curvature / (1.0 - self.curvature * self.lateral_error)

    @property
    def measured(self) -> Array:
        """The values of `MEASURED`, shape (4,)."""
        return np.array(
            (self.lateral_error, self.heading_error, self.state.yaw_rate, self.state.steering_angle)
        )


def steady_drive(
    vehicle: Vehicle, speed: float, curvature: float = 0.0, lateral_error: float = 0.0
) -> SteadyDrive:
    """Give the steady drive of a vehicle at a speed [m/s], beside a path of a curvature [1/m] by an error [m]."""
    p = _smooth(vehicle.plant)
    driven = curvature / (1.0 - curvature * lateral_error)
    state = steady_turn(vehicle.model_code, p, speed, driven)
    return SteadyDrive(
        speed, curvature, lateral_error, float(state.heading), state, _command_for(p, state.steering_angle)
    )


def _smooth(p: PlantParameters) -> PlantParameters:
    """Leave out what is no smooth function of a small command."""
    return p._replace(resolution=0.0, dead_band=0.0, play=0.0)


def _command_for(p: PlantParameters, angle: float) -> float:
    """Give the commanded curvature (1/m) whose steering target is an angle (rad), by Newton's method."""
    command = np.tan(angle) / p.wheelbase
    for _ in range(_INVERSIONS):
        reached = float(steering_target(p, command))
        step = (angle - reached) / p.gain
        command = float(np.tan(np.arctan(p.wheelbase * command) + step) / p.wheelbase)
        if abs(step) < 1e-15:
            break
    return command


@dataclass(frozen=True)
class Plant:
    """ẋ = A x + B u(t − τ) and what is measured of it every period.

    Attributes:
        a, b: A, shape (n, n), and B, shape (n,); the first two states are e and ψ.
        c: rows of `MEASURED`, shape (4, n).
        period: T, s. dead_time: τ, s.
        latency: age of a measured pose, s.
    """

    a: Array
    b: Array
    c: Array
    period: float
    dead_time: float
    latency: float = 0.0

    def held(self, span: Any) -> tuple[Array, Array]:
        """Give Φ and Γ over spans [s] of any shape: shapes (..., n, n) and (..., n)."""
        n = self.b.size
        whole = np.zeros((n + 1, n + 1))
        whole[:n, :n], whole[:n, n] = self.a, self.b
        grown = exponential(whole * np.asarray(span, dtype=float)[..., None, None])
        return grown[..., :n, :n], grown[..., :n, n]

    @cached_property
    def over_period(self) -> Array:
        """Φ(T), shape (n, n)."""
        return self.held(self.period)[0]

    @cached_property
    def own_inputs(self) -> tuple[Array, Array]:
        """`inputs` of the plant's own dead time."""
        return self.inputs(self.split(self.dead_time)[1])

    def split(self, dead_time: Any) -> tuple[NDArray[np.int64], Array]:
        """Give d and τ' of dead times [s], of their shape."""
        periods = np.asarray(dead_time, dtype=float) / self.period
        whole = np.floor(periods + _WHOLE)
        return whole.astype(np.int64), np.maximum(periods - whole, 0.0) * self.period

    def inputs(self, rest: Any) -> tuple[Array, Array]:
        """Give what u_{k−d−1} and u_{k−d} add to x_{k+1}, for τ' = `rest` [s]: shapes (..., n)."""
        rest = np.asarray(rest, dtype=float)
        _, before = self.held(rest)
        carried, after = self.held(self.period - rest)
        return (carried @ before[..., None])[..., 0], after

    @property
    def late(self) -> tuple[int, float]:
        """(m, a): the pose at hand was true m + 1 periods ago and a [s] later; (−1, 0) without latency."""
        if self.latency <= 0.0:
            return -1, 0.0
        whole = int(np.ceil(self.latency / self.period - _WHOLE)) - 1
        return whole, max((whole + 1) * self.period - self.latency, 0.0)

    def late_pose(self, rest: Any) -> tuple[Array, Array, Array]:
        """Give the pose `a` [s] into a period from x_k, u_{k−d−1} and u_{k−d}: shapes (2, n), (..., 2), (..., 2)."""
        rest = np.asarray(rest, dtype=float)
        at = self.late[1]
        rows = self.c[:_POSE]
        _, before = self.held(np.minimum(rest, at))
        carried, after = self.held(np.maximum(at - rest, 0.0))
        return (
            rows @ self.held(at)[0],
            ((rows @ carried) @ before[..., None])[..., 0],
            after @ rows.T,
        )

    def response(self, z: Complex, dead_time: Any = None) -> Complex:
        """Give the exact sampled response from command to `MEASURED` at z = exp(jωT), shape (k,) -> (k, 4).

        `dead_time` [s], a number or shape (k,), takes the place of the plant's own.
        """
        whole, rest = self.split(self.dead_time if dead_time is None else dead_time)
        earlier, later = self.own_inputs if dead_time is None else self.inputs(rest)
        delayed = z ** (-whole.astype(float))
        drive = later * delayed[:, None] + earlier * (delayed / z)[:, None]
        n = self.b.size
        x = np.linalg.solve(z[:, None, None] * np.eye(n) - self.over_period, drive[..., None])[..., 0]
        measured = x @ self.c.T
        late, _ = self.late
        if late >= 0:
            rows, from_earlier, from_later = self.late_pose(rest)
            pose = (
                x @ rows.T
                + from_earlier * (delayed / z)[:, None]
                + np.broadcast_to(from_later, (z.size, _POSE)) * delayed[:, None]
            )
            measured[:, :_POSE] = pose * (z ** -(late + 1.0))[:, None]
        return measured


def plant_beside(
    vehicle: Vehicle, drive: SteadyDrive, period: float, dead_time: float, latency: float = 0.0
) -> Plant:
    """Linearise a vehicle of any model and its path errors about a steady drive.

    Args:
        vehicle: the vehicle. drive: what it does.
        period: between two commands, s.
        dead_time: from a command to the first answer, s.
        latency: age of a measured pose, s.
    """
    import casadi

    system = linearise(vehicle, drive.speed, drive.driven, steering=True)
    a, b, c, d = (np.asarray(matrix) for matrix in (system.A, system.B, system.C, system.D))
    e, h, w, r, u = (casadi.SX.sym(name) for name in ("e", "h", "w", "r", "u"))
    rates = casadi.vertcat(*traced(path_errors)(drive.speed, e, h, w, r, drive.curvature))
    target = traced(steering_target)(_smooth(vehicle.plant), u)
    slopes = casadi.Function(
        "slopes", [e, h, w, r, u], [casadi.jacobian(rates, casadi.vertcat(e, h, w, r)), casadi.jacobian(target, u)]
    )  # fmt: skip
    rear = _rear_velocity(vehicle, drive)
    kinematics, steered = (
        np.asarray(m.full())
        for m in slopes(drive.lateral_error, drive.heading_error, rear, drive.state.yaw_rate, drive.command)
    )
    outputs = dict(zip(system.output_labels, range(len(c)), strict=True))
    moves = c[[outputs["rear_lateral_velocity"], outputs["yaw_rate"]]]
    n = 2 + len(a)
    whole, drives, rows = np.zeros((n, n)), np.zeros(n), np.zeros((4, n))
    whole[:2, :2] = kinematics[:, :2]
    whole[:2, 2:] = kinematics[:, 2:] @ moves
    whole[2:, 2:] = a
    # With the steering in between, no output answers the command at once: D is 0.
    drives[2:] = b[:, 0] * steered[0, 0]
    rows[0, 0] = rows[1, 1] = 1.0
    rows[2, 2:] = c[outputs["yaw_rate"]]
    rows[3, 2 + system.state_labels.index("steering_angle")] = 1.0
    assert not np.any(d)
    return Plant(whole, drives, rows, period, dead_time, latency)


def _rear_velocity(vehicle: Vehicle, drive: SteadyDrive) -> float:
    """Give the lateral velocity of the rear axle in a steady drive, m/s: it moves along the path."""
    return -drive.speed * float(np.tan(drive.heading_error))
