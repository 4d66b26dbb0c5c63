"""How wrong a thickness can be: the lines of the budget along the curve, and their sum."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from labkit.calibration.background import BackgroundReading
from labkit.calibration.closing import CLOSING, Drift
from labkit.calibration.curve_lines import CurveLines
from labkit.calibration.points import PointTable
from labkit.calibration.terms import Parts, Term
from labkit.curves import Curve
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.tabulated import FEW, along
from labkit.metrology import Budget, BudgetLine
from labkit.metrology.budget import Correlation, combined, combined_with_dof, coverage_factor


@dataclass(frozen=True)
class Uncertainty:
    """
    The uncertainty of thicknesses found with a curve.

    Attributes
    ----------
    lines : CurveLines
        Of the points that curves go through.
    flexible : FlexibleCurve or None
        Where there is one, no other curve may claim less.
    drift : Drift or None
        What was read again at the end says; None where nothing was.
    reread : BackgroundReading or None
        What is subtracted from readings of another day, where that is not the background of the calibration.
    as_given : (Uncertainty, Curve) or None
        Where given uncertainties were widened: the same before that, and the same curve. Larger uncertainties of the
        points make a smoother flexible curve, closer to a formula; U must not come out smaller for that.
    """

    lines: CurveLines
    flexible: FlexibleCurve | None
    drift: Drift | None
    reread: BackgroundReading | None = None
    as_given: tuple[Uncertainty, Curve] | None = None

    @property
    def table(self) -> PointTable:
        return self.lines.table

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
        return self._along(curve, x, repeats, self._combined)

    def expanded(self, curve: Curve, x: ArrayLike, repeats: int | None = 1) -> tuple[Array, Array]:
        """
        Expanded uncertainty [mm] and its coverage factor.

        Returns
        -------
        U, k : ndarray, shape of x
        """
        U, k = self._along(curve, x, repeats, lambda terms: np.stack(self._expanded(terms)))
        return U, k

    def budget(self, curve: Curve, x_mm: float, repeats: int | None = 1, *, on_parts: bool = True) -> Budget:
        """The budget at one thickness [mm]; parameters as for `terms`."""
        terms = self.terms(curve, np.array([x_mm]), repeats, on_parts=on_parts)
        lines = tuple(
            BudgetLine(
                term.code, float(term.u_mm[0]), float(np.ravel(term.dof)[0]), term.params, term.common, term.shape
            )
            for term in terms
        )
        return Budget(x_mm, lines, self._correlations(terms))

    def terms(self, curve: Curve, x: ArrayLike, repeats: int | None, *, on_parts: bool = True) -> list[Term]:
        """
        Every line along the curve.

        Parameters
        ----------
        curve : Curve
        x : array_like
            Thickness [mm].
        repeats : int or None
            How many readings are averaged; None leaves the reading itself out.
        on_parts : bool
            Whether a part is read; a shim, right after the calibration, does not feel what acts on parts alone.

        Returns
        -------
        list of Term

        Notes
        -----
        Where the laboratory is accredited for no smaller U, a line of its own brings U up to that (ILAC-P14, from
        memory).
        """
        xs = np.atleast_1d(np.asarray(x, dtype=np.float64))
        return self._together(self._parts(curve, xs, repeats, on_parts), repeats)

    def _along(self, curve: Curve, x: ArrayLike, repeats: int | None, answer: Callable[[list[Term]], Array]) -> Array:
        """
        What is asked of the lines at each thickness.

        At many thicknesses the lines come from a table. What is made of them does not: k goes in steps, and with it
        the line of the model.
        """
        xs = np.atleast_1d(np.asarray(x, dtype=np.float64))
        if xs.size <= FEW:
            found = answer(self.terms(curve, xs.ravel(), repeats))
            return found.reshape(found.shape[:-1] + xs.shape)
        form = self._parts(curve, xs.ravel()[:1], repeats, on_parts=True)
        return along(
            lambda each: self._parts(curve, each, repeats, on_parts=True).stacked,
            xs,
            lambda rows: answer(self._together(form.holding(rows), repeats)),
            form.sizes,
        )

    def _together(self, parts: Parts, repeats: int | None) -> list[Term]:
        """The lines, with what U was before anything was widened, and what the laboratory is accredited for."""
        found = self._estimated(parts)
        if parts.floor is not None and np.any(raised := self._missing(found, parts.floor)):
            found = [*found, Term("budget.as_given", raised)]
        smallest = self.table.conditions.smallest_U_mm
        if smallest is None or repeats is None:
            return found
        raised = self._missing(found, np.full(parts.apart.shape, smallest))
        return [*found, Term("budget.capability", raised, params={"U_mm": smallest})] if np.any(raised) else found

    def _parts(self, curve: Curve, xs: Array, repeats: int | None, on_parts: bool) -> Parts:
        flexible = self.flexible
        own = self.of_curve(curve, xs, repeats)
        besides = self._besides(flexible or curve, xs, on_parts)
        floor = None
        if self.as_given is not None:
            before, its_curve = self.as_given
            before = replace(before, reread=self.reread)
            floor, _ = before._expanded(before.terms(its_curve, xs, repeats, on_parts=on_parts))
        if flexible is None or curve is flexible:
            return Parts(own, [], besides, np.zeros(xs.shape), floor)
        apart = (curve.value(xs) - flexible.value(xs)) / flexible.slope(xs)
        return Parts(own, self.of_curve(flexible, xs, repeats), besides, apart, floor)

    def _estimated(self, parts: Parts) -> list[Term]:
        """
        The lines without regard to what the laboratory is accredited for.

        No curve is believed further than the flexible one. A formula gets a line for its distance from that curve and
        for what its own U falls short of that curve's; a curve through the points, which states nothing itself, gets
        the flexible curve's lines and its distance from it.
        """
        own, reference, besides = parts.own, parts.reference, parts.besides
        if not reference:
            return own + besides
        apart, lines = np.abs(parts.apart), own or reference
        as_far_as_known = [*lines, Term("budget.model", apart), *besides]
        missing = self._missing(as_far_as_known, self._expanded(reference + besides)[0])
        return [*lines, Term("budget.model", np.hypot(missing, apart)), *besides]

    def of_curve(self, curve: Curve, x: Array, repeats: int | None) -> list[Term]:
        """The curve's own lines: shims, repeats, what lies between the points, and the reading itself."""
        return self.lines.of(curve, x, repeats, same_background=self.reread is None)

    def _besides(self, curve: Curve, x: Array, on_parts: bool) -> list[Term]:
        """What does not come from the curve: temperature, drift, and what the laboratory states itself."""
        conditions = self.table.conditions
        terms = []
        if conditions.u_temperature_degC is not None:
            names = {name for stack in self.table.stacks for name in stack}
            used = [shim.expansion_per_K for shim in self.table.readings.shims if shim.name in names]
            alpha = float(np.mean(used)) if used else 0.0
            params = {"u_K": conditions.u_temperature_degC}
            terms.append(Term("budget.temperature", np.abs(x) * alpha * conditions.u_temperature_degC, params=params))
        per_signal = 1.0 / np.abs(curve.slope(x))
        per_share = np.abs(curve.value(x)) * per_signal
        unit = self.table.readings.value_unit
        if self.drift is not None:
            code, said = self.drift.line(unit)
            half = self.drift.limit_mm(per_share, per_signal)
            terms.append(Term(code, half / math.sqrt(3.0), params=said, shape="rectangular"))
        if (moved := self.table.background_drift) is not None:
            limit = abs(moved) * per_signal
            named = {"moved": moved, "unit": unit, "own_u": abs(moved) / math.sqrt(3.0), "own_unit": unit}
            terms.append(Term("budget.background_drift", limit / math.sqrt(3.0), params=named, shape="rectangular"))
        if self.reread is not None and self.reread.u is not None:
            terms.append(Term("budget.background_now", self.reread.u * per_signal, self.reread.dof))
        for line in conditions.own_lines:
            dof = math.inf if line.dof is None else line.dof
            own = {"name": line.name, "how": line.how}
            terms.append(Term("budget.own", np.full(x.shape, line.u_mm), dof, own))
        counted = [each for each in conditions.influences if not each.off and (on_parts or not each.kind.on_parts)]
        for each in counted:
            params = each.params(self.table.readings.unit)
            terms.append(Term(each.line, each.u_mm(x, per_share, per_signal), params=params, shape=each.shape))
        return terms

    def _correlations(self, terms: list[Term]) -> tuple[Correlation, ...]:
        """
        Which lines err together, by their places among the terms: own lines as they are stated, and gain and background
        where both drifted to the same side, as both go with the time.
        """
        places = {term.params["name"]: i for i, term in enumerate(terms) if term.code == "budget.own"}
        # two lines that name each other state one correlation
        pairs = {
            frozenset((line.name, line.correlated_with)): line.r
            for line in self.table.conditions.own_lines
            if line.correlated_with and line.r and places
        }
        found = ((sorted(places[name] for name in pair), r) for pair, r in pairs.items())
        stated = tuple(Correlation(first, second, r) for (first, second), r in found)
        moved = self.table.background_drift
        if self.drift is None or not moved or (self.table.sign * moved > 0) != self.drift.grew:
            return stated
        drifts = [i for i, term in enumerate(terms) if term.code.startswith(("budget.background_drift", CLOSING))]
        return (*stated, Correlation(drifts[0], drifts[-1], 1.0)) if len(drifts) > 1 else stated

    def _combined(self, terms: list[Term]) -> Array:
        return combined([term.u_mm for term in terms], self._correlations(terms))

    def _expanded(self, terms: list[Term]) -> tuple[Array, Array]:
        """U and k of the sum of terms."""
        u, dof = self._summed(terms)
        k = coverage_factor(dof)
        return k * u, k

    def _summed(self, terms: list[Term]) -> tuple[Array, Array]:
        """Standard uncertainty and effective degrees of freedom of the sum of terms."""
        u, dof, common = ([getattr(term, name) for term in terms] for name in ("u_mm", "dof", "common"))
        return combined_with_dof(u, dof, common, self._correlations(terms))

    def _missing(self, terms: list[Term], U: Array) -> Array:
        """
        The standard uncertainty of a line, exactly known, that brings the sum of terms up to U where it is smaller.

        Such a line lowers k, so that more of it is needed; k falls from step to step and ends at 2.
        """
        u, dof = self._summed(terms)
        squares = np.square(u)
        missing = np.zeros_like(U)
        for _ in range(50):
            # the line adds to the sum, and nothing to what the degrees of freedom are taken from
            grown = np.divide(squares + np.square(missing), squares, out=np.ones_like(U), where=squares > 0)
            wanted = np.sqrt(np.maximum(np.square(U / coverage_factor(dof * np.square(grown))) - squares, 0.0))
            if (wanted <= missing * (1 + 1e-12)).all():
                break
            missing = np.maximum(wanted, missing)
        return missing
