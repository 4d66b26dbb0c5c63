"""Metrology: repeatability, uncertainty budgets and decisions, in plain numbers."""

from labkit.metrology.budget import Budget, BudgetLine, Correlation
from labkit.metrology.conformity import Decision, decide
from labkit.metrology.montecarlo import GumComparison, MonteCarlo, compare_with_gum, monte_carlo, simulate
from labkit.metrology.propagation import Propagated, Together, propagate, propagate_together
from labkit.metrology.quantities import Quantity, Trapezoid, from_readings
from labkit.metrology.repeatability import Straggler, VarianceFunction, fit_variance, stragglers

__all__ = [
    "Budget",
    "BudgetLine",
    "Correlation",
    "Decision",
    "GumComparison",
    "MonteCarlo",
    "Propagated",
    "Quantity",
    "Straggler",
    "Together",
    "Trapezoid",
    "VarianceFunction",
    "compare_with_gum",
    "decide",
    "fit_variance",
    "from_readings",
    "monte_carlo",
    "propagate",
    "propagate_together",
    "simulate",
    "stragglers",
]
