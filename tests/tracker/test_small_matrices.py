"""Exponentials and optimal costs of many small matrices against scipy and python-control."""

from __future__ import annotations

import control
import numpy as np
import pytest
from scipy.linalg import expm, solve_discrete_are

from tracker.small_matrices import exponential, optimal_cost


@pytest.mark.parametrize("size", [1e-3, 0.2, 3.0, 30.0])
@pytest.mark.parametrize("order", [2, 6, 9])
def test_exponential_is_scipys(size, order):
    """The exponential of a stack is scipy's of each to rounding, for any size; that of zeros is the identity."""
    matrices = size * np.random.default_rng(3).normal(size=(4, order, order))
    ours, theirs = exponential(matrices), expm(matrices)
    assert np.abs(ours - theirs).max() < 1e-11 * np.abs(theirs).max()
    assert np.array_equal(exponential(np.zeros((order, order))), np.eye(order))


def test_exponential_of_fast_decay_does_not_lose_what_is_slow():
    """A diagonal of very different decays: each entry by itself to rounding."""
    decays = -np.array([0.0, 1e-3, 1.0, 500.0])
    assert np.diag(exponential(np.diag(decays))) == pytest.approx(np.exp(decays), rel=1e-12, abs=1e-200)


def test_optimal_cost_solves_the_riccati_equation():
    """X of a stack against scipy's solve_discrete_are and python-control's dlqr, one plant of them an integrator chain."""
    generator = np.random.default_rng(11)
    a = generator.normal(size=(5, 4, 4)) / 2.0
    a[0] = np.eye(4) + 0.1 * np.eye(4, k=1)
    b = generator.normal(size=(5, 4))
    b[0] = 0.0, 0.0, 0.0, 0.1
    root = generator.normal(size=(5, 4, 4))
    q, r = root @ root.swapaxes(1, 2), generator.uniform(0.1, 2.0, 5)
    found = optimal_cost(a, b, q, r)
    for i in range(5):
        exact = solve_discrete_are(a[i], b[i][:, None], q[i], np.array([[r[i]]]))
        np.testing.assert_allclose(found[i], exact, rtol=1e-8, atol=1e-9 * np.abs(exact).max())
        _, by_control, _ = control.dlqr(a[i], b[i][:, None], q[i], np.array([[r[i]]]))
        np.testing.assert_allclose(found[i], by_control, rtol=1e-8, atol=1e-9 * np.abs(exact).max())
