"""One set of points, judged: every family fitted to it, and what speaks for and against each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np
from scipy.special import chdtri, fdtri

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal
from labkit.curves.fit import fit_points
from labkit.curves.flexible import FLEXIBLE, FlexibleCurve
from labkit.problems import BadInput, Fault, Reason

Verdict = Literal["recommended", "possible", "too few points", "does not fit", "turns", "departs", "left out"]

LargestU = Callable[[Curve, FlexibleCurve | None], float | None]
"""The largest expanded uncertainty [mm] of a result over the working range with a curve, backed by the flexible one."""

WITHIN_CRITERION: Final = 2.0
"""Formulas this close to the best criterion are as good; the one with the fewest parameters is taken."""

WORTH_A_FORMULA: Final = 0.05
"""So much larger may U be with a formula that is recommended in place of the flexible curve."""

MONOTONE_REFUSED: Final = 0.5
MONOTONE_DOUBTED: Final = 0.95
"""Shares of monotone draws below which the flexible curve is refused, or carries a caution."""


@dataclass(frozen=True)
class Question:
    """
    What is asked of every set of points alike.

    Attributes
    ----------
    signal, scale : str
    forms : tuple of Family
        To be compared with the flexible curve.
    grid : ndarray, shape (q,)
        Thicknesses of the working range [mm] on which curves are compared.
    largest_U : callable
    tolerance_mm : float or None
        Half-width [mm].
    repeat_dof, repeat_share : float
        Degrees of freedom of the repeatability, and its mean share of the points' variance.
    order_broken : bool
        Whether the points are out of order: nothing is recommended then.
    """

    signal: Signal
    scale: Scale
    forms: tuple[Family, ...]
    grid: Array
    largest_U: LargestU
    tolerance_mm: float | None
    repeat_dof: float
    repeat_share: float
    order_broken: bool

    def chi2_limit(self, dof: float) -> float:
        """95 % of χ² by chance, where part of the variance is itself known from few repeats: an F-type limit."""
        known_from = self.repeat_dof / max(self.repeat_share, 1e-3) ** 2
        if not np.isfinite(known_from) or known_from > 1e6:
            return float(chdtri(dof, 0.05))
        return float(dof * fdtri(dof, known_from, 0.95))


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
        Their count; effective ones for the flexible curve and the smoothing spline.
    chi2, dof, chi2_limit : float or None
        None where the curve goes through the points, or where no uncertainty is known to test against.
    criterion : float or None
        AIC where the variances are known, AICc where they are not; None where it does not apply.
    largest_residual_mm : float or None
        In thickness [mm].
    share_of_tolerance : float or None
        The largest residual over the tolerance.
    monotonic : bool or None
    departure : float or None
        Largest |F − F_flexible| over the working range, in expanded uncertainties of the flexible curve.
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
    largest_residual_mm: float | None = None
    share_of_tolerance: float | None = None
    monotonic: bool | None = None
    departure: float | None = None
    judge: Judge | None = field(default=None, repr=False, compare=False)

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

    @property
    def largest_U_mm(self) -> float | None:
        """
        Largest expanded uncertainty over the working range [mm]; None for a curve that turns or states none. Only
        worked out when asked for: a family that is not accepted need not state its U to be refused.
        """
        return None if self.judge is None or not self.monotonic else self.judge.largest_U(self.family)

    @cached_property
    def left_out_error_mm(self) -> float | None:
        """
        Root mean square of the error at the inner points, each not used in its turn [mm]; None where the family does
        not go through what is left. Each inner point asks for a fit of its own: only made when asked for.
        """
        return None if self.judge is None or self.curve is None else self.judge.left_out_error(self.curve.form)

    def to_dict(self) -> dict[str, Any]:
        spoken = ("curve", "why_not", "judge", "left_out_error_mm")
        found = {key: value for key, value in vars(self).items() if key not in spoken}
        found["left_out_error_mm"] = self.left_out_error_mm
        found["largest_U_mm"] = self.largest_U_mm
        found["chi2_per_dof"] = self.chi2_per_dof
        found["why_not"] = self.why_not.to_dict() if self.why_not else None
        return found


@dataclass(frozen=True, eq=False)
class Judge:
    """
    Points and what is asked of them.

    Attributes
    ----------
    points : Points
    question : Question
    starts : mapping of str to sequence of float
        First values of the parameters by family, from a fit to more points.
    """

    points: Points
    question: Question
    starts: Mapping[str, Sequence[float]] = field(default_factory=dict)

    @cached_property
    def flexible(self) -> FlexibleCurve | None:
        found = self.fitted(FLEXIBLE)
        return found if isinstance(found, FlexibleCurve) else None

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """The flexible curve first, then every family; the recommended one says so."""
        recommended, _ = self.recommendation
        return tuple(
            replace(row, verdict="recommended") if row.family == recommended else row for row in self._plain_rows
        )

    @cached_property
    def recommendation(self) -> tuple[str | None, Reason]:
        """The family to recommend, if any, and why."""
        first, *others = self._plain_rows
        flexible = self.flexible
        if self.question.order_broken:
            return None, Reason("recommend.order_broken")
        if flexible is None:
            return None, Reason("recommend.no_flexible")
        passing = [row for row in others if row.verdict == "possible" and row.criterion is not None]
        free = _costing_nothing(passing, first)
        if free:
            best = min(free, key=lambda row: (row.parameters or 0, row.criterion or 0))
            return best.family, Reason("recommend.formula", {"family": best.family})
        if not flexible.monotonic or flexible.monotonic_share(np.random.default_rng(1)) < MONOTONE_REFUSED:
            return None, Reason("recommend.flexible_turns")
        if passing:
            return "flexible", Reason("recommend.formula_costs")
        if any(row.verdict in ("does not fit", "departs", "turns") for row in others):
            return "flexible", Reason("recommend.no_formula")
        return "flexible", Reason("recommend.too_few_for_formula", {"points": len(flexible.points.x)})

    def without(self, index: int) -> Judge:
        """The same question to the points without one of them."""
        return self._without[index]

    def largest_U(self, family: str) -> float | None:
        """Of a family that was fitted; worked out once."""
        if family not in self._largest_U:
            curve = self._fits[family]
            assert isinstance(curve, Curve)
            self._largest_U[family] = self.question.largest_U(curve, self.flexible)
        return self._largest_U[family]

    @cached_property
    def _largest_U(self) -> dict[str, float | None]:
        return {}

    def left_out_error(self, form: Family) -> float | None:
        """Each inner point left out in turn, its error read in thickness with the slope of the flexible curve."""
        if self.flexible is None or not self.inner:
            return None
        errors = []
        for i in self.inner:
            without = self.without(i).fitted(form)
            if isinstance(without, Fault):
                return None
            errors.append(float((self.points.y[i] - without.value(self.points.x[i : i + 1])[0]) / self._slopes[i]))
        return float(np.sqrt(np.mean(np.square(errors))))

    @cached_property
    def inner(self) -> tuple[int, ...]:
        """The points between the thinnest and the thickest, in order of thickness."""
        return tuple(int(i) for i in np.argsort(self.points.x, kind="stable")[1:-1])

    def fitted(self, form: Family) -> Curve | Fault:
        """The family through the points, or why there is none; fitted once."""
        if form.name not in self._fits:
            start, question = self.starts.get(form.name), self.question
            try:
                self._fits[form.name] = fit_points(
                    self.points, form, question.signal, question.scale, start, tight=False
                )
            except BadInput as problem:
                self._fits[form.name] = problem.fault
        return self._fits[form.name]

    @cached_property
    def _fits(self) -> dict[str, Curve | Fault]:
        return {}

    @cached_property
    def _without(self) -> dict[int, Judge]:
        fitted = [(form, self.fitted(form)) for form in self.question.forms if form.kind == "formula"]
        starts = {form.name: tuple(curve.parameters.values()) for form, curve in fitted if isinstance(curve, Curve)}
        return {i: Judge(self.points.without(i), self.question, starts) for i in self.inner}

    @cached_property
    def _plain_rows(self) -> tuple[Row, ...]:
        return tuple(self._row_of(form) for form in (FLEXIBLE, *self.question.forms))

    def _row_of(self, form: Family) -> Row:
        """The row of a family; an engineer's own one may fail, or have no number, away from the points too."""
        if form.source is None:
            return self._row(form)
        try:
            row = self._row(form)
            numbers = (row.chi2, row.largest_residual_mm, row.departure, row.largest_U_mm)
        except BadInput as problem:
            return Row(form.name, "left out", why_not=problem.fault)
        if any(each is not None and not np.isfinite(each) for each in numbers):
            return Row(form.name, "left out", why_not=Fault("own.no_number", {"family": form.name}))
        return row

    def _row(self, form: Family) -> Row:
        curve = self.fitted(form)
        if isinstance(curve, Fault):
            too_few = curve.code == "curve.too_few_points" and form is not FLEXIBLE
            return Row(form.name, "too few points" if too_few else "left out", why_not=curve)
        question = self.question
        testable = question.scale == "known" and curve.chi2 is not None and curve.dof >= 0.5
        # read with the slopes of the flexible curve for all alike: a wrong formula's own slope would flatter it
        slopes = curve.slope(self.points.x) if self.flexible is None else self._slopes
        residual = float(np.max(np.abs(curve.residuals / slopes)))
        row = Row(
            form.name,
            "possible",
            curve,
            parameters=curve.effective_parameters,
            chi2=curve.chi2 if question.scale == "known" else None,
            dof=curve.dof,
            chi2_limit=question.chi2_limit(curve.dof) if testable else None,
            criterion=self._criterion(curve),
            largest_residual_mm=residual,
            share_of_tolerance=residual / question.tolerance_mm if question.tolerance_mm else None,
            monotonic=curve.monotonic,
            departure=self._departure(curve),
            judge=self,
        )
        return replace(row, verdict=self._verdict(row))

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

    @cached_property
    def _slopes(self) -> Array:
        """Of the flexible curve at the points, shape (m,)."""
        assert self.flexible is not None
        return self.flexible.slope(self.points.x)

    @cached_property
    def _reference(self) -> tuple[Array, Array]:
        """The flexible curve on the grid and its expanded uncertainty, shape (q,)."""
        assert self.flexible is not None
        grid = self.question.grid
        return self.flexible.value(grid), 2.0 * self.flexible.standard_uncertainty(grid)

    def _departure(self, curve: Curve) -> float | None:
        if self.flexible is None or curve is self.flexible:
            return None
        value, U = self._reference
        return float(np.max(np.abs(curve.value(self.question.grid) - value) / U))

    def _criterion(self, curve: Curve) -> float | None:
        if curve.chi2 is None or isinstance(curve, FlexibleCurve):
            return None
        m, p = len(self.points.x), curve.effective_parameters
        if self.question.scale == "known":
            return curve.chi2 + 2 * p
        k = p + 1
        if m - k - 1 <= 0 or curve.chi2 <= 0:
            return None
        return float(m * np.log(curve.chi2 / m) + 2 * k + 2 * k * (k + 1) / (m - k - 1))


def _costing_nothing(passing: Sequence[Row], flexible: Row) -> list[Row]:
    """
    Those whose U is as small as with the flexible curve, within `WORTH_A_FORMULA`, and whose criterion is near the
    lowest among these. Sought from the lowest criterion on: U of the others is not asked for.
    """
    found: list[Row] = []
    for row in sorted(passing, key=_criterion_of):
        if found and _criterion_of(row) > _criterion_of(found[0]) + WITHIN_CRITERION:
            break
        largest, usual = row.largest_U_mm, flexible.largest_U_mm
        if largest is not None and usual is not None and largest <= usual * (1 + WORTH_A_FORMULA):
            found.append(row)
    return found


def _criterion_of(row: Row) -> float:
    return np.inf if row.criterion is None else row.criterion
