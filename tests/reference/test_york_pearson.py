"""
Pearson's data (1901) with York's weights (1966): York et al., Am. J. Phys. 72 (2004) 367, table II.

Two conventions exist for the uncertainties. labkit follows ISO/TS 28037 and York, the Gauss-Newton normal matrix;
full propagation through the estimator (Kalantar, Meas. Sci. Technol. 3 (1992) 1113) gives others, which it must not
give by accident.
"""

from __future__ import annotations

from agreement import disagreements, left_unchecked

from labkit.curves import Curve, fit
from labkit.validation import case


def pearson() -> Curve:
    one = case("pearson_york")
    ux, uy = one.array("w_x") ** -0.5, one.array("w_y") ** -0.5
    return fit(one.array("x"), one.array("y"), "line", ux=ux, uy=uy)


def test_york_2004():
    curve = pearson()
    assert curve.chi2 is not None
    computed = {
        "a": curve.parameters["b0"],
        "b": curve.parameters["b1"],
        "u_a": curve.standard_errors["b0"],
        "u_b": curve.standard_errors["b1"],
        "S": curve.chi2,
        "S_over_nu": curve.chi2 / curve.dof,
    }
    one = case("pearson_york")
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_the_other_convention_is_told_apart():
    curve = pearson()
    other = case("pearson_york_lpu").published
    assert not other["u_a"].agrees(curve.standard_errors["b0"])
    assert not other["u_b"].agrees(curve.standard_errors["b1"])
