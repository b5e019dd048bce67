"""The preview law's gains against python-control, a plant with its dead time in the state, and brute force."""

from __future__ import annotations

import control
import numpy as np
import pytest
from preview_lqr_cases import CAR
from scipy.linalg import lstsq

from tracker.laws.preview_lqr_design import Foresight, Weights, optimal, preview_weights, stage_cost
from tracker.laws.preview_lqr_model import error_plant
from tracker.laws.preview_lqr_table import (
    FEEDBACK,
    PREVIEW,
    Tolerances,
    design_speeds,
    gain_rows,
)
from tracker.memory import keep_command, new_memory
from tracker.prediction import predict
from tracker.response import Response, ResponseValues
from tracker.schedule import KNOTS, Schedule

ROLLING = Response(wheelbase=2.8, lag=0.2).values
SMALL = Response(wheelbase=0.17, lag=0.08).values  # of a tenth of a car's size
VEHICLES = {"tyres": CAR, "rolling": ROLLING, "small": SMALL}
DEFAULT = Tolerances(0.1, 0.1, 0.2, 0.05, 1.0, 0.0, 4.0, 0.0, True)


def designed(response: ResponseValues, speeds, period: float, integral: bool = False):
    """Give plant, Q, R, K and P of the default tolerances."""
    speeds = np.asarray(speeds, dtype=float)
    one = np.ones_like(speeds)
    weights = Weights(100.0 * one, 100.0 * one, 25.0 * one, 100.0 * 0.3**2 * one, 400.0 * one, one)
    plant = error_plant(response, speeds, period, integral)
    q, r = stage_cost(plant, weights, speeds, period)
    return plant, q, r, *optimal(plant, q, r)


@pytest.mark.parametrize("response", VEHICLES.values(), ids=VEHICLES)
@pytest.mark.parametrize(("period", "integral"), [(0.01, False), (0.05, True)])
def test_gains_are_those_of_dlqr(response, period, integral):
    """From the slowest to the fastest speed of the table K equals `control.dlqr` on the same plant and cost to 1e-8."""
    plant, q, r, k, p = designed(response, design_speeds(response), period, integral)
    for i in (0, 6, 12, 19, 25, KNOTS - 1):
        gains, cost, poles = control.dlqr(plant.a[i], plant.b[i][:, None], q[i], r[i])
        assert k[i] == pytest.approx(np.asarray(gains)[0], rel=1e-8, abs=1e-8 * np.abs(gains).max())
        assert p[i] == pytest.approx(np.asarray(cost), rel=1e-7, abs=1e-8 * np.abs(cost).max())
        assert np.abs(poles).max() < 1.0


def delayed(response: ResponseValues, speed: float, period: float, dead_time: float):
    """Give one period of the plant with its dead time in the state, and the predictor of the undelayed state.

    States: those of the body and the steering at the time of the command, then the commands in flight, oldest first. A
    command takes effect within a period, so that each step is held by two of them (K. J. Åström, B. Wittenmark, Computer-
    Controlled Systems, ch. 3: from memory). The predictor gives the state when the command about to be given takes effect.
    """
    whole = int(np.ceil(dead_time / period - 1e-12))
    late = dead_time - (whole - 1) * period  # of a command within the step in which it takes effect
    # A plant of another step length, without its last state, the command: flow and effect of one that is held.
    first, second = (error_plant(response, [speed], step) for step in (late, period - late))
    size = first.b.shape[1] - 1
    flow = [part.a[0, :size, :size] for part in (first, second)]
    effect = [part.b[0, :size] for part in (first, second)]
    n = size + whole
    a, b = np.zeros((n, n)), np.zeros(n)
    a[:size, :size] = flow[1] @ flow[0]
    a[:size, size] = flow[1] @ effect[0]
    if whole > 1:
        a[:size, size + 1] = effect[1]
    else:  # the new command is the last one and its change
        a[:size, size] += effect[1]
        b[:size] = effect[1]
    a[size : n - 1, size + 1 : n] = np.eye(whole - 1)
    a[n - 1, n - 1] = b[n - 1] = 1.0
    predictor = np.zeros((size + 1, n))
    predictor[:size, :size] = np.eye(size)
    full = error_plant(response, [speed], period)
    for j in range(whole):
        step_flow, step_effect = (
            (flow[0], effect[0]) if j == 0 else (full.a[0, :size, :size], full.b[0, :size])
        )
        predictor[:size] = step_flow @ predictor[:size]
        predictor[:size, size + j] += step_effect
    predictor[size, n - 1] = 1.0
    return a, b, predictor


