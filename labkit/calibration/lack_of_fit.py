"""Lack of fit against the repeats: shown where it means something, and never what decides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import fdtrc

from labkit.calibration.points import PointTable
from labkit.curves import Curve

SMALL: Final = 0.1
"""Share of the variance of a mean that the reference value may have: repeats on one shim share its error."""


@dataclass(frozen=True)
class LackOfFit:
    """
    The spread of the means about the curve against the spread of the repeats about their means.

    Attributes
    ----------
    ratio : float
        F.
    dof_curve, dof_repeats : float
        Of the numerator, m − p, and of the denominator.
    probability : float
        Of a ratio as large or larger where the curve is the true one.
    """

    ratio: float
    dof_curve: float
    dof_repeats: float
    probability: float

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def lack_of_fit(table: PointTable, curve: Curve) -> LackOfFit | None:
    """
    The F test of lack of fit against pure error.

    Parameters
    ----------
    table : PointTable
    curve : Curve
        Fitted to its points.

    Returns
    -------
    LackOfFit or None
        None where the test would mislead: the reference values carry more than a tenth of the variance of a mean
        somewhere, nothing was read twice, the repeats do not differ, or the curve leaves no degree of freedom.

    References
    ----------
    Draper & Smith, Applied Regression Analysis (1998), 2.1 (from memory), with each point weighted by the variance
    function.
    """
    n = np.array([point.n for point in table.points], dtype=np.float64)
    s2 = np.array([(point.s or 0.0) ** 2 for point in table.points])
    of_one = table.variance.variance(table.fitted.x)
    within = float(np.sum((n - 1) * s2 / of_one)) if np.all(of_one > 0) else 0.0
    dof = float(np.sum(n - 1))
    if within <= 0 or curve.chi2 is None or curve.dof < 1:
        return None
    from_shims = np.square(curve.slope(table.fitted.x)) * np.diag(table.fitted.V_x)
    if np.any(from_shims >= SMALL * of_one / n):
        return None
    between = float(np.sum(n * np.square(curve.residuals) / of_one))
    ratio = (between / curve.dof) / (within / dof)
    return LackOfFit(ratio, float(curve.dof), dof, float(fdtrc(curve.dof, dof, ratio)))
