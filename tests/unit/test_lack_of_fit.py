"""The F test of lack of fit: against the sums of squares of the textbook, and only where the reference values allow it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f as fisher

from labkit import calibrate, read_readings
from labkit.calibration.lack_of_fit import lack_of_fit

X = np.array([0.5, 0.9, 1.3, 1.7, 2.1, 2.5])
RNG = np.random.default_rng(7)
NOISE = RNG.normal(0.0, 0.004, (6, 4)).round(5)


def calibrated(u_mm, bend=0.0):
    rows = [
        f"{x},{2 * u_mm},2,{x + 0.01 * x + bend * (x - 1.5) ** 2 + step:.5f}"
        for x, steps in zip(X, NOISE, strict=True)
        for step in steps
    ]
    text = "reference [mm],U [mm],k,indication [mm]\n" + "\n".join(rows)
    return calibrate(read_readings(text.encode()), "line", reason="habit")


def by_hand(bend):
    """Ordinary least squares with equal weights: the textbook's two sums of squares."""
    y = (X + 0.01 * X + bend * (X - 1.5) ** 2)[:, None] + NOISE
    x = np.repeat(X, 4)
    line = np.polynomial.polynomial.polyval(X, np.polynomial.polynomial.polyfit(x, y.ravel(), 1))
    between = 4 * np.sum((y.mean(axis=1) - line) ** 2) / 4
    within = np.sum((y - y.mean(axis=1, keepdims=True)) ** 2) / 18
    return between / within


@pytest.mark.parametrize("bend", [0.0, 0.01])
def test_the_ratio_is_that_of_the_textbook_where_the_spread_is_even(bend):
    result = calibrated(1e-6, bend)
    found = lack_of_fit(result.table, result.curve)
    # the variance function is a smooth trend and not one number, so that the weights are not quite equal
    assert found.ratio == pytest.approx(by_hand(bend), rel=0.25)
    assert (found.dof_curve, found.dof_repeats) == (4, 18)
    assert found.probability == pytest.approx(fisher.sf(found.ratio, 4, 18), rel=1e-9)


def test_a_bent_probe_has_lack_of_fit_and_a_straight_one_has_not():
    assert lack_of_fit(calibrated(1e-6, 0.02).table, calibrated(1e-6, 0.02).curve).probability < 0.01
    assert lack_of_fit(calibrated(1e-6).table, calibrated(1e-6).curve).probability > 0.05


def test_uncertain_shims_forbid_the_test_as_repeats_share_their_error():
    result = calibrated(0.002)
    assert lack_of_fit(result.table, result.curve) is None


def test_a_curve_through_the_points_has_none():
    result = calibrated(1e-6)
    assert lack_of_fit(result.table, result.comparison["piecewise-line"].curve) is None
