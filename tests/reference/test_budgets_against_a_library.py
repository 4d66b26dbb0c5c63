"""An independent program on the same budgets: GTC propagates by automatic differentiation."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from labkit.metrology import Budget, BudgetLine, Correlation, Quantity, propagate, propagate_together
from labkit.validation import case
from labkit.validation.inputs import quantities_of


def end_gauge(l_s, d_mean, d_random, d_systematic, alpha, theta, cycle, d_alpha, d_t):
    return l_s + d_mean + d_random + d_systematic - l_s * (d_alpha * (theta + cycle) + alpha * d_t)


def mass(m, dm, rho_a, rho_w, rho_r):
    return (m + dm) * (1 + (rho_a - 1.1) * (1 / rho_w - 1 / rho_r)) - 100000


def power_law(c, a, x, L, n):
    return c + a * (1 + x / L) ** (-n)


POWER_LAW = [
    Quantity("c", 3.0, 0.5, 4),
    Quantity("a", 30000.0, 40.0, 9),
    Quantity("x", 1.2, 0.002),
    Quantity("L", 1.8, 0.01, 30),
    Quantity("n", 5.0, 0.02),
]

BUDGETS = {
    "end gauge": (end_gauge, quantities_of(case("H1_end_gauge").inputs["quantities"]), 1e-7),
    "mass": (mass, quantities_of(case("9_3_mass").inputs["quantities"]), 1e-7),
    "power law": (power_law, POWER_LAW, 1e-10),
}


def theirs(quantities, correlation=None):
    if correlation is None:
        return [GTC.ureal(each.value, each.u, each.dof, label=each.name) for each in quantities]
    found = GTC.multiple_ureal([each.value for each in quantities], [each.u for each in quantities], quantities[0].dof)
    for i in range(len(found)):
        for j in range(i):
            GTC.set_correlation(correlation[i][j], found[i], found[j])
    return found


def agree(ours, other, names, inputs, rel):
    """Value, u, degrees of freedom, sensitivities and contributions."""
    assert ours.value == pytest.approx(other.x, rel=1e-13)
    assert ours.u == pytest.approx(other.u, rel=rel)
    assert ours.dof == pytest.approx(other.df, rel=10 * rel)
    for name, each in zip(names, inputs, strict=True):
        contribution = GTC.component(other, each)
        assert abs(ours.contributions[name]) == pytest.approx(contribution, rel=rel, abs=rel * ours.u)
        sensitivity = GTC.rp.sensitivity(other, each)
        assert ours.sensitivities[name] == pytest.approx(sensitivity, rel=rel, abs=rel * ours.u / each.u)


@pytest.mark.parametrize("name", BUDGETS)
def test_independent_inputs(name):
    model, quantities, rel = BUDGETS[name]
    inputs = theirs(quantities)
    agree(propagate(model, quantities), model(*inputs), [each.name for each in quantities], inputs, rel)


def test_correlated_inputs_of_one_number_of_degrees_of_freedom():
    quantities = [
        Quantity("V", 4.999, 0.0032, 4),
        Quantity("I", 0.019661, 9.5e-6, 4),
        Quantity("phi", 1.04446, 7.5e-4, 4),
    ]
    R = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    ours = propagate_together(lambda V, A, phi: (V / A * np.cos(phi), V / A * np.sin(phi), V / A), quantities, R)
    inputs = theirs(quantities, R)
    V, current, phi = inputs
    other = [V / current * GTC.cos(phi), V / current * GTC.sin(phi), V / current]
    for i in range(3):
        agree(ours.results[i], other[i], ["V", "I", "phi"], inputs, 1e-9)
        for j in range(i):
            assert ours.correlation[i, j] == pytest.approx(GTC.get_correlation(other[i], other[j]), rel=1e-9)


def budget_of(lines, correlations=()):
    return Budget(1.0, tuple(BudgetLine("budget.own", u, dof) for u, dof in lines), correlations)


@pytest.mark.parametrize(
    "lines",
    [
        [(0.8e-3, math.inf), (1.1e-3, 24), (0.6e-3, 24), (0.29e-3, math.inf)],
        [(5.0, 3), (0.1, 50), (2.0, 7)],
        [(1.0, math.inf), (2.0, math.inf)],
    ],
)
def test_budgets(lines):
    other = sum((GTC.ureal(0.0, u, dof) for u, dof in lines), GTC.constant(0.0))
    ours = budget_of(lines)
    assert ours.u_mm == pytest.approx(other.u, rel=1e-13)
    assert ours.dof == pytest.approx(other.df, rel=1e-12)
    # degrees of freedom are truncated before k is taken
    whole = math.floor(other.df) if math.isfinite(other.df) else math.inf
    assert ours.k == pytest.approx(GTC.rp.k_factor(whole, 95.45), rel=1e-6)


def test_budgets_with_correlated_lines():
    lines = [(0.8, 6.0), (1.1, 6.0), (0.6, 6.0), (0.5, 20.0)]
    correlations = (Correlation(0, 1, 0.7), Correlation(2, 1, -0.4))
    ours = budget_of(lines, correlations)
    together = GTC.multiple_ureal([0.0] * 3, [u for u, _ in lines[:3]], 6.0)
    for each in correlations:
        GTC.set_correlation(each.r, together[each.first], together[each.second])
    other = sum(together) + GTC.ureal(0.0, *lines[3])
    assert ours.u_mm == pytest.approx(other.u, rel=1e-13)
    assert ours.dof == pytest.approx(other.df, rel=1e-12)
