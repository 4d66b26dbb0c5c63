"""Curves side by side, and the one to recommend, with a reason."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from scipy.special import chdtri, fdtri

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal, families
from labkit.curves.fit import fit_points
from labkit.curves.flexible import FLEXIBLE, FlexibleCurve
from labkit.problems import BadInput, Fault, Reason

Verdict = Literal["recommended", "possible", "too few points", "does not fit", "turns", "departs", "left out"]

GRID: Final = 121
"""Thicknesses of the working range on which curves are compared."""

WITHIN_CRITERION: Final = 2.0
"""Formulas this close to the best criterion are as good; the one with the fewest parameters is taken."""

WORTH_A_FORMULA: Final = 0.05
"""So much larger may U be with a formula that is recommended in place of the flexible curve."""

MONOTONE_REFUSED: Final = 0.5
MONOTONE_DOUBTED: Final = 0.95
"""Shares of monotone draws below which the flexible curve is refused, or carries a caution."""


@dataclass(frozen=True)
class Row:
    """
    One family in the comparison.

    Attributes
    ----------
    family : str
    verdict : str
        "recommended", "possible", "too few points", "does not fit", "turns", "departs" or "left out".
    curve : Curve or None
        None where it was left out.
    why_not : Fault or None
        Why it was left out.
    parameters : float or None
        Their count; effective ones for the flexible curve.
    chi2, dof, chi2_limit : float or None
        None where the curve goes through the points, or where no uncertainty is known to test against.
    criterion : float or None
        AIC where the variances are known, AICc where they are not; None where it does not apply.
    left_out_error_mm : float or None
        Root mean square of the error at the inner points, each not used in its turn [mm].
    largest_residual_mm : float or None
        In thickness [mm].
    share_of_tolerance : float or None
        The largest residual over the tolerance.
    monotonic : bool or None
    departure : float or None
        Largest |F − F_flexible| over the working range, in expanded uncertainties of the flexible curve.
    largest_U_mm : float or None
        Largest expanded uncertainty over the working range [mm].
    """

    family: str
    verdict: Verdict
    curve: Curve | None = None
    why_not: Fault | None = None
    parameters: float | None = None
    chi2: float | None = None
    dof: float | None = None
    chi2_limit: float | None = None
    criterion: float | None = None
    left_out_error_mm: float | None = None
    largest_residual_mm: float | None = None
    share_of_tolerance: float | None = None
    monotonic: bool | None = None
    departure: float | None = None
    largest_U_mm: float | None = None

    @property
    def chi2_per_dof(self) -> float | None:
        """χ²/ν; None without half a degree of freedom, where the ratio says nothing."""
        if self.chi2 is None or self.dof is None or self.dof < 0.5:
            return None
        return self.chi2 / self.dof

    @property
    def fits(self) -> bool:
        """Whether χ² accepts the curve; a curve that cannot be tested is not rejected."""
        return self.chi2 is None or self.chi2_limit is None or self.chi2 <= self.chi2_limit

    def to_dict(self) -> dict[str, Any]:
        found = {key: value for key, value in vars(self).items() if key not in ("curve", "why_not")}
        found["chi2_per_dof"] = self.chi2_per_dof
        found["why_not"] = self.why_not.to_dict() if self.why_not else None
        return found


@dataclass(frozen=True)
class Comparison:
    """
    All families that were considered.

    Attributes
    ----------
    rows : tuple of Row
        The flexible curve first, then in the order of the register.
    recommended : str or None
        The family; None where none can be recommended.
    reason : Reason
        In one sentence.
    criterion : "AIC" or "AICc"
    """

    rows: tuple[Row, ...]
    recommended: str | None
    reason: Reason
    criterion: Literal["AIC", "AICc"]

    def __getitem__(self, family: str) -> Row:
        for row in self.rows:
            if row.family == family:
                return row
        raise BadInput("curve.unknown_family", name=family, known=[row.family for row in self.rows])

    def to_dict(self) -> dict[str, Any]:
        return {
            "rows": [row.to_dict() for row in self.rows],
            "recommended": self.recommended,
            "reason": self.reason.to_dict(),
            "criterion": self.criterion,
        }


def compare(
    points: Points,
    signal: Signal,
    scale: Scale,
    working_range: tuple[float, float],
    largest_U: Callable[[Curve], float | None],
    *,
    tolerance_mm: float | None = None,
    repeat_dof: float = np.inf,
    repeat_share: float = 1.0,
    order_broken: bool = False,
    among: Sequence[Family] | None = None,
) -> Comparison:
    """
    Fit every family that describes the signal, and recommend one.

    Parameters
    ----------
    points : Points
    signal : "raw" or "thickness"
    scale : "known" or "estimated"
    working_range : (float, float)
        Where parts will be measured [mm].
    largest_U : callable
        The largest expanded uncertainty [mm] of a result over the working range with a curve.
    tolerance_mm : float, optional
        Half-width [mm].
    repeat_dof, repeat_share : float
        Degrees of freedom of the repeatability, and its mean share of the points' variance: the limit of χ² allows
        for few repeats.
    order_broken : bool
        Whether the points are out of order: nothing is recommended then.
    among : sequence of Family, optional
        Default: all that are registered for the signal.

    Returns
    -------
    Comparison

    Notes
    -----
    The flexible curve is the default. A formula is recommended only where χ² accepts it, it is monotonic, it spends
    at least two points fewer than there are, it stays within the expanded uncertainty of the flexible curve over the
    whole working range, and U grows by no more than 5 % with it; among those, the fewest parameters within 2 of the
    lowest criterion.
    """
    candidates = [form for form in (families(signal) if among is None else among) if form.kind != "flexible"]
    try:
        flexible: FlexibleCurve | None = fit_points(points, FLEXIBLE, signal, scale)  # type: ignore[assignment]
    except BadInput as problem:
        flexible, reason = None, problem.fault
    grid = np.linspace(*working_range, GRID)
    judge = _Judge(points, signal, scale, grid, flexible, largest_U, tolerance_mm, repeat_dof, repeat_share)
    first = Row("flexible", "left out", why_not=reason) if flexible is None else judge.row(FLEXIBLE, flexible)
    rows = [first, *(judge.fitted_row(form) for form in candidates)]
    recommended, why = _recommend(rows, flexible, order_broken)
    rows = [Row(**{**vars(row), "verdict": "recommended"}) if row.family == recommended else row for row in rows]
    return Comparison(tuple(rows), recommended, why, "AICc" if scale == "estimated" else "AIC")


@dataclass(frozen=True)
class _Judge:
    points: Points
    signal: Signal
    scale: Scale
    grid: Array
    flexible: FlexibleCurve | None
    largest_U: Callable[[Curve], float | None]
    tolerance_mm: float | None
    repeat_dof: float
    repeat_share: float

    def fitted_row(self, form: Family) -> Row:
        try:
            return self.row(form, fit_points(self.points, form, self.signal, self.scale))
        except BadInput as problem:
            too_few = problem.code == "curve.too_few_points"
            return Row(form.name, "too few points" if too_few else "left out", why_not=problem.fault)

    def row(self, form: Family, curve: Curve) -> Row:
        spent = curve.effective_parameters
        testable = self.scale == "known" and curve.chi2 is not None and curve.dof >= 0.5
        limit = self._chi2_limit(curve.dof) if testable else None
        residual = float(np.max(np.abs(curve.residuals / self._slopes(curve))))
        departure = self._departure(curve)
        row = Row(
            form.name,
            "possible",
            curve,
            parameters=spent,
            chi2=curve.chi2 if self.scale == "known" else None,
            dof=curve.dof,
            chi2_limit=limit,
            criterion=self._criterion(curve),
            left_out_error_mm=self._left_out_error(form, curve),
            largest_residual_mm=residual,
            share_of_tolerance=residual / self.tolerance_mm if self.tolerance_mm else None,
            monotonic=curve.monotonic,
            departure=departure,
            largest_U_mm=self.largest_U(curve) if curve.monotonic else None,
        )
        return Row(**{**vars(row), "verdict": self._verdict(row)})

    def _verdict(self, row: Row) -> Verdict:
        if not row.monotonic:
            return "turns"
        if not row.fits:
            return "does not fit"
        if isinstance(row.curve, FlexibleCurve) or row.curve is None or row.curve.chi2 is None:
            return "possible"
        if len(self.points.x) < (row.parameters or 0) + 2:
            return "too few points"
        return "possible" if row.departure is None or row.departure <= 1 else "departs"

    def _slopes(self, curve: Curve) -> Array:
        """Of the flexible curve for all families alike: a wrong formula's own slope would flatter it."""
        return (self.flexible or curve).slope(self.points.x)

    def _departure(self, curve: Curve) -> float | None:
        if self.flexible is None or curve is self.flexible:
            return None
        U = 2.0 * self.flexible.standard_uncertainty(self.grid)
        return float(np.max(np.abs(curve.value(self.grid) - self.flexible.value(self.grid)) / U))

    def _criterion(self, curve: Curve) -> float | None:
        if curve.chi2 is None or isinstance(curve, FlexibleCurve):
            return None
        m, p = len(self.points.x), curve.effective_parameters
        if self.scale == "known":
            return curve.chi2 + 2 * p
        k = p + 1
        if m - k - 1 <= 0 or curve.chi2 <= 0:
            return None
        return float(m * np.log(curve.chi2 / m) + 2 * k + 2 * k * (k + 1) / (m - k - 1))

    def _left_out_error(self, form: Family, curve: Curve) -> float | None:
        """Each inner point left out in turn, its error read in thickness with the slope of the flexible curve."""
        inner = np.argsort(self.points.x)[1:-1]
        if self.flexible is None or inner.size == 0:
            return None
        slopes = self.flexible.slope(self.points.x)
        start = list(curve.parameters.values()) if form.kind == "formula" else None
        errors = []
        for i in inner:
            try:
                rest = self.points.without(int(i))
                without = fit_points(rest, form, self.signal, self.scale, start, tight=False)
            except BadInput:
                return None
            x = self.points.x[i : i + 1]
            errors.append(float((self.points.y[i] - without.value(x)[0]) / slopes[i]))
        return float(np.sqrt(np.mean(np.square(errors))))

    def _chi2_limit(self, dof: float) -> float:
        """95 % of χ² by chance, where part of the variance is itself known from few repeats: an F-type limit."""
        known_from = self.repeat_dof / max(self.repeat_share, 1e-3) ** 2
        if not np.isfinite(known_from) or known_from > 1e6:
            return float(chdtri(dof, 0.05))
        return float(dof * fdtri(dof, known_from, 0.95))


