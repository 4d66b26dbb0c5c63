"""Check shims: what the curve says of thicknesses that are known, and what that means for its use."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from labkit.bench.readings import Reading, by_point
from labkit.calibration.points import PointTable
from labkit.curves import Curve
from labkit.metrology import Budget, Decision, decide
from labkit.metrology.budget import coverage_factor
from labkit.metrology.conformity import Limits, Outcomes, Rule, normalised_error, protection_of_preset
from labkit.metrology.risk import GlobalRisk, Process, capability_index, global_risk, uncertainty_ratio
from labkit.problems import Caution

SEVERITY = ("pass", "conditional pass", "conditional fail", "fail")

WANTED_RATIO: Final = 4.0
"""Of tolerance to ±U where no guard band protects (common practice, no source)."""

PROTECTED: Final = 0.95
"""What w = 1.65·u is meant to protect (ISO 14253-1:2017; from memory); a percent is not argued about."""

LEAST_LEFT: Final = 0.5
"""The share of the tolerance below which a guard band leaves little to pass in (no source)."""


@dataclass(frozen=True)
class Check:
    """
    One check shim.

    Attributes
    ----------
    point : str
    shims : tuple of str
    n : int
        Readings; all count.
    reference_mm, corrected_mm, deviation_mm : float
        Reference value, what the curve makes of the mean indication, and the difference [mm].
    u_mm, U_mm, k : float
        Of the deviation [mm].
    limits_mm : (float or None, float or None)
    e_n : float or None
        Deviation over U.
    decision : Decision or None
        None where there is no tolerance to decide against.
    in_fit : bool
        Whether the shim took part in the fit.
    shares_master : bool
        Whether it shares a master with shims of the fit, whose error it cannot see.
    dof : float
        Effective degrees of freedom of u; infinite where it is taken as exactly known.
    """

    point: str
    shims: tuple[str, ...]
    n: int
    reference_mm: float
    corrected_mm: float
    deviation_mm: float
    u_mm: float
    U_mm: float
    k: float
    limits_mm: tuple[float | None, float | None]
    e_n: float | None
    decision: Decision | None
    in_fit: bool
    shares_master: bool
    dof: float = math.inf

    @property
    def outcome(self) -> str | None:
        return self.decision.outcome if self.decision else None

    @property
    def capability(self) -> float | None:
        """C_m = T/(4u); None for one limit."""
        return capability_index(self.u_mm, self.limits_mm)

    @property
    def ratio(self) -> float | None:
        """TUR = T/(2U); None for one limit."""
        return uncertainty_ratio(self.U_mm, self.limits_mm)

    def global_risk(self, process: Process) -> GlobalRisk | None:
        """Of the rule that was used, for rigs of this process; None where nothing was decided."""
        if self.decision is None:
            return None
        return global_risk(self.limits_mm, self.decision.guard_band_mm, self.u_mm, process, self.dof)

    @property
    def share_left(self) -> float | None:
        """How much of the tolerance the guard band leaves to pass in; None for one limit, or with no decision."""
        lower, upper = self.limits_mm
        if self.decision is None or lower is None or upper is None:
            return None
        return max(1.0 - 2 * self.decision.guard_band_mm / (upper - lower), 0.0)

    def to_dict(self) -> dict[str, Any]:
        found = dict(vars(self)) | {"shims": list(self.shims), "limits_mm": list(self.limits_mm)}
        found["decision"] = self.decision.to_dict() if self.decision else None
        found["dof"] = None if math.isinf(self.dof) else self.dof
        return found


@dataclass(frozen=True)
class Criterion:
    """What a deviation is held against: limits [mm], and the decision rule of `labkit.metrology.decide`."""

    limits_mm: Limits
    rule: Rule
    outcomes: Outcomes
    risk: float | None = None


Correct = Callable[[float, int], tuple[float, Budget] | None]
"""From the mean of n indications to the thickness and its budget; None outside the calibrated range."""


def check_shims(
    rows: Iterable[Reading],
    table: PointTable,
    correct: Correct,
    criterion: Criterion,
    cautions: list[Caution],
    curve: Curve | None = None,
) -> tuple[Check, ...]:
    """
    Judge the check shims among `rows`.

    Parameters
    ----------
    rows : iterable of Reading
        Those of one role.
    table : PointTable
        Knows the reference values.
    correct : callable
    criterion : Criterion
    cautions : list of Caution
        Doubts are added: a shim outside the range, one that took part in the fit, one that shares a master.
    curve : Curve, optional
        The curve of the same run, whose points may share an error with the check shims; for a curve through the points,
        which has no weights of its own, the flexible one that its u comes from.

    Returns
    -------
    tuple of Check

    Notes
    -----
    u²(d) = u²(x̂) + u²(x_ref) − 2·cov(x̂, x_ref). The reference value and the covariance are taken as exactly known: the
    degrees of freedom of d are those of x̂ times (u(d)/u(x̂))⁴ (JCGM 100:2008, G.4.1).
    """
    found = []
    for name, group in by_point(row for row in rows if row.counts).items():
        stack = group[0].shims
        reference = table.reference(stack)
        answer = correct(float(np.mean([row.value for row in group])), len(group))
        if answer is None:
            cautions.append(Caution("check.outside", {"shim": name, "x_mm": reference}))
            continue
        corrected, budget = answer
        u_reference, covariance = _reference_error(stack, corrected, table, curve)
        u, k, dof = _of_deviation(budget, u_reference, covariance, table.conditions.smallest_U_mm or 0.0)
        deviation, U = corrected - reference, k * u
        check = Check(
            point=name,
            shims=stack,
            n=len(group),
            reference_mm=reference,
            corrected_mm=corrected,
            deviation_mm=deviation,
            u_mm=u,
            U_mm=U,
            k=k,
            limits_mm=criterion.limits_mm,
            e_n=normalised_error(deviation, U),
            decision=_decision(deviation, u, k, dof, criterion),
            in_fit=curve is not None and any(shim in fitted for shim in stack for fitted in table.stacks),
            shares_master=curve is not None and _shares_master(stack, table),
            dof=dof,
        )
        if check.in_fit:
            cautions.append(Caution("check.in_fit", {"shim": name}))
        elif check.shares_master:
            cautions.append(Caution("check.shares_master", {"shim": name}))
        found.append(check)
    return tuple(found)


def _of_deviation(
    budget: Budget, u_reference: float, covariance: float, smallest_U: float
) -> tuple[float, float, float]:
    """u(d), its coverage factor and degrees of freedom; U is no smaller than the laboratory is accredited for."""
    u = float(np.sqrt(max(budget.u_mm**2 + u_reference**2 - 2 * covariance, 0.0)))
    if u == 0 or budget.u_mm == 0:
        return max(u, smallest_U / budget.k), budget.k, budget.dof
    dof = budget.dof * (u / budget.u_mm) ** 4
    k = float(coverage_factor(dof))
    return max(u, smallest_U / k), k, dof


def _decision(deviation_mm: float, u_mm: float, k: float, dof: float, criterion: Criterion) -> Decision | None:
    if criterion.limits_mm == (None, None):
        return None
    return decide(
        deviation_mm,
        u_mm,
        criterion.limits_mm,
        k=k,
        rule=criterion.rule,
        outcomes=criterion.outcomes,
        risk=criterion.risk,
        dof=dof,
    )


def say_capability(checks: Sequence[Check], cautions: list[Caution]) -> None:
    """Add the doubt that the uncertainty is too large for the tolerance, or for the rule."""
    left = {check.point: share for check in checks if (share := check.share_left) is not None}
    hopeless = [point for point, share in left.items() if share == 0]
    if hopeless:
        cautions.append(Caution("check.nothing_passes", {"shims": hopeless}))
    narrow = {point: share for point, share in left.items() if 0 < share < LEAST_LEFT}
    if narrow:
        cautions.append(Caution("check.narrow", {"shims": list(narrow), "share": min(narrow.values())}))
    low = {
        check.point: ratio
        for check in checks
        if check.decision is not None
        and check.decision.guard_band_mm == 0
        and (ratio := check.ratio) is not None
        and ratio < WANTED_RATIO
    }
    if low:
        params = {"shims": list(low), "ratio": min(low.values()), "wanted": WANTED_RATIO}
        cautions.append(Caution("check.low_ratio", params))
    _say_preset(checks, cautions)


def _say_preset(checks: Sequence[Check], cautions: list[Caution]) -> None:
    """1.65 is for a normal distribution: where u is known from few readings it protects less, and by how much."""
    weak = [
        check
        for check in checks
        if check.decision is not None
        and check.decision.rule == "guard-band-1.65u"
        and round(protection_of_preset(check.dof), 2) < PROTECTED
    ]
    if weak:
        fewest = min(check.dof for check in weak)
        params = {"shims": [check.point for check in weak], "share": protection_of_preset(fewest), "dof": fewest}
        cautions.append(Caution("check.preset_protects_less", params))


def _reference_error(stack: tuple[str, ...], x: float, table: PointTable, curve: Curve | None) -> tuple[float, float]:
    """u(x_ref), and its covariance with the thickness that the curve gives [mm, mm²]."""
    V = table.covariance([*table.stacks, stack])
    u = float(np.sqrt(V[-1, -1]))
    weights = None if curve is None else curve.weights(np.array([x]))
    if curve is None or weights is None:
        return u, 0.0
    moved = weights[0] * curve.slope(curve.points.x) / curve.slope(np.array([x]))
    return u, float(moved @ V[:-1, -1])


def _shares_master(stack: tuple[str, ...], table: PointTable) -> bool:
    shims = table.readings.shims
    mine = {shims[name].set_name for name in stack if shims[name].shared_u_mm > 0}
    return any(shims[name].set_name in mine for fitted in table.stacks for name in fitted)


def worst(checks: Iterable[Check]) -> str | None:
    """The gravest outcome; None where nothing was decided."""
    outcomes = [check.outcome for check in checks if check.outcome is not None]
    return max(outcomes, key=SEVERITY.index) if outcomes else None
