"""How wrong a thickness can be: the lines of the budget along the curve, and their sum."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from labkit.calibration.points import PointTable
from labkit.curves import Curve
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.metrology import Budget, BudgetLine
from labkit.metrology.budget import coverage_factor, effective_dof

REPEATS = "repeats"
"""Lines that lean on the same repeats: summed before the formula of Welch and Satterthwaite."""


@dataclass(frozen=True)
class Term:
    """
    One line of the budget, along the curve.

    Attributes
    ----------
    code : str
        Of `BudgetLine`.
    u_mm : ndarray
        Standard uncertainty of the thickness [mm], shape of the thicknesses asked for.
    dof : float
    params : mapping
    common : str
    """

    code: str
    u_mm: Array
    dof: float = math.inf
    params: Mapping[str, Any] = field(default_factory=dict)
    common: str = ""


@dataclass(frozen=True)
class Uncertainty:
    """
    The uncertainty of thicknesses found with a curve.

    Attributes
    ----------
    table : PointTable
    flexible : FlexibleCurve or None
        Where there is one, no other curve may claim less.
    closing_mm : float or None
        The closing difference in thickness [mm]; None where nothing was read again.
    """

    table: PointTable
    flexible: FlexibleCurve | None
    closing_mm: float | None

    def standard(self, curve: Curve, x: ArrayLike, repeats: int | None = 1) -> Array:
        """
        Combined standard uncertainty [mm] of a thickness.

        Parameters
        ----------
        curve : Curve
        x : array_like
            Thickness [mm].
        repeats : int or None
            How many readings are averaged; None leaves the reading itself out.

        Returns
        -------
        ndarray, shape of x
        """
        return np.sqrt(sum(np.square(term.u_mm) for term in self.terms(curve, x, repeats)))

    def expanded(self, curve: Curve, x: ArrayLike, repeats: int | None = 1) -> tuple[Array, Array]:
        """
        Expanded uncertainty [mm] and its coverage factor.

        Returns
        -------
        U, k : ndarray, shape of x
        """
        return _expanded(self.terms(curve, x, repeats))

    def budget(self, curve: Curve, x_mm: float, repeats: int | None = 1) -> Budget:
        """The budget at one thickness [mm]."""
        lines = tuple(
            BudgetLine(term.code, float(term.u_mm[0]), term.dof, term.params, term.common)
            for term in self.terms(curve, np.array([x_mm]), repeats)
        )
        return Budget(x_mm, lines)

    def terms(self, curve: Curve, x: ArrayLike, repeats: int | None) -> list[Term]:
        """
        Every line along the curve, at thicknesses x [mm].

        No curve is believed further than the flexible one. A formula gets a line for its distance from that curve and
        for what its own U falls short of that curve's; a curve through the points, which states nothing itself, gets
        the flexible curve's lines and its distance from it.
        """
        xs = np.atleast_1d(np.asarray(x, dtype=np.float64))
        flexible, besides = self.flexible, self._besides(xs)
        own = self._of_curve(curve, xs, repeats)
        if flexible is None or curve is flexible:
            return own + besides
        reference = self._of_curve(flexible, xs, repeats)
        apart = np.abs((curve.value(xs) - flexible.value(xs)) / flexible.slope(xs))
        if not own:
            return [*reference, Term("budget.model", apart), *besides]
        as_far_as_known = [*own, Term("budget.model", apart), *besides]
        missing = _missing(as_far_as_known, _expanded(reference + besides)[0])
        return [*own, Term("budget.model", np.hypot(missing, apart)), *besides]

    def _of_curve(self, curve: Curve, x: Array, repeats: int | None) -> list[Term]:
        """The curve's own lines: shims, repeats, what lies between the points, and the reading itself."""
        steep = np.abs(curve.slope(x))
        u_curve = curve.standard_uncertainty(x)
        weights = curve.weights(x)
        if u_curve is None or weights is None:
            return []
        if curve.scale == "estimated" or curve.points.V_y is None:
            terms = [Term("budget.fit", u_curve / steep, curve.dof, common=REPEATS)]
            if repeats is not None and curve.residual_sd is not None:
                rounded = self.table.variance.resolution / math.sqrt(12.0)
                reading = np.full(x.shape, max(curve.residual_sd / math.sqrt(repeats), rounded))
                terms.append(Term("budget.reading", reading / steep, curve.dof, {"n": repeats}, REPEATS))
            return terms
        D = curve.slope(curve.points.x)
        from_shims = _quadratic(weights, D[:, None] * curve.points.V_x * D[None, :])
        from_repeats = _quadratic(weights, curve.points.V_y)
        between = np.maximum(u_curve**2 - from_shims - from_repeats, 0.0)
        dof = self.table.variance.dof
        terms = [
            Term("budget.shims", np.sqrt(from_shims) / steep),
            Term("budget.repeats", np.sqrt(from_repeats) / steep, dof, common=REPEATS),
        ]
        if isinstance(curve, FlexibleCurve):
            terms.append(Term("budget.between", np.sqrt(between) / steep, params={"points": len(curve.points.x)}))
        if repeats is not None:
            reading = np.sqrt(self.table.variance.variance_of_mean(x, repeats))
            params = {"n": repeats}
            terms.append(Term("budget.reading", reading / steep, dof, params, REPEATS))
        return terms

    def _besides(self, x: Array) -> list[Term]:
        """What does not come from the curve: temperature of the shims, closing difference, the laboratory's own."""
        conditions = self.table.conditions
        terms = []
        if conditions.u_temperature_degC is not None:
            names = {name for stack in self.table.stacks for name in stack}
            used = [shim.expansion_per_K for shim in self.table.readings.shims if shim.name in names]
            alpha = float(np.mean(used)) if used else 0.0
            params = {"u_K": conditions.u_temperature_degC}
            terms.append(Term("budget.temperature", x * alpha * conditions.u_temperature_degC, params=params))
        if self.closing_mm is not None:
            drift = np.full(x.shape, abs(self.closing_mm) / math.sqrt(3.0))
            terms.append(Term("budget.closing", drift, params={"closing_mm": self.closing_mm}))
        for line in conditions.own_lines:
            dof = math.inf if line.dof is None else line.dof
            own = {"name": line.name, "how": line.how}
            terms.append(Term("budget.own", np.full(x.shape, line.u_mm), dof, own))
        return terms


def _quadratic(weights: Array, V: Array) -> Array:
    """WᵀVW for every row of weights, shape (q,)."""
    return np.maximum(np.einsum("qi,ij,qj->q", weights, V, weights), 0.0)


def _sum(terms: list[Term]) -> Array:
    return np.asarray(sum(np.square(term.u_mm) for term in terms))


def _expanded(terms: list[Term]) -> tuple[Array, Array]:
    """U and k of the sum of terms."""
    k = coverage_factor(effective_dof([t.u_mm for t in terms], [t.dof for t in terms], [t.common for t in terms]))
    return k * np.sqrt(_sum(terms)), k


def _missing(terms: list[Term], U: Array) -> Array:
    """
    The standard uncertainty of a line, exactly known, that brings the sum of terms up to U where it is smaller.

    Such a line lowers k, so that more of it is needed; k falls from step to step and ends at 2.
    """
    missing = np.zeros_like(U)
    for _ in range(50):
        _, k = _expanded([*terms, Term("budget.model", missing)])
        wanted = np.sqrt(np.maximum(np.square(U / k) - _sum(terms), 0.0))
        if np.all(wanted <= missing * (1 + 1e-12)):
            break
        missing = np.maximum(wanted, missing)
    return missing
