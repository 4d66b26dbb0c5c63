"""Gauge repeatability and reproducibility: how much of what differs between readings comes from gauge and people."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from labkit.metrology.components import Term, combined, interval, satterthwaite_dof
from labkit.metrology.gauge_result import AnovaRow, Component, GaugeStudy, Source, few, shared_out, shares
from labkit.metrology.study_layout import Design, cells, check_options
from labkit.problems import Caution, Reason

Terms: TypeAlias = Mapping[str, Sequence[Term]]


def gauge_study(
    values: ArrayLike,
    parts: Sequence[Hashable],
    operators: Sequence[Hashable],
    *,
    design: Design = "crossed",
    tolerance_width: float | None = None,
    multiplier: float = 6,
    alpha: float = 0.05,
    level: float = 0.95,
) -> GaugeStudy:
    """
    Gauge repeatability and reproducibility by analysis of variance, parts and operators random.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings, in any one unit and any order.
    parts, operators : sequence, length n
        Which part was read, and by whom.
    design : str
        "crossed" where every operator reads every part, "nested" where each reads parts of their own.
    tolerance_width : float, optional
        Upper less lower limit, in the unit of the readings.
    multiplier : float
        Standard deviations that are compared with the tolerance: 6, or 5.15.
    alpha : float
        The interaction is pooled with repeatability where its p is above; 1 never pools, 0 always does.
    level : float
        Of the intervals of the components.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    BadInput
        A value that is not a number, columns of unlike length, fewer than two parts, operators or readings of each, an
        operator who did not read a part as often as the others, a part under two operators of a nested study, or an
        option out of its range.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition, chapter III and appendix A (from memory). Burdick, Borror &
    Montgomery, Design and Analysis of Gauge R&R Studies (2005) for the nested design and the intervals (from memory).
    """
    check_options(design, tolerance_width, multiplier, alpha, level)
    y = cells(values, parts, operators, design)
    o, p, r = y.shape
    d = y - y.mean()
    cell = d.mean(axis=2)
    equipment = _row("equipment", math.fsum(np.square(d - cell[:, :, None]).ravel()), o * p * (r - 1))
    by_operator = cell.mean(axis=1)
    ss_operator = p * r * math.fsum(by_operator**2)
    table: tuple[AnovaRow, ...]
    if design == "nested":
        ss_part = r * math.fsum(np.square(cell - by_operator[:, None]).ravel())
        part = _row("part", ss_part, o * (p - 1), equipment)
        table = (_row("operator", ss_operator, o - 1, part), part, equipment)
        pooled, terms = None, _nested_terms(table, p, r)
    else:
        by_part = cell.mean(axis=0)
        ss_both = r * math.fsum(np.square(cell - by_operator[:, None] - by_part).ravel())
        both = _row("interaction", ss_both, (o - 1) * (p - 1), equipment)
        # without any spread of repeats the interaction has nothing to be judged against, and stays
        pooled = both.p is not None and (both.p > alpha or alpha == 0)
        error = _row("equipment", both.ss + equipment.ss, both.dof + equipment.dof) if pooled else both
        part = _row("part", o * r * math.fsum(by_part**2), p - 1, error)
        table = (part, _row("operator", ss_operator, o - 1, error), both, equipment)
        terms = _crossed_terms(part, table[1], error, equipment, (o, p, r), pooled)
    components, cautions = _components(terms, tolerance_width, multiplier, level)
    cautions += few(o, p)
    said = {"alpha": alpha, "p": None if pooled is None else table[2].p}
    methods = [Reason(f"gauge_study.anova_{design}")]
    if pooled is not None:
        methods.append(Reason("gauge_study.pooled" if pooled else "gauge_study.not_pooled", said))
    methods += [*shares(tolerance_width, multiplier), Reason("gauge_study.intervals", {"level": level})]
    return GaugeStudy(
        design,
        p,
        o,
        r,
        table,
        components,
        pooled,
        alpha,
        multiplier,
        tolerance_width,
        level,
        tuple(methods),
        tuple(cautions),
    )


def _term(row: AnovaRow, coefficient: float) -> Term:
    return Term(coefficient, row.ms, row.dof)


def _nested_terms(table: Sequence[AnovaRow], p: int, r: int) -> Terms:
    operator, part, equipment = table
    between = [_term(operator, 1 / (p * r)), _term(part, -1 / (p * r))]
    return {
        "repeatability": [_term(equipment, 1.0)],
        "operator": between,
        "reproducibility": between,
        "gauge": [*between, _term(equipment, 1.0)],
        "part": [_term(part, 1 / r), _term(equipment, -1 / r)],
        "total": [
            _term(operator, 1 / (p * r)),
            _term(part, (p - 1) / (p * r)),
            _term(equipment, (r - 1) / r),
        ],
    }


def _crossed_terms(
    part: AnovaRow,
    operator: AnovaRow,
    error: AnovaRow,
    equipment: AnovaRow,
    sizes: tuple[int, int, int],
    pooled: bool,
) -> Terms:
    """`error` is what parts and operators are judged against: the interaction, or all that is left where pooled."""
    o, p, r = sizes
    between = [_term(operator, 1 / (p * r)), _term(error, -1 / (p * r))]
    of_part = [_term(part, 1 / (o * r)), _term(error, -1 / (o * r))]
    if pooled:
        return {
            "repeatability": [_term(error, 1.0)],
            "operator": between,
            "reproducibility": between,
            "gauge": [_term(operator, 1 / (p * r)), _term(error, 1 - 1 / (p * r))],
            "part": of_part,
            "total": [_term(part, 1 / (o * r)), _term(operator, 1 / (p * r)), _term(error, 1 - (o + p) / (o * p * r))],
        }
    once = [_term(operator, 1 / (p * r)), _term(error, (p - 1) / (p * r))]
    return {
        "repeatability": [_term(equipment, 1.0)],
        "operator": between,
        "interaction": [_term(error, 1 / r), _term(equipment, -1 / r)],
        "reproducibility": [*once, _term(equipment, -1 / r)],
        "gauge": [*once, _term(equipment, (r - 1) / r)],
        "part": of_part,
        "total": [
            _term(part, 1 / (o * r)),
            _term(operator, 1 / (p * r)),
            _term(error, (o * p - o - p) / (o * p * r)),
            _term(equipment, (r - 1) / r),
        ],
    }


def _components(
    terms: Terms, width: float | None, multiplier: float, level: float
) -> tuple[Mapping[str, Component], list[Caution]]:
    raw = {name: combined(each) for name, each in terms.items()}
    limits = {}
    for name, each in terms.items():
        low, high = interval(each, level)
        limits[name] = (math.sqrt(low), math.sqrt(high))
    return shared_out(raw, limits, {name: satterthwaite_dof(each) for name, each in terms.items()}, width, multiplier)


def _row(source: Source, ss: float, dof: int, against: AnovaRow | None = None) -> AnovaRow:
    ms = ss / dof
    if against is None or against.ms <= 0:
        return AnovaRow(source, ss, dof, ms)
    F = ms / against.ms
    return AnovaRow(source, ss, dof, ms, F, float(fdtrc(dof, against.dof, F)))
