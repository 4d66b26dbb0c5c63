"""
Coverage on benches whose truth is known: how often U holds the error, for the flexible curve and for a formula.

A model of the probe (sample_data/model.py) that is none of the families gives the readings. U = 2·u of the curve alone,
in thickness, at 41 thicknesses between the end shims. Over sixty benches of seven shims the mean coverage is known to
about 0.01.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from labkit.curves import Points, family_named, fit_points
from labkit.metrology import fit_variance

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_data"))

import model

BENCHES, SHIMS, REPEATS = 60, 7, 5


def simulated(target, signal, name):
    """Share of thicknesses at which U holds the error; mean U and root mean square of the error [mm]."""
    rng = np.random.default_rng(2026)
    errors, expanded = [], []
    for _ in range(BENCHES):
        bench = model.bench(target, SHIMS, rng, signal=signal, repeats=REPEATS)
        spread = fit_variance(bench.x_mm, bench.y.var(axis=1, ddof=1), np.full(SHIMS, REPEATS - 1), bench.step)
        V_y = np.diag(spread.variance_of_mean(bench.x_mm, REPEATS))
        points = Points(bench.x_mm, bench.y.mean(axis=1), np.diag(bench.u_x_mm**2), V_y)
        curve = fit_points(points, family_named(name), signal)
        x = np.linspace(bench.x_mm[0], bench.x_mm[-1], 41)
        errors.append((curve.value(x) - bench.true(x)) / curve.slope(x))
        expanded.append(2 * curve.standard_uncertainty(x) / np.abs(curve.slope(x)))
    held = np.abs(errors) <= expanded
    return float(held.mean()), float(np.mean(expanded)), float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("signal", ["raw", "thickness"])
@pytest.mark.parametrize("target", ["ball", "disc", "wire"])
def test_flexible_curve_covers_as_stated(target, signal):
    share, expanded, error = simulated(target, signal, "flexible")
    assert 0.90 < share < 0.995
    assert error < 0.0011
    assert expanded < 0.0022


@pytest.mark.parametrize("target", ["ball", "wire"])
def test_a_log_polynomial_covers_far_less(target):
    share, _, error = simulated(target, "raw", "log-polynomial-2")
    assert share < 0.4
    assert error > 0.002