def _recommend(rows: Sequence[Row], flexible: FlexibleCurve | None, order_broken: bool) -> tuple[str | None, Reason]:
    if order_broken:
        return None, Reason("recommend.order_broken")
    if flexible is None:
        return None, Reason("recommend.no_flexible")
    passing = [
        row for row in rows if row.verdict == "possible" and row.criterion is not None and row.departure is not None
    ]
    free = [row for row in passing if _costs_nothing(row, rows[0])]
    if free:
        lowest = min(row.criterion for row in free if row.criterion is not None)
        near = [row for row in free if row.criterion is not None and row.criterion <= lowest + WITHIN_CRITERION]
        best = min(near, key=lambda row: (row.parameters or 0, row.criterion or 0))
        return best.family, Reason("recommend.formula", {"family": best.family})
    if not flexible.monotonic or flexible.monotonic_share(np.random.default_rng(1)) < MONOTONE_REFUSED:
        return None, Reason("recommend.flexible_turns")
    if passing:
        return "flexible", Reason("recommend.formula_costs")
    if any(row.verdict in ("does not fit", "departs", "turns") for row in rows[1:]):
        return "flexible", Reason("recommend.no_formula")
    return "flexible", Reason("recommend.too_few_for_formula", {"points": len(flexible.points.x)})


def _costs_nothing(row: Row, flexible: Row) -> bool:
    """Whether U with a formula is as small as with the flexible curve, within `WORTH_A_FORMULA`."""
    if row.largest_U_mm is None or flexible.largest_U_mm is None:
        return False
    return row.largest_U_mm <= flexible.largest_U_mm * (1 + WORTH_A_FORMULA)