@pytest.mark.parametrize("response", [CAR, ROLLING], ids=["tyres", "rolling"])
@pytest.mark.parametrize("dead_time", [0.013, 0.02, 0.113, 0.2])
def test_dead_time_in_the_state_is_the_predictor(response, dead_time):
    """`control.dlqr` with the commands in flight as states equals K times the predicted state, to 1e-8.

    The classical result for a dead time at the input (Z. Artstein, IEEE Trans. Automatic Control 27(4), 1982; from memory):
    the cost counts the state from when the first command can change it.
    """
    speed, period = 9.0, 0.02
    _, q, r, k, _ = designed(response, [speed], period)
    a, b, predictor = delayed(response, speed, period, dead_time)
    weight = predictor.T @ q[0] @ predictor
    gains, _, poles = control.dlqr(a, b[:, None], 0.5 * (weight + weight.T), r[0])
    assert np.abs(poles).max() < 1.0
    assert np.asarray(gains)[0] == pytest.approx(k[0] @ predictor, rel=1e-8, abs=1e-8 * np.abs(k).max())


def test_the_tracker_predicts_that_state():
    """The tracker's own prediction is the predictor of the test above: what it shows the law is what K wants."""
    speed, period, dead_time = 9.0, 0.02, 0.113
    response = ROLLING._replace(dead_time=dead_time)
    commands = np.array([0.002, -0.001, 0.0015, 0.003, 0.001, -0.002])
    start = np.array([0.05, 0.01, 0.0025])  # e, ψ, κ now
    memory = new_memory(0.0, commands[0], speed)
    for i, command in enumerate(commands):
        keep_command(memory, (i - len(commands)) * period, command)
    found = predict(response, memory, 0.0, 0.0, start[0], start[1], speed, start[2], start[2], 0.0)
    _, _, predictor = delayed(ROLLING, speed, period, dead_time)
    linear = predictor @ [*start, *commands]
    # The heading and the curvature are linear and exact; the position takes sin ψ for ψ, and each span's middle heading.
    assert (found[2], found[3]) == pytest.approx(linear[1:3], rel=1e-12)
    assert found[1] - start[0] == pytest.approx(linear[0] - start[0], rel=2e-3)


def brute_force(plant, q, r, p, start, bends, follows):
    """Give the changes of the command of least cost over a known path, (n,), and the cost, by dense least squares.

    `follows` are the changes of the command that cost nothing, shape (n,). Every row is a weighted deviation of the whole drive, written out in the changes Δu; what follows counts by P.
    """
    steps = bends.size - 1
    size = start.size
    roots = np.linalg.cholesky(q + 1e-13 * np.trace(q) * np.eye(size)).T
    last = np.linalg.cholesky(p).T
    free, forced = start.copy(), np.zeros((size, steps))
    rows, right = [], []
    for j in range(steps + 1):
        root = roots if j < steps else last
        rows.append(root @ forced)
        right.append(-root @ (free - plant.steady[0] * bends[j]))
        if j < steps:
            rows.append(np.sqrt(r[0]) * np.eye(steps)[j : j + 1])
            right.append(np.sqrt(r[0]) * follows[j : j + 1])
            forced = plant.a[0] @ forced
            forced[:, j] += plant.b[0]
            free = plant.a[0] @ free + plant.e[0] * bends[j]
    matrix, target = np.vstack(rows), np.concatenate(right)
    answer = lstsq(matrix, target, lapack_driver="gelsy")[0]
    return answer, float(np.sum((matrix @ answer - target) ** 2))


@pytest.mark.parametrize("response", [CAR, ROLLING], ids=["tyres", "rolling"])
@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_preview_is_optimal(response, share):
    """The law's first change is that of least cost over a known path of 3 s, by brute force, to 1e-6."""
    speed, period, steps, lead = 11.0, 0.05, 60, 5
    plant, q, r, k, p = designed(response, [speed], period)
    generator = np.random.default_rng(11)
    bends = np.cumsum(generator.normal(size=steps + 1)) * 2e-3
    start = plant.steady[0] * bends[0] + generator.normal(size=plant.b.shape[1]) * 0.01
    follows = share * np.diff(np.pad(bends, (0, lead), mode="edge"))[lead - 1 :]
    best, _ = brute_force(plant, q[0], r, p[0], start, bends, follows)
    weights = preview_weights(plant, r, k, p, Foresight(1, steps + 1, np.array([lead]), share))[0]
    ours = -k[0] @ (start - plant.steady[0] * bends[0]) + weights @ (bends - bends[0])
    assert ours == pytest.approx(best[0], rel=1e-6)


