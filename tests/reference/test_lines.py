"""Straight lines on published data, in ways that the published values do not show."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.curves import fit
from labkit.validation import case, judge
from labkit.validation.computed.line import line_values


def test_relative_weights_do_not_depend_on_their_unit():
    one = case("strongx_wls")
    first, second = (
        fit(one.array("x"), one.array("y"), "line", uy=unit * one.array("sd_y"), scale="estimated")
        for unit in (1.0, 1000.0)
    )
    assert line_values(first) == pytest.approx(line_values(second), rel=1e-12)


def test_uncertainties_are_the_same_as_diagonal_covariances():
    """ISO/TS 28037:2010, clause 7."""
    one = case("cl07_gdr")
    variances = {"cov_x": np.diag(one.array("u_x") ** 2), "cov_y": np.diag(one.array("u_y") ** 2)}
    curve = fit(one.array("x"), one.array("y"), "line", **variances)
    assert curve.dof == 4
    assert curve.covariance is not None
    assert curve.chi2 is not None
    obtained = line_values(curve) | {"cov_ab": curve.covariance[0, 1], "chi2": curve.chi2}
    assert judge(one, obtained).disagreements() == ()


def test_the_two_conventions_of_errors_in_both_variables_are_told_apart():
    """
    The Gauss-Newton matrix (York 2004, ISO/TS 28037), which `fit` states; full propagation through the estimator
    (Kalantar 1992) gives others, which it must not give by accident.
    """
    one, other = case("pearson_york"), case("pearson_york_lpu")
    ux, uy = one.array("w_x") ** -0.5, one.array("w_y") ** -0.5
    obtained = line_values(fit(one.array("x"), one.array("y"), "line", ux=ux, uy=uy))
    assert not any(other.published[name].agrees(obtained[name]) for name in ("u_a", "u_b"))


@pytest.mark.parametrize("y0", [100.0, 104.0])
def test_monte_carlo_limits_lie_near_the_exact_ones(y0):
    """Thermostat (Graybill & Iyer): within 4 % of the exact half-width, what 20 000 draws can tell."""
    one = case("graybill_iyer_thermostat")
    curve = fit(one.array("x"), one.array("y"), "line")
    exact = np.array(curve.invert_interval(y0, method="fieller"))
    drawn = np.array(curve.invert_interval(y0, method="monte-carlo"))
    assert np.abs(drawn - exact).max() < 0.04 * np.ptp(exact) / 2.0
