"""One calibration, whole: points in, result out. The only place where the stages meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import cast

import numpy as np
import uuid6
from scipy.special import chdtr

from labkit.bench.about import About
from labkit.bench.conditions import Conditions
from labkit.bench.influences import check_influences, not_considered
from labkit.bench.readings import Readings, Signal
from labkit.calibration.advice import Advice
from labkit.calibration.agreement import say_agreement
from labkit.calibration.background import DRIFT
from labkit.calibration.checks import Check, Correct, Criterion, check_shims, say_capability
from labkit.calibration.closing import closing_of, drift_of, say_closing
from labkit.calibration.curve_lines import CurveLines
from labkit.calibration.one_thread import on_one_thread
from labkit.calibration.options import (
    Options,
    Tolerance,
    check_conditions,
    check_options,
    limits,
    working_range_mm,
)
from labkit.calibration.points import PointTable, build_points
from labkit.calibration.result import Calibration
from labkit.calibration.sequence import say_read_after_checks
from labkit.calibration.tolerable import say_tolerable
from labkit.calibration.uncertainty import Uncertainty
from labkit.calibration.widening import say_widening, widening_of
from labkit.curves import Curve, family_named
from labkit.curves.compare import MONOTONE_DOUBTED, MONOTONE_REFUSED, Comparison, compare
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.plan import reaches
from labkit.metrology import Budget, BudgetLine
from labkit.metrology.conformity import Outcomes, Rule
from labkit.problems import BadInput, Caution

GRID = 121
"""Thicknesses of the working range at which the largest U is looked for."""

BY_CHANCE = 0.01
"""
χ² that falls so low with no greater chance says that the stated uncertainties look too large. A bound on χ²/ν will not
do: with two degrees of freedom every fifth good fit lies under 0.2.
"""


@on_one_thread
def calibrate(
    readings: Readings,
    family: str = "auto",
    working_range: tuple[float, float] | None = None,
    tolerance: Tolerance = None,
    target_u: float | None = None,
    conditions: Conditions | None = None,
    rule: str = "guard-band-U",
    outcomes: str = "four",
    seed: int = 1,
    *,
    reason: str = "",
    about: About | None = None,
    in_force: Calibration | None = None,
    id: str | None = None,
    created: str | None = None,
    risk: float | None = None,
    process: tuple[float, float] | None = None,
    among: Sequence[str] | None = None,
    widen_reason: str = "",
    widen_by: str = "",
) -> Calibration:
    """
    Calibrate a rig from readings on shims.

    Parameters
    ----------
    readings : Readings
        With the whole shim set, unread shims too.
    family : str
        "auto" for the recommended curve, or the name of a family.
    working_range : (float, float), optional
        Where parts will be measured [mm]; default the span of the shims that were read.
    tolerance : float or (float or None, float or None), optional
        Half-width, or lower and upper limit, of the deviation at a check shim [mm].
    target_u : float, optional
        The expanded uncertainty to reach [mm].
    conditions : Conditions, optional
        Default those of `about`; what is missing is a caution.
    rule : str
        "simple", "guard-band-U", "guard-band-1.65u" or "guard-band-risk"; see `labkit.metrology.decide`.
    outcomes : "two" or "four"
        Whether conditional outcomes exist.
    seed : int
        Of everything that draws at random.
    reason : str
        Why another curve than the recommended one was chosen.
    about : About, optional
        The particulars for the sheet.
    in_force : Calibration, optional
        The calibration that was in force before: as-found readings are judged with its curve.
    id, created : str, optional
        Of a calibration that is computed again.
    risk : float, optional
        For the rule "guard-band-risk": how probable it may be, at the acceptance limit, that a rig lies outside.
    process : (float, float), optional
        Mean and standard deviation [mm] of the true deviations of the rigs that are brought, where they are known:
        the global risks are then stated.
    among : sequence of str, optional
        The families to compare; default all that are registered for the signal.
    widen_reason, widen_by : str, optional
        Why the given uncertainties of shims and readings are too small, and who says so; default those of `about`, and
        its operator. Where χ² rejects the curve, all their variances are multiplied by χ²/ν.

    Returns
    -------
    Calibration

    Raises
    ------
    BadInput
        No reading that counts, one thickness only, a working range that makes no sense or lies outside the points, a
        tolerance or condition that makes no sense, an unknown family or rule, a chosen family that cannot be fitted,
        or points that leave no way to state an uncertainty.
    """
    about = about or About()
    conditions = conditions or about.conditions
    check_conditions(conditions)
    check_influences(conditions.influences, readings.signal)
    table = build_points(readings, conditions)
    working = working_range_mm(working_range, table.fitted.x)
    check_options(tolerance, target_u, rule, outcomes, risk, process)
    options = Options(
        family, working, tolerance, target_u, cast(Rule, rule), cast(Outcomes, outcomes), reason, seed, risk, process
    )
    if why := (widen_reason or about.widen_reason).strip():
        options = replace(options, widen_reason=why, widen_by=widen_by or about.operator)
    cautions = list(table.cautions)

    as_given = table
    lines = CurveLines(table)
    comparison = _compare(lines, options, among)
    curve = _choose(family, readings.signal, comparison, comparison.flexible)
    widening = widening_of(comparison[curve.family], options)
    say_widening(widening, comparison[curve.family], options, cautions)
    before = None
    if widening is not None:
        before = lines, comparison
        table = table.widened(widening.ratio)
        lines = CurveLines(table)
        comparison = _compare(lines, options, among, before)
        curve = _choose(widening.family, readings.signal, comparison, comparison.flexible)
    flexible = comparison.flexible
    closing, drift = closing_of(table, curve), drift_of(table, curve)
    uncertainty = _uncertainty(lines, curve, flexible, before)
    _say_curve(table, comparison, curve, options, cautions)
    say_closing(table, closing, drift, cautions)
    _say_influences(table, cautions)

    result = Calibration(
        id or str(uuid6.uuid7()),
        created or datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        readings,
        replace(about, conditions=conditions),
        options,
        table,
        comparison,
        curve,
        uncertainty,
        advice=None,
        closing=closing,
        checks=(),
        as_found=(),
        budget=None,
        cautions=(),
        widening=widening,
    )
    criterion = Criterion(limits(tolerance), options.rule, options.outcomes, risk)
    found = _as_found(as_given, in_force, criterion, cautions)
    if not curve.monotonic:
        return replace(result, as_found=found, cautions=tuple(cautions))
    checks = check_shims(
        readings.with_role("check"), table, _corrector(result), criterion, cautions, result.curve_with_weights
    )
    say_capability(checks, cautions)
    grid = _covered(working, curve.points.x)
    U, _ = uncertainty.expanded(curve, grid)
    say_tolerable(grid, U, criterion.limits_mm, cautions)
    say_read_after_checks(readings, cautions)
    return replace(
        result,
        # what a further shim brings may fall below what U was before
        advice=Advice(table, comparison, replace(uncertainty, as_given=None), options),
        checks=checks,
        as_found=found,
        budget=uncertainty.budget(curve, float(grid[int(np.argmax(U))])),
        cautions=tuple(cautions),
    )


def _covered(working: tuple[float, float], x: Array) -> Array:
    """Thicknesses of the working range that lie within the points: no result is given elsewhere."""
    return np.linspace(max(working[0], x.min()), min(working[1], x.max()), GRID)


def _uncertainty(
    lines: CurveLines, curve: Curve, flexible: FlexibleCurve | None, before: tuple[CurveLines, Comparison] | None
) -> Uncertainty:
    """Of thicknesses found with a curve, `before` being what there was until uncertainties were widened."""
    found = Uncertainty(lines, flexible, drift_of(lines.table, curve))
    if before is None:
        return found
    given, comparison = before
    same = comparison[curve.family].curve
    if same is None:
        return found
    return replace(found, as_given=(_uncertainty(given, same, comparison.flexible, None), same))


def _compare(
    lines: CurveLines,
    options: Options,
    among: Sequence[str] | None,
    before: tuple[CurveLines, Comparison] | None = None,
) -> Comparison:
    """U in the comparison is that of one corrected reading."""
    table = lines.table
    inner = _covered(options.working_range_mm, table.fitted.x)

    def largest_U(curve: Curve, flexible: FlexibleCurve | None) -> float | None:
        if curve.standard_uncertainty(inner[:1]) is None:
            return None
        uncertainty = _uncertainty(lines, curve, flexible, before)
        return float(np.max(uncertainty.expanded(curve, inner)[0]))

    lower, upper = limits(options.tolerance_mm)
    sides = [abs(side) for side in (lower, upper) if side is not None]
    return compare(
        table.fitted,
        table.readings.signal,
        "known" if table.known_scale else "estimated",
        (float(inner[0]), float(inner[-1])),
        largest_U,
        tolerance_mm=min(sides) if sides else None,
        repeat_dof=table.variance.dof,
        repeat_share=table.repeat_share,
        order_broken=table.order_broken,
        among=None if among is None else [family_named(name) for name in among],
    )


def _choose(family: str, signal: Signal, comparison: Comparison, flexible: FlexibleCurve | None) -> Curve:
    """
    The curve that was asked for; with "auto" the recommended one, else the flexible one, else whatever fits. It must
    state an uncertainty, its own or that of the flexible curve.
    """
    if family != "auto":
        form = family_named(family)
        if not form.describes(signal):
            raise BadInput("curve.not_for_signal", family=form.name, signal=signal)
        row = comparison[form.name]
        if row.curve is None:
            assert row.why_not is not None
            raise BadInput(row.why_not.code, row.why_not.where, **row.why_not.params)
        if flexible is None and not _states_u(row.curve):
            raise BadInput("curve.no_u", family=row.family)
        return row.curve
    for name in (comparison.recommended, "flexible"):
        if name is not None and (curve := comparison[name].curve) is not None:
            return curve
    fitted = [row.curve for row in comparison.rows if row.curve is not None]
    if not fitted:
        first = comparison.rows[0].why_not
        assert first is not None
        raise BadInput(first.code, first.where, **first.params)
    stating = [curve for curve in fitted if _states_u(curve)]
    if not stating:
        raise BadInput("curve.no_u", family=fitted[0].family)
    return stating[0]


def _states_u(curve: Curve) -> bool:
    return curve.standard_uncertainty(curve.points.x[:1]) is not None


def _say_influences(table: PointTable, cautions: list[Caution]) -> None:
    conditions = table.conditions
    for each in conditions.influences:
        if each.code == "groove" and not each.off and (params := each.params(""))["bridged_mm"] > 0:
            cautions.append(Caution("budget.bridged", params))
    forgotten = not_considered(conditions.influences, table.readings.signal)
    if table.background_drift is not None:
        forgotten = tuple(code for code in forgotten if code != DRIFT)
    if forgotten:
        cautions.append(Caution("budget.not_considered", {"influences": list(forgotten)}))


def _say_curve(
    table: PointTable, comparison: Comparison, curve: Curve, options: Options, cautions: list[Caution]
) -> None:
    """Doubts about the curve itself."""
    row = comparison[curve.family]
    flexible = comparison.flexible
    low, high = curve.range
    if not all(each.any() for each in reaches(curve.range, options.working_range_mm)):
        cautions.append(Caution("curve.range_not_covered", {"low_mm": low, "high_mm": high}))
    between = sorted(point.x_mm for point in table.points)[1:-1]
    if not any(options.working_range_mm[0] < x < options.working_range_mm[1] for x in between):
        cautions.append(Caution("points.ends_only"))
    if flexible is None:
        cautions.append(Caution("curve.no_flexible"))
    else:
        share = flexible.monotonic_share(np.random.default_rng(options.seed))
        if share < MONOTONE_DOUBTED:
            refused = share < MONOTONE_REFUSED
            cautions.append(Caution("curve.turns" if refused else "curve.may_turn", {"share": share}))
    say_agreement(table, comparison, curve, cautions)
    ratio = row.chi2_per_dof
    if row.chi2 is not None and row.dof is not None and ratio is not None and chdtr(row.dof, row.chi2) < BY_CHANCE:
        cautions.append(Caution("curve.too_good", {"ratio": ratio}))
    recommended = comparison.recommended
    if options.family not in ("auto", recommended) and not options.reason:
        cautions.append(Caution("curve.no_reason", {"family": curve.family}))


def _corrector(result: Calibration) -> Correct:
    """From the mean of n indications to the thickness and its budget, with the curve of `result`."""

    def correct(mean: float, n: int) -> tuple[float, Budget] | None:
        x, _ = result.correct(np.array([mean]), n, outside="mask")
        if np.ma.getmaskarray(x)[0]:
            return None
        return float(x[0]), result.uncertainty.budget(result.curve, float(x[0]), n, on_parts=False)

    return correct


def _as_found(
    table: PointTable, in_force: Calibration | None, criterion: Criterion, cautions: list[Caution]
) -> tuple[Check, ...]:
    """
    As-found readings with the curve that was in force; without one, or with one of another kind of indication or unit,
    what a thickness gauge itself shows.
    """
    rows = table.readings.with_role("as-found")
    if not rows:
        return ()
    now, then = table.readings, None if in_force is None else in_force.readings
    other = then is not None and (then.signal, then.value_unit) != (now.signal, now.value_unit)
    if in_force is not None and in_force.usable and not other:
        return check_shims(rows, table, _corrector(in_force), criterion, cautions)
    if then is not None and other:
        signals = {"signal": now.signal, "unit": now.value_unit, "was": then.signal, "was_unit": then.value_unit}
        cautions.append(Caution("as_found.other_signal", signals))
    elif now.signal != "thickness":
        cautions.append(Caution("as_found.no_curve"))
    if now.signal != "thickness":
        return ()

    def as_shown(mean: float, n: int) -> tuple[float, Budget]:
        u = float(np.sqrt(table.variance.variance_of_mean(mean, n)))
        return mean, Budget(mean, (BudgetLine("budget.reading", u, table.variance.dof, {"n": n}),))

    return check_shims(rows, table, as_shown, criterion, cautions)
