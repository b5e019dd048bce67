"""Longitudinal drives by the textbook equation, integrated by scipy, sharing no line with the vehicle's own.

m v̇ = F − (F0 + F1 v + F2 v²), the road load of coasting down (SAE J1263 and ISO 10521-1, from memory), with the force of
a motor that falls linearly with speed, F = F_0 s(u) (1 − v/v_0), and first-order actuators behind dead times.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

SEGMENT = 4.0  # s between two commands of the driver


@dataclass(frozen=True)
class Truth:
    """What is put in, per mass: accelerations in m/s², F1/m in 1/s, F2/m in 1/m."""

    dead_time: float = 0.15
    lag: float = 0.4
    strength: float = 2.6
    free: float = 0.08
    no_load_speed: float = 20.0
    brake_dead_time: float = 0.1
    brake_lag: float = 0.2
    brake_strength: float = 5.0
    f0: float = 0.14
    f1: float = 0.012
    f2: float = 0.0016
    grade_pull: float = 0.0

    def force(self, throttle, speed):
        """Acceleration by the drive in steady driving, m/s²."""
        share = np.clip((throttle - self.free) / (1.0 - self.free), 0.0, 1.0)
        return self.strength * share * np.clip(1.0 - speed / self.no_load_speed, 0.0, None)

    def resistance(self, speed):
        """Deceleration of coasting, m/s²."""
        return self.f0 + self.f1 * speed + self.f2 * speed**2


def advance(truth: Truth, state, throttle: float, brake: float, times) -> np.ndarray:
    """Speed, drive and brake (m/s, m/s²) at increasing times from the first on, shape (3, n), commands held."""

    def slope(_, x):
        v, push, hold = x
        moving = v > 0.0
        return (
            push - truth.grade_pull - (hold + truth.resistance(v) if moving else 0.0),
            (truth.force(throttle, v) - push) / truth.lag,
            (truth.brake_strength * brake - hold) / truth.brake_lag,
        )

    done = solve_ivp(slope, (times[0], times[-1]), state, t_eval=times, rtol=1e-7, atol=1e-9, max_step=0.5)
    return done.y


def driven_by_positions(truth: Truth, seconds: float, seed: int, fast: float = 12.0, rate: float = 50.0):
    """A driver who steps on throttle, releases it and brakes: (time, throttle, brake, speed) at `rate` Hz."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 1.0 / rate)
    throttle, brake, speed = np.zeros((3, time.size))
    state, acting = np.array([3.0, truth.force(0.3, 3.0), 0.0]), [0.3, 0.0]
    per_segment = round(SEGMENT * rate)
    for start in range(0, time.size, per_segment):
        own = slice(start, min(start + per_segment, time.size))
        u, b = rng.uniform(0.25, 0.95), 0.0
        if start == 0:
            u = 0.3
        elif state[0] > fast or (state[0] > 0.5 * fast and rng.random() < 0.4):
            u, b = 0.0, rng.choice([0.0, rng.uniform(0.1, 0.35)])
        if state[0] - SEGMENT * (truth.brake_strength * b + 0.5) < 1.0:
            b = 0.0
        throttle[own], brake[own] = u, b
        begin, end = time[own][0], time[own][0] + SEGMENT
        cuts = sorted({begin, begin + truth.dead_time, begin + truth.brake_dead_time, end})
        for one, other in itertools.pairwise(cuts):
            if one >= begin + truth.dead_time - 1e-9:
                acting[0] = u
            if one >= begin + truth.brake_dead_time - 1e-9:
                acting[1] = b
            inside = time[own][(time[own] >= one - 1e-9) & (time[own] < other - 1e-9)]
            at = np.unique(np.concatenate(([one], inside, [other])))
            y = advance(truth, state, acting[0], acting[1], at)
            index = np.searchsorted(at, inside - 1e-12)
            speed[own][(time[own] >= one - 1e-9) & (time[own] < other - 1e-9)] = y[0, index]
            state = y[:, -1]
    return time, throttle, brake, speed


@dataclass(frozen=True)
class Loop:
    """A vehicle's speed loop, a* = ff + k (v_cmd - v) + I, İ = k_i (v_cmd - v), and what it acts through."""

    gain: float = 0.9
    integral: float = 0.0
    drive_gain: float = 1.0
    brake_gain: float = 1.0
    sensor_lag: float = 0.0


def driven_by_loop(truth: Truth, loop: Loop, seconds: float, seed: int, rate: float = 50.0):
    """Speed commands in steps of 5 s: (time, speed command, feed-forward, speed, speed as its sensor shows it, v̇).

    The demand is limited nowhere; its positive part goes to the drive and its negative part to the brake, each with
    the command as it was a dead time ago. Integrated from one change of a command to the next.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 1.0 / rate)
    per_segment = round(5.0 * rate)
    count = -(-time.size // per_segment)
    asked = rng.uniform(4.0, 11.0, count)
    forward = rng.uniform(-0.4, 0.4, count)
    begins = 5.0 * np.arange(count)

    def acting(values, moment, dead_time):
        return values[max(int(np.searchsorted(begins + dead_time, moment + 1e-9, side="right")) - 1, 0)]

    def slope(_, x, drive, brake):
        v, push, hold, integral, seen = x
        wanted = drive[1] + loop.gain * (drive[0] - v) + integral
        braked = brake[1] + loop.gain * (brake[0] - v) + integral
        change = push + hold - truth.resistance(v) - truth.grade_pull
        return (
            change,
            (loop.drive_gain * max(wanted, 0.0) - push) / truth.lag,
            (loop.brake_gain * min(braked, 0.0) - hold) / truth.brake_lag,
            loop.integral * (drive[0] - v),
            (v - seen) / loop.sensor_lag if loop.sensor_lag else change,
        )

    # It has driven at its first speed for a while.
    held = truth.resistance(asked[0]) + truth.grade_pull
    settled = held / loop.drive_gain if loop.integral else 0.0
    state = np.array([asked[0], held, 0.0, settled, asked[0]])
    series = np.empty((5, time.size))
    cuts = np.unique(
        np.concatenate([begins, begins + truth.dead_time, begins + truth.brake_dead_time, [seconds]])
    )
    for one, other in itertools.pairwise(cuts[cuts <= seconds]):
        commands = [
            (acting(asked, one, dead), acting(forward, one, dead))
            for dead in (truth.dead_time, truth.brake_dead_time)
        ]
        inside = time[(time >= one - 1e-9) & (time < other - 1e-9)]
        at = np.unique(np.concatenate(([one], inside, [other])))
        done = solve_ivp(
            slope, (one, other), state, t_eval=at, args=commands, rtol=1e-7, atol=1e-9, max_step=0.1
        )
        series[:, (time >= one - 1e-9) & (time < other - 1e-9)] = done.y[
            :, np.searchsorted(at, inside - 1e-12)
        ]
        state = done.y[:, -1]
    change = series[1] + series[2] - truth.resistance(series[0]) - truth.grade_pull
    return (
        time, np.repeat(asked, per_segment)[: time.size], np.repeat(forward, per_segment)[: time.size],
        series[0], series[4], change,
    )  # fmt: skip
