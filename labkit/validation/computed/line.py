"""Straight lines from textbooks and the NIST/SEMATECH e-Handbook 2.3.6.7.3: ordinary and relatively weighted."""

from __future__ import annotations

from labkit.curves import Curve, fit
from labkit.validation.cases import Case
from labkit.validation.register import computes


def line_values(curve: Curve) -> dict[str, float]:
    """Intercept a, slope b and their standard uncertainties, as most documents name them."""
    return {
        "a": curve.parameters["b0"],
        "b": curve.parameters["b1"],
        "u_a": curve.standard_errors["b0"],
        "u_b": curve.standard_errors["b1"],
    }


@computes("bevington_t6_1")
def bevington(case: Case) -> dict[str, float]:
    curve = fit(case.array("x"), case.array("y"), "line")
    assert curve.covariance is not None
    return line_values(curve) | {"cov_ab": float(curve.covariance[0, 1])}


@computes("walpole_myers")
def walpole(case: Case) -> dict[str, float]:
    """With the mean response at one place."""
    curve = fit(case.array("x"), case.array("y"), "line")
    mean, u = curve.predict([case.inputs["x0"]])
    assert u is not None
    return line_values(curve) | {"mean_at_20": float(mean[0]), "u_mean_at_20": float(u[0])}


@computes("strongx_wls")
def strongx(case: Case) -> dict[str, float]:
    """Standard deviations are given, their scale is estimated from the residuals."""
    return line_values(fit(case.array("x"), case.array("y"), "line", uy=case.array("sd_y"), scale="estimated"))


@computes("linewidth_calibration_line")
def linewidth(case: Case) -> dict[str, float]:
    curve = fit(case.array("x"), case.array("y"), "line")
    assert curve.residual_sd is not None
    found = line_values(curve)
    return {"a": found["a"], "b": found["b"], "residual_sd": curve.residual_sd, "dof": float(curve.dof)}