@pytest.mark.parametrize("response", [CAR, ROLLING], ids=["tyres", "rolling"])
@pytest.mark.parametrize("share", [0.0, 1.0])
def test_coarse_preview_costs_little(response, share):
    """Of what full knowledge of the path saves in a bend, stretches of 0.06 s over 4 s leave less than 0.01 %."""
    speed, period, steps, coarse, lead = 9.0, 0.02, 240, 3, 9
    plant, q, r, k, p = designed(response, [speed], period)
    # Clothoids of a second into a bend of 50 m and out of it.
    bends = np.interp(np.arange(steps + 301) * period, [0.8, 1.8, 3.0, 4.0], [0.0, 0.02, 0.02, 0.0])
    # What costs nothing is the led change of the path as the stretches see it: the difference of two means.
    means = np.convolve(bends, np.ones(coarse) / coarse, mode="valid")
    follows = share * (means[lead : lead + steps] - means[lead - coarse : lead - coarse + steps]) / coarse
    nothing = np.zeros(plant.b.shape[1])
    _, least = brute_force(plant, q[0], r, p[0], nothing, bends[: steps + 1], follows)
    weights = preview_weights(plant, r, k, p, Foresight(coarse, 67, np.array([lead]), share))[0]

    def cost_of(weights: np.ndarray) -> float:
        state, cost = nothing, 0.0
        for j in range(steps):
            off = state - plant.steady[0] * bends[j]
            change = -k[0] @ off + weights @ (means[j : j + 67 * coarse : coarse] - bends[j])
            cost += off @ q[0] @ off + r[0] * (change - follows[j]) ** 2
            state = plant.a[0] @ state + plant.b[0] * change + plant.e[0] * bends[j]
        off = state - plant.steady[0] * bends[steps]
        return float(cost + off @ p[0] @ off)

    excess, blind = cost_of(weights) - least, cost_of(np.zeros_like(weights)) - least
    assert -1e-9 * least <= excess < 1e-4 * blind


def test_table_holds_the_design():
    """At a knot the table gives the design's K and F; between knots within 0.5 % of a design made there."""
    rows = gain_rows(CAR, 0.02, DEFAULT)
    speeds = design_speeds(CAR)
    assert rows.flags.c_contiguous
    assert rows[0] == pytest.approx(speeds)
    plant, _, _, k, _ = designed(CAR, speeds, 0.02)
    assert rows[1 + 2 * FEEDBACK :: 2][: k.shape[1]] == pytest.approx(k.T)
    # Steady turns need no correction: the weights of the path ahead add up to K x_s.
    assert rows[1 + 2 * PREVIEW :: 2].sum(axis=0) == pytest.approx(np.sum(k * plant.steady, axis=1), rel=1e-9)
    between = np.sqrt(speeds[1:-1] * np.append(speeds[2:-1], speeds[-2]))[:-1]
    _, _, _, exact, _ = designed(CAR, between, 0.02)
    from tracker.schedule import gain_at, place_at

    for speed, gains in zip(between, exact, strict=True):
        place = place_at(rows, speed)
        found = np.array([gain_at(rows, place, FEEDBACK + j) for j in range(gains.size)])
        assert found == pytest.approx(gains, rel=5e-3, abs=5e-3 * np.abs(gains).max())


def test_table_takes_schedules():
    """A tolerance over speed is that of each knot."""
    low, high = design_speeds(CAR)[[5, 20]]
    scheduled = DEFAULT._replace(lateral=Schedule(speeds=(low, high), values=(0.05, 0.3)))
    rows = gain_rows(CAR, 0.02, scheduled)
    for knot, value in ((5, 0.05), (20, 0.3)):
        same = gain_rows(CAR, 0.02, DEFAULT._replace(lateral=value))
        assert rows[1::2, knot] == pytest.approx(same[1::2, knot], rel=1e-12)


def test_oversteering_vehicle_is_designed_short_of_its_critical_speed():
    """Beyond √(−L/K) no steering holds a steady turn: the gains of four fifths of it are kept."""
    loose = CAR._replace(cornering_stiffness_rear=95e3)
    critical = np.sqrt(-2.68 / (1573.0 / 2.68 * (1.58 / 160e3 - 1.1 / 95e3)))
    assert design_speeds(loose)[-1] == pytest.approx(0.8 * critical)
    assert np.all(np.isfinite(gain_rows(loose, 0.02, DEFAULT)))
