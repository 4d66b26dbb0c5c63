"""A rig taken up again: background and contact zero re-read, check shims judged with the stored curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any, Final, cast
from zoneinfo import ZoneInfo

import uuid6
from scipy.special import fdtrc

from labkit.bench.about import About
from labkit.bench.cells import Notes
from labkit.bench.conditions import Conditions
from labkit.bench.read_shims import caution_due
from labkit.bench.readings import Readings
from labkit.calibration import Calibration
from labkit.calibration.background import BackgroundReading, read_background
from labkit.calibration.checks import Check as ShimCheck
from labkit.calibration.checks import Criterion, check_shims, say_capability
from labkit.calibration.one_thread import on_one_thread
from labkit.calibration.options import Tolerance, check_conditions, check_options, limits
from labkit.check.result import BackgroundNow, Check, CheckOptions, Outcome
from labkit.check.shims import corrector, joint_table, say_recertified
from labkit.check.zero import zero_now
from labkit.metrology.conformity import Outcomes, Rule
from labkit.problems import BadInput, Caution, Reason

FEWEST_SHIMS: Final = 2
"""Check shims inside the working range, before the first part."""

NEARLY_DUE_DAYS: Final = 3
"""So near its end a calibration serves for the day only (common practice, no source)."""

NOISY: Final = 0.01
"""Chance at which repeats of today scatter so much more than those of the calibration (no source)."""

_CONDITIONED: Final = ("conditional pass", "conditional fail")


@on_one_thread
def take_up(
    calibration: Calibration | Mapping[str, Any],
    readings: Readings,
    conditions: Conditions | None = None,
    rule: str = "",
    *,
    outcomes: str = "",
    risk: float | None = None,
    tolerance: Tolerance = None,
    certificate: str = "",
    due: date | None = None,
    again: str = "",
    about: About | None = None,
    record: Mapping[str, Any] | None = None,
    id: str | None = None,
    created: str | None = None,
) -> Check:
    """
    Take a rig up again with its stored calibration.

    Parameters
    ----------
    calibration : Calibration or mapping
        The calibration in force, or its record.
    readings : Readings
        Roles "background", "zero" and "check"; `readings.shims` states the check shims as they are certified now.
    conditions : Conditions, optional
        Those of today; default those of `about`, else of the calibration with no temperature.
    rule, outcomes, risk, tolerance
        As for `labkit.calibrate`; default those of the calibration.
    certificate : str
        The number of the calibration's certificate.
    due : date, optional
        The day to which the calibration is relied upon, where an interval is registered.
    again : str
        The number of the check that this one repeats, where that came out "check again".
    about : About, optional
        The particulars of today; default those of the calibration.
    record : mapping, optional
        The record that `calibration` was computed from, as it was signed; default its own.
    id, created : str, optional
        Of a check that is computed again.

    Returns
    -------
    Check
        With an outcome as soon as background and contact zero are re-read and two check shims inside the working range
        are judged; until then it says what is missing.

    Raises
    ------
    BadInput
        Readings of another kind or in another unit than the calibration's, or of another rig; a curve that cannot be
        used; a damaged record.

    Notes
    -----
    Decided as check shims of a calibration are: u²(d) = u²(x̂) + u²(x_ref) − 2·cov(x̂, x_ref), with the covariance that
    the check shim has with those of the fit. Where a background is subtracted, the one re-read today is taken off the
    readings of today: that of the calibration then moves the curve, that of today the reading, each with its own u.
    All shims must pass. What fails for another reason than chance or the background is not read again until it passes:
    a repeated check decides.
    """
    if isinstance(calibration, Calibration):
        original: Mapping[str, Any] = calibration.to_dict() if record is None else record
    else:
        original, calibration = calibration, Calibration.from_dict(calibration)
    about = _about(about, calibration)
    conditions = conditions or about.conditions
    check_conditions(conditions)
    _check_inputs(calibration, readings, about)
    options = _options(calibration, tolerance, rule, outcomes, risk, due, again)
    created = created or datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    today = datetime.fromisoformat(created).astimezone(ZoneInfo(about.zone)).date()
    cautions = [*readings.shims.cautions, *readings.cautions]
    _say_conditions(calibration, readings, conditions, today, cautions)

    now = _background(calibration, readings, conditions)
    background = _compared(calibration, now, conditions, readings.value_unit, cautions)
    zero = None if _waits_for_background(now) else zero_now(calibration, readings, now, conditions)
    if zero is not None and zero.moved:
        cautions.append(Caution("take_up.zero_moved", {"shift_mm": zero.shift_mm, "U_mm": zero.U_mm}))
    judged = () if _waits_for_background(now) else _judge(calibration, readings, now, conditions, options, cautions)
    counted = tuple(each for each in judged if _within(each, calibration))
    for each in judged:
        if each not in counted:
            cautions.append(Caution("take_up.outside", {"shim": each.point, "x_mm": each.reference_mm}))
    _say_spread(calibration, readings, cautions)

    missing = tuple(_missing(calibration, readings, now, counted))
    outcome, reasons = (None, ()) if missing else _outcome(judged, background, options, today, readings.value_unit)
    return Check(
        id or str(uuid6.uuid7()),
        created,
        certificate,
        calibration,
        original,
        readings,
        replace(about, conditions=conditions),
        options,
        background,
        zero,
        judged,
        missing,
        outcome,
        reasons,
        tuple(cautions),
    )


def shim_outcome(check: ShimCheck) -> str:
    """The outcome of one check shim; where there is no tolerance, by E_n alone."""
    return check.outcome or ("pass" if check.e_n is not None and abs(check.e_n) <= 1 else "fail")


# ---- what is asked ----


def _about(about: About | None, calibration: Calibration) -> About:
    if about is not None:
        return about
    then = calibration.about
    cold = replace(then.conditions, temperature_start_degC=None, temperature_end_degC=None)
    return replace(then, conditions=cold, remarks=(), instruments=(), operator="", switched_on="")


def _check_inputs(calibration: Calibration, readings: Readings, about: About) -> None:
    then = calibration.readings
    if (then.signal, then.value_unit) != (readings.signal, readings.value_unit):
        raise BadInput(
            "take_up.other_signal",
            signal=readings.signal,
            unit=readings.value_unit,
            was=then.signal,
            was_unit=then.value_unit,
        )
    for part in ("gauge", "probe", "tip", "target"):
        here, there = getattr(about.rig, part).name, getattr(calibration.about.rig, part).name
        if here and there and here != there:
            raise BadInput("take_up.other_rig", part=part, here=here, there=there)
    if not calibration.usable:
        raise BadInput("take_up.turns")


def _options(
    calibration: Calibration,
    tolerance: Tolerance,
    rule: str,
    outcomes: str,
    risk: float | None,
    due: date | None,
    again: str,
) -> CheckOptions:
    """What is not stated is decided as the calibration was."""
    then = calibration.options
    tolerance = then.tolerance_mm if tolerance is None else tolerance
    if not rule:
        rule, risk = then.rule, then.risk if risk is None else risk
    outcomes = outcomes or then.outcomes
    check_options(tolerance, None, rule, outcomes, risk)
    end = due.isoformat() if due is not None else ""
    return CheckOptions(tolerance, cast(Rule, rule), cast(Outcomes, outcomes), risk, end, again)


def _say_conditions(
    calibration: Calibration, readings: Readings, conditions: Conditions, today: date, cautions: list[Caution]
) -> None:
    if conditions.temperature_degC is None:
        cautions.append(Caution("conditions.no_temperature"))
    if calibration.verdict in ("fail", "conditional fail"):
        cautions.append(Caution("take_up.certificate_failed", {"verdict": calibration.verdict}))
    notes, read = Notes(), {name for row in readings.with_role("check") for name in row.shims}
    caution_due([shim for shim in readings.shims if shim.name in read], today, notes)
    cautions += [each for each in notes.cautions if each not in cautions]


# ---- the background ----


def _background(calibration: Calibration, readings: Readings, conditions: Conditions) -> BackgroundReading:
    """As the calibration handled it: a curve of subtracted signals takes subtracted signals."""
    alike = replace(conditions, background=calibration.table.background.handled)
    return read_background(readings, alike, calibration.table.variance, [])


def _compared(
    calibration: Calibration, now: BackgroundReading, conditions: Conditions, unit: str, cautions: list[Caution]
) -> BackgroundNow:
    then = calibration.table.background
    found = BackgroundNow(then.handled, then.value, now.value, now.u, conditions.background_limit)
    if found.moved is not None and found.exceeded:
        params = {"moved": found.moved, "limit": found.limit, "unit": unit}
        cautions.append(Caution("take_up.background_moved", params))
    elif found.moved is not None and found.limit is None:
        cautions.append(Caution("take_up.background_no_limit", {"moved": found.moved, "unit": unit}))
    return found


def _waits_for_background(now: BackgroundReading) -> bool:
    """Whether nothing can be corrected before the background is re-read."""
    return now.handled == "subtract" and now.value is None


# ---- the check shims ----


def _judge(
    calibration: Calibration,
    readings: Readings,
    now: BackgroundReading,
    conditions: Conditions,
    options: CheckOptions,
    cautions: list[Caution],
) -> tuple[ShimCheck, ...]:
    criterion = Criterion(limits(options.tolerance_mm), options.rule, options.outcomes, options.risk)
    table = joint_table(calibration, readings, conditions)
    behind = calibration.curve_with_weights
    rows = readings.with_role("check")
    found = check_shims(rows, table, corrector(calibration, now), criterion, cautions, behind)
    found = say_recertified(calibration, table, found, cautions)
    say_capability(found, cautions)
    for each in found:
        if each.decision is not None and each.outcome == "pass" and each.e_n is not None and abs(each.e_n) > 1:
            cautions.append(Caution("take_up.e_n", {"shim": each.point, "e_n": each.e_n}))
    if found and criterion.limits_mm == (None, None):
        cautions.append(Caution("take_up.no_tolerance"))
    return found


def _within(check: ShimCheck, calibration: Calibration) -> bool:
    low, high = calibration.options.working_range_mm
    return low <= check.reference_mm <= high


def _say_spread(calibration: Calibration, readings: Readings, cautions: list[Caution]) -> None:
    """Whether the repeats of today scatter more than those of the calibration (F test)."""
    variance, squares, expected, dof = calibration.table.variance, 0.0, 0.0, 0
    groups: dict[tuple[str, ...], list[float]] = {}
    for row in readings.with_role("check", "zero"):
        if row.counts:
            groups.setdefault(row.shims, []).append(row.value)
    for stack, values in groups.items():
        x = sum(readings.shims[name].thickness_mm for name in stack)
        mean, more = sum(values) / len(values), len(values) - 1
        squares += sum((value - mean) ** 2 for value in values)
        expected += more * float(variance.variance_of_mean(x, 1))
        dof += more
    if not dof or expected <= 0:
        return
    ratio = squares / expected
    if ratio > 1 and float(fdtrc(dof, min(variance.dof, 1e9), ratio)) < NOISY:
        cautions.append(Caution("take_up.noisy", {"ratio": ratio**0.5}))


# ---- the outcome ----


def _missing(
    calibration: Calibration, readings: Readings, now: BackgroundReading, counted: Sequence[ShimCheck]
) -> list[Reason]:
    found = []
    if now.handled != "not shown" and now.value is None:
        found.append(Reason("take_up.no_background"))
    zero_then = any(not point.shims for point in calibration.table.points)
    if zero_then and not any(row.counts for row in readings.with_role("zero")):
        found.append(Reason("take_up.no_zero"))
    if len(counted) < FEWEST_SHIMS:
        found.append(Reason("take_up.second_shim" if counted else "take_up.two_shims"))
    return found


def _outcome(
    judged: Sequence[ShimCheck], background: BackgroundNow, options: CheckOptions, today: date, unit: str
) -> tuple[Outcome, tuple[Reason, ...]]:
    """
    The outcome, and why.

    A shim that fails beyond doubt while the background has not moved is no matter of reading again; everything else is
    read again once.
    """
    short = {each.point: shim_outcome(each) for each in judged if shim_outcome(each) != "pass"}
    reasons = [Reason("take_up.shim", {"shim": name, "outcome": said}) for name, said in short.items()]
    if background.exceeded:
        params = {"moved": background.moved, "limit": background.limit, "unit": unit}
        reasons.append(Reason("take_up.background_moved", params))
    if reasons:
        if options.again:
            return "calibrate fully", (*reasons, Reason("take_up.repeated", {"number": options.again}))
        beyond_doubt = not background.exceeded and any(said not in _CONDITIONED for said in short.values())
        return "calibrate fully" if beyond_doubt else "check again", tuple(reasons)
    passed = Reason("take_up.all_pass", {"shims": [each.point for each in judged]})
    if not options.due:
        return "fit to measure", (passed,)
    left = (date.fromisoformat(options.due) - today).days
    if left < 0:
        return "calibrate fully", (passed, Reason("take_up.overdue", {"due": options.due}))
    if left < NEARLY_DUE_DAYS:
        return "today only", (passed, Reason("take_up.nearly_due", {"due": options.due}))
    return "fit to measure", (passed,)
