"""Where U of a result is larger than the tolerance: no decision there can be a pass with a guard band of U."""

from __future__ import annotations

import numpy as np

from labkit.curves.family import Array
from labkit.metrology.conformity import Limits
from labkit.problems import Caution


def say_tolerable(x: Array, U: Array, limits_mm: Limits, cautions: list[Caution]) -> None:
    """
    Add the doubt that U exceeds the tolerance somewhere in the working range.

    Parameters
    ----------
    x : ndarray, shape (q,)
        Thicknesses of the working range, rising [mm].
    U : ndarray, shape (q,)
        Expanded uncertainty of one corrected reading there [mm].
    limits_mm : (float or None, float or None)
        Of a deviation; with one limit, or none, there is no width that U could exceed.
    cautions : list of Caution
    """
    lower, upper = limits_mm
    if lower is None or upper is None:
        return
    half = (upper - lower) / 2
    exceeds = half < U
    if not exceeds.any():
        return
    worst = int(np.argmax(U))
    # the stretch about the worst place; another one, smaller, is found when this one is mended
    within = np.flatnonzero(~exceeds)
    first = int(within[within < worst].max(initial=-1)) + 1
    last = int(within[within > worst].min(initial=len(x))) - 1
    params = {
        "low_mm": float(x[first]),
        "high_mm": float(x[last]),
        "at_mm": float(x[worst]),
        "U_mm": float(U[worst]),
        "tolerance_mm": half,
    }
    everywhere = bool(exceeds.all())
    cautions.append(Caution("tolerance.below_U_everywhere" if everywhere else "tolerance.below_U", params))
