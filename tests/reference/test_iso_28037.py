"""
ISO/TS 28037:2010, the worked examples of clauses 6, 7, 9 and 11.

Agreement is rounding to the printed digits. Uncertainties are those of the Gauss-Newton normal matrix, the document's
own convention.
"""

from __future__ import annotations

import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import Curve, fit
from labkit.validation import case


def line(curve: Curve) -> dict[str, float]:
    assert curve.covariance is not None
    assert curve.chi2 is not None
    return {
        "a": curve.parameters["b0"],
        "b": curve.parameters["b1"],
        "u_a": curve.standard_errors["b0"],
        "u_b": curve.standard_errors["b1"],
        "cov_ab": float(curve.covariance[0, 1]),
        "chi2": curve.chi2,
    }


@pytest.mark.parametrize("name", ["cl06_wls_equal", "cl06_wls_unequal"])
def test_clause_6_weighted_and_clause_11_1_backwards(name):
    one = case(name)
    curve = fit(one.array("x"), one.array("y"), "line", uy=one.array("u_y"))
    assert curve.scale == "known"
    assert curve.dof == 4
    x0, u_x0 = curve.invert([one.inputs["predict"]["y0"]], [one.inputs["predict"]["u_y0"]])
    assert u_x0 is not None
    computed = line(curve) | {"x0": float(x0[0]), "u_x0": float(u_x0[0])}
    assert disagreements(one, computed) == []
    # the limit of χ² is metrology's to state, the evaluation forwards is the next test's
    assert left_unchecked(one, computed) <= {"chi2_crit_95_4dof", "y_fwd", "u_y_fwd"}


def test_clause_11_2_forwards():
    one = case("cl06_wls_equal")
    curve = fit(one.array("x"), one.array("y"), "line", uy=one.array("u_y"))
    y, u = curve.predict([one.inputs["forward"]["x"]], [one.inputs["forward"]["u_x"]])
    assert u is not None
    assert float(y[0]) == pytest.approx(one.published["y_fwd"].value, rel=1e-13)
    assert float(u[0]) == pytest.approx(one.published["u_y_fwd"].value, rel=1e-13)


def test_clause_7_uncertainties_in_both_variables():
    one = case("cl07_gdr")
    curve = fit(one.array("x"), one.array("y"), "line", ux=one.array("u_x"), uy=one.array("u_y"))
    computed = line(curve)
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_clause_9_full_covariance_of_y():
    one = case("cl09_gmr")
    curve = fit(one.array("x"), one.array("y"), "line", cov_y=one.array("V_y"))
    computed = {name: value for name, value in line(curve).items() if name != "cov_ab"}  # not published
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_clause_7_is_the_same_with_the_uncertainties_given_as_covariances():
    one = case("cl07_gdr")
    x, y = one.array("x"), one.array("y")
    variances = {"cov_x": one.array("u_x") ** 2, "cov_y": one.array("u_y") ** 2}
    curve = fit(x, y, "line", **{name: [[v * (i == j) for j in range(6)] for i, v in enumerate(found)]
                                 for name, found in variances.items()})  # fmt: skip
    assert disagreements(one, line(curve)) == []
