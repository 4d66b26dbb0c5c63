"""
Straight lines from textbooks and the NIST/SEMATECH e-Handbook: ordinary and relatively weighted least squares.

Agreement is rounding to the printed digits.
"""

from __future__ import annotations

import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import Curve, fit
from labkit.validation import case


def line(curve: Curve) -> dict[str, float]:
    names = {"a": "b0", "b": "b1"}
    return {short: curve.parameters[name] for short, name in names.items()} | {
        f"u_{short}": curve.standard_errors[name] for short, name in names.items()
    }


def test_bevington_table_6_1():
    """Bevington & Robinson, table 6.1."""
    one = case("bevington_t6_1")
    curve = fit(one.array("x"), one.array("y"), "line")
    assert curve.covariance is not None
    computed = line(curve) | {"cov_ab": float(curve.covariance[0, 1])}
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_walpole_myers_with_mean_response():
    """Walpole & Myers, quoted with R's digits."""
    one = case("walpole_myers")
    curve = fit(one.array("x"), one.array("y"), "line")
    mean, u = curve.predict([one.inputs["x0"]])
    assert u is not None
    computed = line(curve) | {"mean_at_20": float(mean[0]), "u_mean_at_20": float(u[0])}
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_faraway_strongx_relative_weights():
    """Faraway (2002): standard deviations are given, the scale is estimated from the residuals."""
    one = case("strongx_wls")
    curve = fit(one.array("x"), one.array("y"), "line", uy=one.array("sd_y"), scale="estimated")
    computed = line(curve)
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_relative_weights_do_not_depend_on_their_unit():
    one = case("strongx_wls")
    first, second = (
        fit(one.array("x"), one.array("y"), "line", uy=unit * one.array("sd_y"), scale="estimated")
        for unit in (1.0, 1000.0)
    )
    assert line(first) == pytest.approx(line(second), rel=1e-12)


def test_linewidth_calibration_line():
    """NIST/SEMATECH e-Handbook 2.3.6.7.3; the intercept is truncated there, which its file allows for."""
    one = case("linewidth_calibration_line")
    curve = fit(one.array("x"), one.array("y"), "line")
    assert curve.residual_sd is not None
    computed = {
        "a": curve.parameters["b0"],
        "b": curve.parameters["b1"],
        "residual_sd": curve.residual_sd,
        "dof": curve.dof,
    }
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()
