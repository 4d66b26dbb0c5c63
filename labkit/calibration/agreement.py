"""Whether points and curve agree: one doubt where they do not, the shim to read again first, and what comes then."""

from __future__ import annotations

from typing import Final

import numpy as np

from labkit.calibration.points import PointTable
from labkit.curves import Curve
from labkit.curves.compare import Comparison
from labkit.problems import Caution

FAR_OFF: Final = 2.0
"""Standard deviations by which a point that makes the points and the curve disagree lies off."""


def say_agreement(table: PointTable, comparison: Comparison, curve: Curve, cautions: list[Caution]) -> None:
    """
    Add the doubt that points and curve disagree more than their uncertainties allow.

    Parameters
    ----------
    table : PointTable
    comparison : Comparison
    curve : Curve
        That is in use.
    cautions : list of Caution

    Notes
    -----
    Where χ² rejects every curve, the flexible one too, the doubt is about the points: the shim to read again is the one
    that lies off every curve. Else it is about the curve in use, and the shim is the one furthest off that.
    """
    tested = {row.family: row.curve for row in comparison.rows if row.curve is not None and row.chi2_limit is not None}
    if "flexible" in tested and not any(comparison[family].fits for family in tested):
        slopes = tested["flexible"].slope(curve.points.x)
        off_mm = np.min([np.abs(each.residuals / slopes) for each in tested.values()], axis=0)
        worst = int(np.argmax(off_mm))
        params = {"shim": table.points[worst].name, "off_mm": float(off_mm[worst])}
        cautions.append(Caution("curve.none_fits", params))
        return
    row = comparison[curve.family]
    if row.fits:
        return
    off = np.abs(curve.standardised_residuals)
    order = [int(i) for i in np.argsort(-off)]
    causes = [i for i in order if off[i] > FAR_OFF] or order[:1]
    params = {
        "family": curve.family,
        "chi2": row.chi2,
        "limit": row.chi2_limit,
        "shim": table.points[causes[0]].name,
        "shims": [table.points[i].name for i in causes],
        "off_mm": [float(abs(curve.residuals_mm[i])) for i in causes],
    }
    cautions.append(Caution("curve.disagrees", params))
