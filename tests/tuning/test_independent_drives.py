"""The drives that identification is proved on are right themselves: held against scipy and exact answers."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from independent_drives import (
    Grid,
    coloured,
    delayed,
    excitation,
    first_order,
    limited_second_order,
    quantised,
    second_order,
    single_track,
    speed_loop,
    steady_yaw_rate,
)
from scipy.integrate import solve_ivp

TIME = np.arange(0.0, 6.0, 0.02)
ASKED = 0.1 * excitation(TIME, np.random.default_rng(0))
TAU = 0.0973  # s, no multiple of anything


def held(moment: float) -> float:
    """The command that acts at a moment: the last one sent a dead time before."""
    return float(ASKED[max(int(np.floor((moment - TAU) / 0.02 + 1e-9)), 0)])


def test_second_order_steering_is_that_of_scipy():
    """The angle at every sample, against `solve_ivp` stopped at each moment at which a command comes into effect."""
    frequency, damping = 11.0, 0.65
    grid = Grid(TIME, TAU)
    nodes, _ = second_order(grid, ASKED, frequency, damping)
    moments = np.unique(np.concatenate([TIME, (TIME + TAU)[TIME[-1] > TIME + TAU]]))
    state, found = np.array([ASKED[0], 0.0]), {0.0: ASKED[0]}
    for start, end in pairwise(moments):
        target = held(0.5 * (start + end))
        done = solve_ivp(
            lambda _, y, target=target: [y[1], frequency**2 * (target - y[0]) - 2.0 * damping * frequency * y[1]],
            (start, end), state, rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        state = done.y[:, -1]
        found[end] = state[0]
    np.testing.assert_allclose(nodes[grid.samples], [found[t] for t in TIME], atol=1e-9)


def test_first_order_step_is_the_exponential():
    """1 − exp(−(t − τ)/T) after the dead time, nothing before."""
    asked = np.where(TIME < 1.0, 0.0, 0.2)
    grid = Grid(TIME, TAU)
    nodes, middles = first_order(grid, asked, 0.15)
    since = np.maximum(grid.time - 1.0 - TAU, 0.0)
    np.testing.assert_allclose(nodes, 0.2 * (1.0 - np.exp(-since / 0.15)), atol=1e-12)
    halfway = np.maximum(0.5 * (grid.time[1:] + grid.time[:-1]) - 1.0 - TAU, 0.0)
    np.testing.assert_allclose(middles, 0.2 * (1.0 - np.exp(-halfway / 0.15)), atol=1e-12)


def test_limited_steering_is_linear_below_its_limit_and_straight_at_it():
    """Without reach of the limit it is the linear one to 1e-5 rad; in a great step it climbs at the limit."""
    grid = Grid(TIME, TAU)
    linear, _ = second_order(grid, ASKED, 6.0, 1.0)
    free, _ = limited_second_order(grid, ASKED, 6.0, 1.0, 100.0)
    np.testing.assert_allclose(free, linear, atol=1e-5)
    step, _ = limited_second_order(grid, np.where(TIME < 1.0, 0.0, 1.0), 6.0, 1.0, 0.25)
    climbing = (grid.time > 1.5) & (grid.time < 3.5)
    np.testing.assert_allclose(
        np.diff(step)[climbing[1:]] / np.diff(grid.time)[climbing[1:]], 0.25, rtol=1e-9
    )


def test_single_track_settles_in_the_steady_turn():
    """r = u δ/(L + K u²) for a small angle; the accelerometer feels u r and the road's bank."""
    mass, inertia, a, b, stiffness = 1520.0, 2350.0, 1.15, 1.55, (96e3, 124e3)
    gradient = mass * b / (stiffness[0] * (a + b)) - mass * a / (stiffness[1] * (a + b))
    grid = Grid(TIME, 0.0)
    speed, angle = np.full(grid.time.size, 20.0), np.full(grid.time.size, 0.003)
    yaw, across = single_track(grid, speed, angle, angle[1:], mass, inertia, a, b, stiffness)
    assert yaw[-1] == pytest.approx(steady_yaw_rate(20.0, 0.003, a + b, gradient), rel=1e-4)
    assert across[-1] == pytest.approx(20.0 * yaw[-1], rel=1e-6)
    banked, felt = single_track(grid, speed, angle, angle[1:], mass, inertia, a, b, stiffness, bank=0.02)
    # r = u (δ − K g sin φ)/(L + K u²): an understeering car is turned downhill, here to the right (derived).
    turned = yaw[-1] - 20.0 * gradient * 9.81 * np.sin(0.02) / (a + b + gradient * 400.0)
    assert banked[-1] == pytest.approx(turned, rel=1e-3)
    assert felt[-1] == pytest.approx(20.0 * banked[-1] + 9.81 * np.sin(0.02), rel=1e-6)


def test_speed_loop_is_that_of_scipy():
    """Speeds within 1e-4 m/s of `solve_ivp` for a step up and down, limits reached."""
    time = np.arange(0.0, 20.0, 0.02)
    asked = np.where(time < 1.0, 4.0, np.where(time < 10.0, 8.0, 3.0))
    drive = {
        "dead_time": 0.28, "lag": 0.45, "brake_dead_time": 0.12, "brake_lag": 0.22, "speed_gain": 0.9,
        "acceleration_limit": 1.2, "deceleration_limit": 1.8,
    }  # fmt: skip

    def slope(t, y):
        def acting(dead_time):
            return 4.0 if t < 1.0 + dead_time else 8.0 if t < 10.0 + dead_time else 3.0

        push = np.clip(0.9 * (acting(0.28) - y[0]), 0.0, 1.2)
        pull = np.clip(0.9 * (acting(0.12) - y[0]), -1.8, 0.0)
        return [y[1] + y[2], (push - y[1]) / 0.45, (pull - y[2]) / 0.22]

    done = solve_ivp(slope, (0.0, time[-1]), [4.0, 0.0, 0.0], t_eval=time, max_step=0.005)
    speed = speed_loop(time, asked, np.zeros(time.size), drive)
    # The commands' jumps fall within a step of either: 1 ms × 4 m/s² at the most.
    np.testing.assert_allclose(speed, done.y[0], atol=5e-3)


def test_noise_and_sensors_are_as_said():
    """Standard deviation and correlation of the noise, steps of a resolution, readings as old as asked for."""
    noise = coloured(np.random.default_rng(1), 200_000, 0.3, 0.9)
    assert np.std(noise) == pytest.approx(0.3, rel=0.03)
    assert np.corrcoef(noise[1:], noise[:-1])[0, 1] == pytest.approx(0.9, abs=0.005)
    np.testing.assert_allclose(quantised(np.array([0.0124, -0.0126]), 0.005), [0.01, -0.015])
    np.testing.assert_allclose(delayed(TIME, 2.0 * TIME, 0.03, TIME[5:]), 2.0 * (TIME[5:] - 0.03))
