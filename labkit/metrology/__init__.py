"""Metrology: repeatability, uncertainty budgets and decisions, in plain numbers."""

from labkit.metrology.budget import Budget, BudgetLine
from labkit.metrology.conformity import Decision, decide
from labkit.metrology.repeatability import Straggler, VarianceFunction, fit_variance, stragglers

__all__ = [
    "Budget",
    "BudgetLine",
    "Decision",
    "Straggler",
    "VarianceFunction",
    "decide",
    "fit_variance",
    "stragglers",
]
