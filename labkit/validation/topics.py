"""The topics of the published cases, in the order of a report, and what each covers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.validation.cases import cases


@dataclass(frozen=True)
class Topic:
    """
    A topic.

    Attributes
    ----------
    name : str
        Its folder under ``data/``.
    title : str
    covers : str
        What of the package its cases exercise, one sentence.
    """

    name: str
    title: str
    covers: str


_TOPICS: Final = (
    Topic(
        "constants",
        "Units and constants of the trade",
        "Units of length, expansion of shims, the far field of the power law.",
    ),
    Topic("line", "Straight lines", "Ordinary least squares, and weighted with relative weights."),
    Topic(
        "nist_linear",
        "Certified data sets, linear",
        "Least squares linear in the parameters, on data that cost digits.",
    ),
    Topic(
        "nist_nonlinear",
        "Certified data sets, nonlinear",
        "The general fitter, with each model entered as an engineer's own family.",
    ),
    Topic(
        "iso_28037",
        "Straight-line calibration functions",
        "Uncertain y, uncertain x and y, full covariances; forwards and backwards.",
    ),
    Topic("two_variables", "Uncertainties in both variables", "The straight line with uncertain x and y."),
    Topic(
        "inverse_prediction",
        "The curve used backwards",
        "Thickness from an indication, its uncertainty and limits.",
    ),
    Topic("design", "Choice of points", "Designs that are optimal for a curve before anything is read."),
    Topic(
        "gum",
        "Uncertainty by propagation",
        "Budgets, correlated inputs, degrees of freedom, coverage factors.",
    ),
    Topic("ea_4_02", "Worked budgets of calibrations", "Whole budgets: a weight, a gauge block, a vernier calliper."),
    Topic("jcgm101", "Propagation of distributions", "The Monte Carlo method and its coverage intervals."),
    Topic("conformity", "Decisions", "Probability of conformity, guard bands and the risks that they leave."),
    Topic("nist_univariate", "Certified data sets, univariate", "Mean, standard deviation, and the lag-1 correlation."),
    Topic("nist_anova", "Certified data sets, analysis of variance", "One-way analysis of variance."),
    Topic("msa", "Gauge studies", "Repeatability and reproducibility, bias and linearity of a gauge."),
    Topic("control_charts", "Control charts", "Constants and limits of charts, and capability."),
    Topic("nist_handbook", "Handbook examples", "Check standards, gauge studies, control charts and capability."),
)


def topics() -> tuple[Topic, ...]:
    """
    The topics that the package has cases of, in the order of a report.

    Returns
    -------
    tuple of Topic
        One that has no entry here comes last, under its own name.
    """
    there = {each.topic for each in cases()}
    known = {each.name for each in _TOPICS}
    return tuple(each for each in _TOPICS if each.name in there) + tuple(
        Topic(name, name, "") for name in sorted(there - known)
    )
