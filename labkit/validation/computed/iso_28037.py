"""
ISO/TS 28037:2010, the worked examples of clauses 6, 7, 9 and 11.

Uncertainties are those of the Gauss-Newton normal matrix, the document's own convention.
"""

from __future__ import annotations

import numpy as np

from labkit.curves import Curve, Points, family_named, fit
from labkit.curves.compare import compare
from labkit.validation.cases import Case
from labkit.validation.computed.line import line_values
from labkit.validation.register import computes


def _values(curve: Curve) -> dict[str, float]:
    assert curve.covariance is not None
    assert curve.chi2 is not None
    return line_values(curve) | {"cov_ab": float(curve.covariance[0, 1]), "chi2": curve.chi2}


@computes("cl06_wls_equal", "cl06_wls_unequal")
def clause_6(case: Case) -> dict[str, float]:
    """Known uncertainties of y; used backwards (11.1) and forwards (11.2)."""
    curve = fit(case.array("x"), case.array("y"), "line", uy=case.array("u_y"))
    backwards = case.inputs["predict"]
    x0, u_x0 = curve.invert([backwards["y0"]], [backwards["u_y0"]])
    assert u_x0 is not None
    found = _values(curve) | {"x0": float(x0[0]), "u_x0": float(u_x0[0])}
    if "forward" in case.inputs:
        forwards = case.inputs["forward"]
        y, u_y = curve.predict([forwards["x"]], [forwards["u_x"]])
        assert u_y is not None
        found |= {"y_fwd": float(y[0]), "u_y_fwd": float(u_y[0])}
    if "chi2_crit_95_4dof" in case.published:
        found["chi2_crit_95_4dof"] = _chi2_limit(case)
    return found


def _chi2_limit(case: Case) -> float:
    """What the comparison of curves holds the line's χ² against."""
    x, u_y = case.array("x"), case.array("u_y")
    points = Points(x, case.array("y"), np.zeros((len(x), len(x))), np.diag(u_y**2))
    compared = compare(
        points, "raw", "known", (x[0], x[-1]), lambda curve, flexible: None, among=[family_named("line")]
    )
    limit = next(row.chi2_limit for row in compared.rows if row.family == "line")
    assert limit is not None
    return limit


@computes("cl07_gdr")
def clause_7(case: Case) -> dict[str, float]:
    """Uncertainties in both variables."""
    return _values(fit(case.array("x"), case.array("y"), "line", ux=case.array("u_x"), uy=case.array("u_y")))


@computes("cl09_gmr")
def clause_9(case: Case) -> dict[str, float]:
    """Full covariance of y."""
    found = _values(fit(case.array("x"), case.array("y"), "line", cov_y=case.array("V_y")))
    return {name: found[name] for name in case.published}
