"""The lines of the budget that come from a curve itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from labkit.calibration.points import PointTable
from labkit.calibration.shim_parts import shim_parts
from labkit.calibration.terms import REPEATS, Term
from labkit.curves import Curve
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.recent import Recent

_KEPT: Final = 4
_KEPT_SIZE: Final = 512
"""Answers that are kept, and the most thicknesses of one: the same flexible curve stands behind every family."""


@dataclass(frozen=True, eq=False)
class CurveLines:
    """
    The lines of curves through the points of one calibration.

    Attributes
    ----------
    table : PointTable
    """

    table: PointTable

    def of(self, curve: Curve, x: Array, repeats: int | None, *, same_background: bool = True) -> list[Term]:
        """
        A curve's own lines: shims, repeats, what lies between the points, and the reading itself.

        Parameters
        ----------
        curve : Curve
        x : ndarray, shape (q,)
            Thickness [mm].
        repeats : int or None
            How many readings are averaged; None leaves the reading itself out.
        same_background : bool
            Whether what is subtracted from readings is the background of the calibration.

        Returns
        -------
        list of Term
            Empty for a curve that states no uncertainty.
        """
        if not isinstance(curve, FlexibleCurve) or x.size > _KEPT_SIZE:
            return self._worked_out(curve, x, repeats, same_background)
        question = (curve, x.tobytes(), repeats, same_background)
        return list(self._kept.answer(question, lambda: self._worked_out(curve, x, repeats, same_background)))

    @cached_property
    def _kept(self) -> Recent[list[Term]]:
        return Recent(_KEPT)

    def _worked_out(self, curve: Curve, x: Array, repeats: int | None, same_background: bool) -> list[Term]:
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
        through = weights * curve.slope(curve.points.x)
        variance = self.table.variance
        background = self.table.common_variance
        squares = {code: _quadratic(through, V) for code, V in self._shims(curve).items()}
        terms = [Term(code, np.sqrt(square) / steep) for code, square in squares.items()]
        of_repeats = curve.points.V_y - background
        squares["budget.repeats"] = _quadratic(weights, of_repeats)
        dof = variance.dof_of_sum(curve.points.x, np.square(weights) * np.diag(of_repeats))
        terms.append(Term("budget.repeats", np.sqrt(squares["budget.repeats"]) / steep, dof, common=REPEATS))
        if background > 0:
            whole = weights.sum(axis=1)
            squares["budget.background"] = background * np.square(whole)
            # the reading that is corrected has the same background taken off: what moves both alike moves no thickness
            shared = 1.0 if same_background else 0.0
            left = np.sqrt(background) * np.abs(shared - whole) / steep
            # by itself: summed with the repeats, next to nothing would give its few degrees of freedom to all of them
            terms.append(Term("budget.background", left, self.table.background.dof))
        between = np.maximum(u_curve**2 - sum(squares.values()), 0.0)
        if isinstance(curve, FlexibleCurve):
            terms.append(Term("budget.between", np.sqrt(between) / steep, params={"points": len(curve.points.x)}))
        if repeats is not None:
            reading, dof = self._reading(x, repeats)
            terms.append(Term("budget.reading", reading / steep, dof, {"n": repeats}, REPEATS))
        return terms

    def _reading(self, x: Array, repeats: int) -> tuple[Array, Array]:
        """Standard uncertainty of the mean of readings, in the unit of the signal, and its degrees of freedom."""
        variance = self.table.variance

        def worked_out() -> tuple[Array, Array]:
            return np.sqrt(variance.variance_of_mean(x, repeats)), variance.dof_at(x)

        return worked_out() if x.size > _KEPT_SIZE else self._readings.answer((x.tobytes(), repeats), worked_out)

    @cached_property
    def _readings(self) -> Recent[tuple[Array, Array]]:
        return Recent(_KEPT)

    @cached_property
    def _shim_parts(self) -> dict[str, Array]:
        """The covariance of the shims [mm²] part by part, without parts that nothing is known of."""
        parts = shim_parts(self.table.readings.shims, self.table.stacks, self.table.conditions)
        return {code: self.table.widening * V for code, V in parts.items() if code == "budget.shims" or V.any()}

    def _shims(self, curve: Curve) -> dict[str, Array]:
        """The same for the points of a curve; whole where it has other points, to foretell what a shim would bring."""
        return self._shim_parts if curve.points is self.table.fitted else {"budget.shims": curve.points.V_x}


def _quadratic(weights: Array, V: Array) -> Array:
    """WᵀVW for every row of weights, shape (q,)."""
    return np.maximum(np.einsum("qi,qi->q", weights @ V, weights), 0.0)
