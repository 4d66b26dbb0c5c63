"""What the decision rule lets through, for the check shim that is known least well."""

from __future__ import annotations

from collections.abc import Sequence

from numpy.typing import ArrayLike
from scipy.optimize import brentq

from labkit.calibration.checks import Check
from labkit.metrology.risk import OperatingCurve, operating_curve
from labkit.problems import Reason

SAFE = 0.95
"""Probability of passing at which a rig counts as safe to pass."""


def least_known(checks: Sequence[Check]) -> Check | None:
    """The decided check shim with the largest u: what holds for it holds for the others; None where none is decided."""
    decided = [check for check in checks if check.decision is not None]
    return max(decided, key=lambda check: check.u_mm, default=None)


def operating(check: Check, true_mm: ArrayLike) -> OperatingCurve:
    """
    The probability of each outcome for rigs whose deviation at a decided check shim is truly so large.

    Parameters
    ----------
    check : Check
    true_mm : array_like, shape (n,)
        [mm]
    """
    decision = check.decision
    assert decision is not None
    return operating_curve(
        true_mm,
        check.u_mm,
        check.limits_mm,
        k=check.k,
        rule=decision.rule,
        outcomes=decision.outcomes,
        risk=decision.risk,
        dof=check.dof,
    )


def in_words(check: Check) -> tuple[Reason, ...]:
    """How often rigs pass: one that is just at the limit, and one that is good."""
    lower, upper = check.limits_mm
    limit = upper if upper is not None else lower
    assert limit is not None and check.decision is not None

    def passes(true_mm: float) -> float:
        return float(operating(check, [true_mm]).probability["pass"][0])

    at_limit = passes(limit)
    said = [_times("operating.limit", at_limit, at_mm=limit)]
    if lower is not None and upper is not None:
        good = (lower + upper) / 2
    else:
        away = 10 * (check.u_mm + check.decision.guard_band_mm)
        good = limit - away if upper is not None else limit + away
    if passes(good) < SAFE:
        said.append(_times("operating.middle", passes(good)))
    elif at_limit < SAFE:
        at = float(brentq(lambda true_mm: passes(true_mm) - SAFE, good, limit))
        said.append(Reason("operating.safe", {"at_mm": at}))
    return tuple(said)


def _times(code: str, probability: float, **params: float) -> Reason:
    """So many times in 100, and in 1000 where a hundredth is too coarse to say it."""
    thousandths = round(1000 * probability)
    if thousandths == 0:
        return Reason(f"{code}_seldom", {"of": 1000, **params})
    if probability < 0.1 and thousandths % 10:
        times, of = thousandths, 1000
    else:
        times, of = round(100 * probability), 100
    if times == 1:
        return Reason(f"{code}_once", {"of": of, **params})
    return Reason(code, {"times": times, "of": of, **params})
