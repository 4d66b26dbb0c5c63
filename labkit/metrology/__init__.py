"""Metrology: repeatability, budgets, decisions, gauge studies, control charts and capability, in plain numbers."""

from labkit.metrology.average_range import average_and_range
from labkit.metrology.budget import Budget, BudgetLine, Correlation
from labkit.metrology.capability import Capability, batch_performance, capability_indices, process_capability
from labkit.metrology.check_standards import CheckStandard, check_standard, linear_check_chart
from labkit.metrology.conformity import Decision, decide
from labkit.metrology.drift import ChartPair, ControlChart, ewma, individuals_chart, subgroup_charts
from labkit.metrology.gauge_bias import (
    Bias,
    GaugeDifferences,
    Linearity,
    TypeOneStudy,
    bias_study,
    gauge_differences,
    linearity,
    type_1_study,
)
from labkit.metrology.gauge_result import Component, GaugeStudy
from labkit.metrology.gauge_study import gauge_study
from labkit.metrology.montecarlo import GumComparison, MonteCarlo, compare_with_gum, monte_carlo, simulate
from labkit.metrology.propagation import Propagated, Together, propagate, propagate_together
from labkit.metrology.quantities import Quantity, Trapezoid, from_readings
from labkit.metrology.repeatability import Straggler, VarianceFunction, fit_variance, stragglers
from labkit.metrology.spread_tests import Grubbs, NormalityTest, SpreadTest, anderson_darling, bartlett, grubbs
from labkit.metrology.stability import StabilityStudy, stability_study
from labkit.metrology.statistics import OneWay, Pooled, Summary, describe, one_way, one_way_from_summaries, pool

__all__ = [
    "Bias",
    "Budget",
    "BudgetLine",
    "Capability",
    "ChartPair",
    "CheckStandard",
    "Component",
    "ControlChart",
    "Correlation",
    "Decision",
    "GaugeDifferences",
    "GaugeStudy",
    "Grubbs",
    "GumComparison",
    "Linearity",
    "MonteCarlo",
    "NormalityTest",
    "OneWay",
    "Pooled",
    "Propagated",
    "Quantity",
    "SpreadTest",
    "StabilityStudy",
    "Straggler",
    "Summary",
    "Together",
    "Trapezoid",
    "TypeOneStudy",
    "VarianceFunction",
    "anderson_darling",
    "average_and_range",
    "bartlett",
    "batch_performance",
    "bias_study",
    "capability_indices",
    "check_standard",
    "compare_with_gum",
    "decide",
    "describe",
    "ewma",
    "fit_variance",
    "from_readings",
    "gauge_differences",
    "gauge_study",
    "grubbs",
    "individuals_chart",
    "linear_check_chart",
    "linearity",
    "monte_carlo",
    "one_way",
    "one_way_from_summaries",
    "pool",
    "process_capability",
    "propagate",
    "propagate_together",
    "simulate",
    "stability_study",
    "stragglers",
    "subgroup_charts",
    "type_1_study",
]
